package worlds

import (
	"math"
	"runtime"
	"slices"

	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/parallel"
)

// limitForm is how a limit is written.
type limitForm string

const (
	limitLevel limitForm = "constant"
	limitSpeed limitForm = "along speed"
	limitLoad  limitForm = "along load"
)

// limit is one of the platform file's limits.
type limit struct {
	hazard    hazard.ID
	metric    metric.ID
	unit      string
	form      limitForm
	value     float64
	at, over  []float64 // breakpoints and values of a curve
	low, high float64   // rpm; 0: everywhere
}

// allows is the limit at an operating point, and whether it applies there.
func (l *limit) allows(rpm, loadPct float64) (float64, bool) {
	if l.high > 0 && (rpm < l.low || rpm > l.high) {
		return 0, false
	}
	switch l.form {
	case limitSpeed:
		return along(l.at, l.over, rpm), true
	case limitLoad:
		return along(l.at, l.over, loadPct), true
	}
	return l.value, true
}

// rule is how a limit is set: above what nearly all base pulls reach, by a share of that and a size. Peak pressure has
// the widest margin, because no log shows it and shops leave room for that; common practice, no source.
type rule struct {
	hazard      hazard.ID
	metric      metric.ID
	unit        string
	share, size float64 // of margin, for a factor of one
	least, step float64 // least limit, and what it is rounded to
	forms       []limitForm
	direct      string // "direct" or "port" where only that has it
	keep        bool   // never left out
}

var rules = []rule{
	{hazard.Lean, metric.Lambda, "lambda", 0, 0.03, 0.8, 0.005, []limitForm{limitLevel, limitSpeed, limitLoad,
		limitLoad}, "", true},
	{hazard.FuelDelivery, metric.InjectorDuty, "%", 0, 9, 50, 1, []limitForm{limitLevel}, "port", false},
	{hazard.FuelDelivery, metric.InjectionWindowUse, "%", 0, 9, 50, 1, []limitForm{limitLevel}, "direct", false},
	{hazard.FuelDelivery, metric.PumpUse, "%", 0, 9, 50, 1, []limitForm{limitLevel}, "", false},
	{hazard.RailPressure, metric.RailShortfall, "kPa", 0.5, 0, 25, 5, []limitForm{limitLevel}, "", false},
	{hazard.ChargeTemperature, metric.ChargeTemperature, "°C", 0, 7, 40, 1, []limitForm{limitLevel}, "", false},
	{hazard.CoolantTemperature, metric.CoolantTemperature, "°C", 0, 4, 95, 1, []limitForm{limitLevel}, "", false},
	{hazard.OilTemperature, metric.OilTemperature, "°C", 0, 6, 100, 1, []limitForm{limitLevel}, "", false},
	{hazard.ExhaustTemperature, metric.ExhaustTemperature, "°C", 0, 24, 700, 5,
		[]limitForm{limitLevel, limitLevel, limitSpeed}, "", true},
	{hazard.CylinderPressure, metric.PeakPressure, "kPa", 0.22, 0, 5000, 100, []limitForm{limitLevel, limitSpeed}, "",
		true},
	{hazard.LowSpeedLoad, metric.BMEP, "kPa", 0.08, 0, 900, 10, []limitForm{limitLevel, limitSpeed}, "", true},
	{hazard.BoostControl, metric.BoostOvershoot, "kPa", 0, 6, 8, 1, []limitForm{limitLevel}, "", false},
	{hazard.Driveline, metric.Torque, "N·m", 0.08, 0, 150, 5, []limitForm{limitLevel, limitSpeed}, "", false},
}

// sighting is a value of a metric in a base pull.
type sighting struct {
	pull      int
	rpm, load float64
	value     [ruleCount]float64
}

const ruleCount = 13 // of rules

// setLimits drives base pulls of a sample of cars, sets each limit above what they reach, and the tolerated retard.
func (w *world) setLimits() {
	d := newDice(w.seed, diceBase, 2)
	cars := w.sample(20)
	of := make([]base, len(cars))
	parallel.Each(len(cars), runtime.GOMAXPROCS(0), func(int, int) {}, func(i int) {
		of[i] = w.drivenOnBase(cars[i], i)
	})
	var seen []sighting
	var retards []float64
	for i := range of {
		seen, retards = append(seen, of[i].seen...), append(retards, of[i].retards...)
	}
	slices.Sort(retards)
	usual := retards[len(retards)*97/100]
	k := &w.controller
	k.tolerated = round(clamp(usual+d.between(0.1, 1)*k.step, max(2, 1.6*k.step), 8), 0.25)
	w.limits = nil
	for i := range rules {
		r := &rules[i]
		if r.direct == "direct" && !w.engine.direct || r.direct == "port" && w.engine.direct {
			continue
		}
		form, factor := oneOf(d, r.forms...), d.between(0.6, 1.8)
		if leave := d.chance(0.15); leave && !r.keep {
			continue
		}
		w.limits = append(w.limits, r.set(w, i, seen, form, factor))
	}
}

// base is what base pulls of one car showed.
type base struct {
	seen    []sighting
	retards []float64 // largest of each pull
}

const basePulls = 5 // a car

