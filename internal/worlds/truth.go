package worlds

import (
	"math"
	"slices"
	"time"

	"headroom/internal/hazard"
)

// Truth is what a fleet hides from the tool.
type Truth struct {
	Schema string `json:"schema"`
	Seed   uint64 `json:"seed"`
	Cars   int    `json:"cars"`
	// share of cars asked to drift, 0 for what the fleet draws by itself
	Planted float64    `json:"planted,omitempty"`
	Forms   Forms      `json:"forms"`
	Logs    int        `json:"logs"`
	Pulls   int        `json:"pulls"`
	Broken  []string   `json:"broken"` // logs that were cut short, by path
	Stuck   []string   `json:"stuck"`  // logs in which a sensor stood still, by path
	Cells   int        `json:"pull_cells"`
	Knock   int        `json:"pull_cells_with_knock"`
	Fleet   []CarTruth `json:"fleet"`
}

// CarTruth is one car.
type CarTruth struct {
	Vehicle string  `json:"vehicle"`
	Knock   float64 `json:"knock_luck"`  // added to the knock limit: degrees, or octane numbers for the integrals
	Pump    float64 `json:"pump_factor"` // on capacity
	Lambda  float64 `json:"lambda_error"`
	Sensor  float64 `json:"lambda_sensor_bias"`
	// Oddities are what sets the car apart: "weak pump", "biased lambda sensor", "deposits".
	Oddities []string  `json:"oddities"`
	Drift    DriftKind `json:"drift,omitempty"` // "" for a car that does not drift
	PerYear  float64   `json:"drift_per_year,omitempty"`
}

// Graded is a proposed revision with what it would truly do to its car on days to come.
type Graded struct {
	Revision string    `json:"revision"`
	Parent   string    `json:"parent"`
	Vehicle  string    `json:"vehicle"`
	Kind     Kind      `json:"kind"`
	Size     float64   `json:"size"` // 0 to 1 of the largest of its kind
	SparkDeg float64   `json:"spark_deg"`
	Lambda   float64   `json:"lambda"`
	BoostKPa float64   `json:"boost_kpa"`
	CamDeg   float64   `json:"cam_deg,omitempty"`
	RPM      []float64 `json:"rpm"`
	Fuel     string    `json:"fuel,omitempty"` // another than the parent's
	Part     string    `json:"part,omitempty"` // another than the parent's
	Pulls    int       `json:"simulated_pulls"`
	// Hazards with a limit in the platform file, and knock, in the catalogue's order.
	Hazards []HazardTruth `json:"hazards"`
	// IfVisited is by visit of the cells that a change of kinds unvisited and part_load touches; nil for the others.
	IfVisited []HazardTruth `json:"if_visited,omitempty"`
}

// HazardTruth is the share of simulated pulls that cross a hazard's limit.
type HazardTruth struct {
	Hazard      hazard.ID `json:"hazard"`
	Probability float64   `json:"probability"`
	Error       float64   `json:"standard_error"` // allowing for pulls of a day being alike
	Parent      float64   `json:"parent"`         // of the parent on the same days, with the same luck
}

// Hazard returns the truth of one hazard, false where it has no limit.
func (g *Graded) Hazard(id hazard.ID) (HazardTruth, bool) {
	for _, h := range g.Hazards {
		if h.Hazard == id {
			return h, true
		}
	}
	return HazardTruth{}, false
}

// Worst is the largest probability a pull of the serious hazards (major and catastrophic by default).
func (g *Graded) Worst() float64 { return worst(g.Hazards) }

// WorstIfVisited is the same for a visit of cells that usual pulls leave out, of hazards that the parent crosses less
// than half as often there; 0 for kinds that have none.
func (g *Graded) WorstIfVisited() float64 {
	return worst(slices.DeleteFunc(slices.Clone(g.IfVisited),
		func(h HazardTruth) bool { return h.Parent >= h.Probability/2 }))
}

func worst(of []HazardTruth) float64 {
	most := 0.0
	for _, h := range of {
		if info, ok := hazard.Of(h.Hazard); ok && info.Severity.Serious() {
			most = max(most, h.Probability)
		}
	}
	return most
}

const (
	truthDays  = 80
	pullsADay  = 5
	truthPulls = truthDays * pullsADay // 400: a standard error of 0.02 at 0.2, more where days decide
	visitsADay = 2
	comingDays = 365
	elsewhere  = 0.3 // of days, at any place and not the car's own
)

// crossings counts, by hazard, in how many pulls of each day a limit was crossed.
type crossings map[hazard.ID][]float64

// shares turns counts into probabilities and their standard errors, from the spread of days.
func (x crossings) shares(w *world, before crossings, days int) []HazardTruth {
	limited := map[hazard.ID]bool{hazard.Knock: true}
	for i := range w.limits {
		limited[w.limits[i].hazard] = true
	}
	var out []HazardTruth
	for _, h := range hazard.All() {
		if !limited[h.ID] {
			continue
		}
		p, se := meanAndError(x[h.ID], days)
		parent, _ := meanAndError(before[h.ID], days)
		out = append(out, HazardTruth{h.ID, p, se, parent})
	}
	return out
}

// meanAndError are the mean of daily shares and its standard error; nil stands for no crossings.
func meanAndError(shares []float64, days int) (mean, se float64) {
	for _, v := range shares {
		mean += v / float64(days)
	}
	for _, v := range shares {
		se += square(v-mean) / float64(days-1)
	}
	return mean, math.Sqrt(se / float64(days))
}

