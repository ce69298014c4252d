package demo

import (
	"math"
	"math/rand/v2"
	"slices"

	"headroom/internal/hazard"
	"headroom/internal/metric"
)

// watch notes, over one pull, which limits of the platform were crossed and at which speed first.
type watch struct {
	limits  []watched
	crossed map[hazard.ID]float64 // hazard → rpm of the first crossing
}

type watched struct {
	limit *limit
	value func(s *session) float64
}

// truths are the true values the limits are written on, by metric.
var truths = map[metric.ID]func(s *session) float64{
	metric.Lambda:             func(s *session) float64 { return s.smoothLambda },
	metric.InjectorDuty:       func(s *session) float64 { return s.duty },
	metric.InjectionWindowUse: func(s *session) float64 { return s.window },
	metric.PumpUse:            func(s *session) float64 { return s.pumpUse },
	metric.RailShortfall:      func(s *session) float64 { return s.railTarget - s.rail },
	metric.ChargeTemperature:  func(s *session) float64 { return s.charge - zeroCelsius },
	metric.CoolantTemperature: func(s *session) float64 { return s.coolant },
	metric.OilTemperature:     func(s *session) float64 { return s.oil },
	metric.ExhaustTemperature: func(s *session) float64 { return s.exhaust },
	metric.PeakPressure:       func(s *session) float64 { return s.peak },
	metric.BMEP:               func(s *session) float64 { return s.bmep },
	metric.BoostOvershoot:     func(s *session) float64 { return s.manifold - s.target },
	metric.Torque:             func(s *session) float64 { return s.torque },
}

func newWatch(e *engine) *watch {
	w := &watch{crossed: map[hazard.ID]float64{}}
	for i := range e.limits {
		w.limits = append(w.limits, watched{&e.limits[i], truths[e.limits[i].metric]})
	}
	return w
}

func (w *watch) see(s *session) {
	if s.retard > s.eng.tolerated {
		w.note(hazard.Knock, s.rpm)
	}
	for i := range w.limits {
		l := w.limits[i].limit
		if s.held && l.hazard == hazard.Lean { // limits on lambda are written for full load
			continue
		}
		if l.high > 0 && (s.rpm < l.low || s.rpm > l.high) {
			continue
		}
		if w.limits[i].value(s) > l.at(s.rpm, 0) {
			w.note(l.hazard, s.rpm)
		}
	}
}

func (w *watch) note(h hazard.ID, rpm float64) {
	if _, seen := w.crossed[h]; !seen {
		w.crossed[h] = rpm
	}
}

// simulate drives n pulls of the car on the calibration, each on a day to come and with a tank of its own, and counts
// what crosses.
func (c *car) simulate(cal *revision, n int, seed uint64, salt uint64) []HazardTruth {
	days := c.daysOn(cal.parent)
	at := map[hazard.ID][]float64{}
	for i := range n {
		rng := stream(seed, streamTruth, uint64(c.index), salt, uint64(i))
		s := c.usual(cal, days, 0, rng)
		s.watch = newWatch(c.engine)
		s.usualPull()
		s.watch.tally(at)
	}
	return shares(at, n)
}

// usual is the car on a day to come, warmer by some kelvin, with a tank of its own, before a pull that is the first of
// its run or a later one: with the heat of those before it. How worn the car is and how it is driven is as on one of
// days.
func (c *car) usual(cal *revision, days []*logPlan, warmer float64, rng *rand.Rand) *session {
	day := *days[rng.IntN(len(days))]
	day.ambient, day.baro = dayToCome(rng)
	day.ambient += warmer
	day.tank = c.fuel.tank(rng)
	day.stuckCoolant = false
	s := newSession(c, cal, &day, rng)
	s.warmUp()
	for range rng.IntN(len(day.gears)) {
		s.usualPull()
		s.rest()
	}
	return s
}

// usualPull is a pull as the logs have them.
func (s *session) usualPull() {
	s.pull(drawGear(s.rng), 1700+400*s.rng.Float64(), s.eng.redline-400*s.rng.Float64())
}

// tally adds the speeds of first crossings.
func (w *watch) tally(at map[hazard.ID][]float64) {
	for h, rpm := range w.crossed {
		at[h] = append(at[h], rpm)
	}
}

// shares turns the speeds of first crossings in n drives into probabilities.
func shares(at map[hazard.ID][]float64, n int) []HazardTruth {
	var out []HazardTruth
	for _, h := range hazard.All() {
		speeds := at[h.ID]
		slices.Sort(speeds)
		out = append(out, HazardTruth{Hazard: h.ID, Severity: h.Severity,
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
