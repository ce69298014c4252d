package demo

import (
	"math"
	"slices"

	"headroom/internal/workspace"
)

// watch notes, over one pull, which limits of the platform were crossed and at which speed first.
type watch struct {
	limits  []watched
	crossed map[string]float64 // hazard → rpm of the first crossing
}

type watched struct {
	limit *limit
	value func(s *session) float64
}

// truths are the true values the limits are written on, by metric.
var truths = map[string]func(s *session) float64{
	workspace.MetricLambda:             func(s *session) float64 { return s.smoothLambda },
	workspace.MetricInjectorDuty:       func(s *session) float64 { return s.duty },
	workspace.MetricInjectionWindowUse: func(s *session) float64 { return s.window },
	workspace.MetricPumpUse:            func(s *session) float64 { return s.pumpUse },
	workspace.MetricRailShortfall:      func(s *session) float64 { return s.railTarget - s.rail },
	workspace.MetricChargeTemperature:  func(s *session) float64 { return s.charge - zeroCelsius },
	workspace.MetricCoolantTemperature: func(s *session) float64 { return s.coolant },
	workspace.MetricOilTemperature:     func(s *session) float64 { return s.oil },
	workspace.MetricExhaustTemperature: func(s *session) float64 { return s.exhaust },
	workspace.MetricPeakPressure:       func(s *session) float64 { return s.peak },
	workspace.MetricBMEP:               func(s *session) float64 { return s.bmep },
	workspace.MetricBoostOvershoot:     func(s *session) float64 { return s.manifold - s.target },
	workspace.MetricTorque:             func(s *session) float64 { return s.torque },
}

func newWatch(e *engine) *watch {
	w := &watch{crossed: map[string]float64{}}
	for i := range e.limits {
		w.limits = append(w.limits, watched{&e.limits[i], truths[e.limits[i].metric]})
	}
	return w
}

func (w *watch) see(s *session) {
	if s.retard > s.eng.tolerated {
		w.note(workspace.Knock, s.rpm)
	}
	for i := range w.limits {
		l := w.limits[i].limit
		if l.high > 0 && (s.rpm < l.low || s.rpm > l.high) {
			continue
		}
		if w.limits[i].value(s) > l.at(s.rpm, 0) {
			w.note(l.hazard, s.rpm)
		}
	}
}

func (w *watch) note(hazard string, rpm float64) {
	if _, seen := w.crossed[hazard]; !seen {
		w.crossed[hazard] = rpm
	}
}

// simulate drives n pulls of the car on the calibration, each on a day like those of its logs on the parent and with
// a tank of its own, and counts what crosses.
func (c *car) simulate(cal *revision, n int, seed uint64, salt uint64) []HazardTruth {
	days := c.daysOn(cal.parent)
	at := map[string][]float64{}
	for i := range n {
		rng := stream(seed, streamTruth, uint64(c.index), salt, uint64(i))
		day := *days[rng.IntN(len(days))]
		day.ambient += 2 * rng.NormFloat64()
		day.tank = c.fuel.tank(rng)
		day.stuckCoolant = false
		s := newSession(c, cal, &day, rng)
		s.soak += 4 * float64(rng.IntN(4))
		s.watch = newWatch(c.engine)
		s.pull(drawGear(rng), 1700+400*rng.Float64(), c.engine.redline-400*rng.Float64())
		for hazard, rpm := range s.watch.crossed {
			at[hazard] = append(at[hazard], rpm)
		}
	}
	var out []HazardTruth
	for _, h := range workspace.Hazards() {
		speeds := at[h.Name]
		slices.Sort(speeds)
		out = append(out, HazardTruth{Hazard: h.Name, Severity: h.Severity,
			ProbabilityPerPull: float64(len(speeds)) / float64(n), RPM: speedRange(speeds)})
	}
	return out
}

// speedRange is the span of the middle 80 % of first crossings, on the 500 rpm grid; nil without crossings.
func speedRange(sorted []float64) []float64 {
	if len(sorted) == 0 {
		return nil
	}
	low := sorted[len(sorted)/10]
	high := sorted[len(sorted)-1-len(sorted)/10]
	return []float64{math.Floor(low/cellRPM) * cellRPM, math.Ceil((high+1e-9)/cellRPM) * cellRPM}
}

// daysOn are the car's logs on a revision, or all of them when it has none there.
func (c *car) daysOn(revision string) []*logPlan {
	var out []*logPlan
	for _, l := range c.logs {
		if l.revision.id == revision {
			out = append(out, l)
		}
	}
	if len(out) == 0 {
		return c.logs
	}
	return out
}