// watch notes which limits a pull crosses.
type watch struct {
	w       *world
	crossed map[hazard.ID]bool
}

func (x *watch) see(s *session) {
	if !s.counts() {
		return
	}
	if s.ear.delivered(&x.w.controller) > x.w.controller.tolerated {
		x.crossed[hazard.Knock] = true
	}
	for i := range x.w.limits {
		l := &x.w.limits[i]
		if x.crossed[l.hazard] || s.held && l.hazard == hazard.Lean { // limits on lambda are written for full load
			continue
		}
		if over, applies := l.allows(s.rpm, s.load*100); applies && s.value(l.metric) > over {
			x.crossed[l.hazard] = true
		}
	}
}

// day draws a day to come for a car: within a year, mostly at its own place, with a tank of the fuel.
func (w *world) day(c *car, fuel int, from time.Time, d dice) (time.Time, air, tank) {
	day := from.AddDate(0, 0, d.IntN(comingDays))
	at := c.home
	if d.chance(elsewhere) {
		at = d.IntN(len(w.places))
	}
	return day, w.places[at].weather(d, day), w.fuels[fuel].fill(d, w.octaneK)
}

// simulate drives days of usual pulls. The same salt gives the same days, tanks and fittings to parent and revision.
func (w *world) simulate(c *car, cal *calibration, from time.Time, salt uint64) crossings {
	out := crossings{}
	fitting := newDice(w.seed, diceTruth, salt, 1<<40)
	c = c.with(cal.parts, fitting)
	for k := range truthDays {
		d := newDice(w.seed, diceTruth, salt, uint64(k))
		s := w.setOut(c, cal, from, d)
		for range pullsADay {
			out.add(w.crossedIn(s, func() { s.usualPull(coarseTick) }), k, truthDays, pullsADay)
			if d.chance(0.25) {
				s.rest(d.between(60, 300))
			}
			s.cruise(d.between(5, 10), 2200, 60, coarseTick)
		}
	}
	return out
}

// setOut is a car on one of its days to come, on the road and warm.
func (w *world) setOut(c *car, cal *calibration, from time.Time, d dice) *session {
	day, a, has := w.day(c, cal.fuel, from, d)
	s := w.begin(c.on(day), cal, a, has, d)
	s.cruise(8, 2000, 60, coarseTick)
	return s
}

// crossedIn are the hazards whose limits are crossed in a drive.
func (w *world) crossedIn(s *session, drive func()) map[hazard.ID]bool {
	x := watch{w, map[hazard.ID]bool{}}
	s.seen = func() { x.see(s) }
	drive()
	s.seen = nil
	return x.crossed
}

func (x crossings) add(crossed map[hazard.ID]bool, day, days, aDay int) {
	for h := range crossed {
		if x[h] == nil {
			x[h] = make([]float64, days)
		}
		x[h][day] += 1 / float64(aDay)
	}
}

// visit drives days of visits to where usual pulls hardly go.
func (w *world) visit(c *car, cal *calibration, ch *change, from time.Time, salt uint64) crossings {
	out := crossings{}
	for k := range truthDays {
		s := w.setOut(c, cal, from, newDice(w.seed, diceTruth, salt, 1<<41, uint64(k)))
		for range visitsADay {
			out.add(w.crossedIn(s, func() { s.take(ch) }), k, truthDays, visitsADay)
			s.cruise(6, 2200, 60, coarseTick)
		}
	}
	return out
}

// take drives the engine where a change of the kinds unvisited and part_load is.
func (s *session) take(ch *change) {
	switch {
	case ch.kind == KindPartLoad:
		s.hold(10, s.d.between(ch.low, ch.high), s.d.between(ch.loadLow, ch.loadHigh))
	case ch.low < 2000:
		s.pull(5, s.d.between(1020, 1150), 2600, coarseTick)
	default:
		s.pull(usualGear(s.d), 3500, s.w.engine.redline+s.d.between(300, 600), coarseTick)
	}
}

// hold keeps a speed and about a load at part throttle for some seconds, which count once it has settled.
func (s *session) hold(seconds, rpm, load float64) {
	ve := s.w.engine.breathing(rpm, 80, s.air.baro*1.1, 0) * s.car.ve
	throttled := clamp(load/100*loadAir*airGas*s.charge/ve, 25, 0.97*s.air.baro)
	s.luckKnock = s.w.knock.pull * s.w.knock.pullLaw.draw(s.d)
	s.cruise(3, rpm, throttled, tick)
	s.held = true
	s.cruise(seconds, rpm, throttled, tick)
	s.held = false
}

// truth is the fleet's.
func (w *world) truth() *Truth {
	t := &Truth{Schema: "headroom/worlds-truth/1", Seed: w.seed, Cars: len(w.cars), Planted: w.planted, Forms: w.forms,
		Broken: []string{}, Stuck: []string{}}
	for _, c := range w.cars {
		t.Fleet = append(t.Fleet, CarTruth{c.id, round(c.knock, 0.001), round(c.pump, 0.001), round(c.lambda, 0.0001),
			round(c.lambdaBias, 0.0001), append([]string{}, c.oddities...), c.drift.kind, round(c.drift.year, 0.0001)})
		for _, l := range c.logs {
			t.Logs++
			t.Pulls += l.pulls
			t.Cells += l.cells.cells
			t.Knock += l.cells.knocked
			if l.broken {
				t.Broken = append(t.Broken, l.path)
			}
			if l.sticks != 0 {
				t.Stuck = append(t.Stuck, l.path)
			}
		}
	}
	return t
}