func (w *world) drivenOnBase(c *car, number int) (out base) {
	s := w.baseDay(c, newDice(w.seed, diceBase, 3, uint64(c.index)))
	for k := range basePulls {
		s.cruise(s.d.between(6, 20), 2000, 60, coarseTick)
		most, n := 0.0, 0
		s.seen = func() {
			if n++; s.counts() {
				most = max(most, s.ear.delivered(&w.controller))
				if n%3 == 0 {
					out.seen = append(out.seen, s.sight(number*basePulls+k))
				}
			}
		}
		s.usualPull(coarseTick)
		s.seen = nil
		out.retards = append(out.retards, most)
	}
	return out
}

func (s *session) sight(pull int) sighting {
	out := sighting{pull: pull, rpm: s.rpm, load: s.load * 100}
	for i := range rules {
		out.value[i] = s.value(rules[i].metric)
	}
	return out
}

// nearlyAll is what 99 of a hundred pulls stay below where they are looked at; NaN where fewer than five came.
func nearlyAll(seen []sighting, i int, where func(*sighting) bool) float64 {
	most := map[int]float64{}
	for k := range seen {
		g := &seen[k]
		if !where(g) {
			continue
		}
		if v, met := most[g.pull]; !met || g.value[i] > v {
			most[g.pull] = g.value[i]
		}
	}
	if len(most) < 5 {
		return math.NaN()
	}
	var all []float64
	for _, v := range most {
		all = append(all, v)
	}
	slices.Sort(all)
	return all[min(len(all)-1, len(all)*98/100)]
}

// set writes a limit above the sightings.
func (r *rule) set(w *world, i int, seen []sighting, form limitForm, factor float64) limit {
	l := limit{hazard: r.hazard, metric: r.metric, unit: r.unit, form: form}
	most := math.Inf(1)
	if r.unit == "%" {
		most = 100 // of what there is
	}
	above := func(v float64) float64 {
		return min(round(max(r.least, v+math.Abs(v)*r.share*factor+r.size*factor), r.step), most)
	}
	low, high := 0.0, 9000.0
	if r.hazard == hazard.LowSpeedLoad {
		high = 3000
		l.low, l.high = 1000, high
	}
	if r.metric == metric.RailShortfall {
		least := w.fuelSystem.base * 0.06 * factor // no base pull comes near
		above = func(v float64) float64 { return round(max(least, v*(1+r.share*factor)), r.step) }
	}
	if r.metric == metric.Lambda && (form != limitLoad || factor < 1.4) { // else the mixture of spooling up counts
		low = richFrom(seen, i)
		l.low, l.high = low, 8000
	}
	axis := func(g *sighting) float64 { return g.rpm }
	switch l.form {
	case limitLevel:
		l.value = above(nearlyAll(seen, i, func(g *sighting) bool { return g.rpm >= low && g.rpm <= high }))
		return l
	case limitSpeed:
		l.at = []float64{max(2000, low), max(3000, low+500), 4500, 6000, w.engine.redline}
		if high < 9000 {
			l.at = []float64{1600, 2000, 2500, 3000}
		}
	case limitLoad:
		l.at = []float64{60, 90, 120, 150, 190}
		axis = func(g *sighting) float64 { return g.load }
	}
	for k := range l.at {
		from, to := 0.0, 9000.0
		if k > 0 {
			from = (l.at[k-1] + l.at[k]) / 2
		}
		if k+1 < len(l.at) {
			to = (l.at[k] + l.at[k+1]) / 2
		}
		l.over = append(l.over, nearlyAll(seen, i, func(g *sighting) bool {
			return axis(g) >= from && axis(g) <= to && g.rpm >= low && g.rpm <= high
		}))
	}
	l.fill(above, r.least)
	if r.metric == metric.Lambda {
		for k := range l.over {
			l.over[k] = min(l.over[k], 1.1)
		}
	}
	return l
}

// fill gives breakpoints that no pull came near their neighbour's value, and lifts the curve where the line between two
// breakpoints would cut what was seen: each takes the larger of its own and half the way to a larger neighbour.
func (l *limit) fill(above func(float64) float64, least float64) {
	n := len(l.over)
	for range n {
		for k := range l.over {
			if math.IsNaN(l.over[k]) {
				if k+1 < n && !math.IsNaN(l.over[k+1]) {
					l.over[k] = l.over[k+1]
				} else if k > 0 {
					l.over[k] = l.over[k-1]
				}
			}
		}
	}
	out := make([]float64, n)
	for k, v := range l.over {
		if math.IsNaN(v) {
			v = least
		}
		out[k] = v
		for _, near := range []int{k - 1, k + 1} {
			if near >= 0 && near < n && l.over[near] > v {
				out[k] = max(out[k], (v+l.over[near])/2)
			}
		}
	}
	for k, v := range out {
		l.over[k] = above(v)
	}
}

// richFrom is the speed from which nearly all pulls are about as rich as they are at the top, at most 3500 rpm.
func richFrom(seen []sighting, i int) float64 {
	rich := nearlyAll(seen, i, func(g *sighting) bool { return g.rpm >= 3500 }) + 0.015
	for rpm := 2000.0; rpm < 3500; rpm += 250 {
		if nearlyAll(seen, i, func(g *sighting) bool { return g.rpm >= rpm }) < rich {
			return rpm
		}
	}
	return 3500
}
