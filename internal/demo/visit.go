package demo

import (
	"maps"
	"math"
	"math/rand/v2"

	"headroom/internal/hazard"
)

// Way is how an engine gets to cells that usual full-throttle pulls leave out.
type Way string

// Ways. How rarely they happen is assumed, no source.
const (
	WaySpike   Way = "boost_spike" // a cold day on which the boost loop passes its target by 15 to 40 kPa
	WayOverRev Way = "over_rev"    // a pull that runs on past the redline
	WayRollOn  Way = "roll_on"     // full pedal from the middle of the speed range
	WayLugging Way = "lugging"     // full pedal in fifth gear from 1100 rpm
	WaySteady  Way = "steady"      // part throttle held for ten seconds
)

// odds is how many pulls go a way, for one usual pull; of held stretches, which are no pulls, it is how many there are
// for one.
func (w Way) odds() float64 {
	switch w {
	case WaySpike:
		return 0.005
	case WayOverRev:
		return 0.01
	case WayRollOn:
		return 0.2
	case WayLugging:
		return 0.03
	case WaySteady:
		return 5
	}
	return 1
}

// VisitTruth is what happens when the engine goes to changed cells that usual pulls leave out. Its probabilities are
// shares of the drives that entered the cells, counted from there on; cells are entered where a changed table differs
// from the parent's by a third of the change or more. Held stretches have no lean crossings: limits on lambda are
// written for full load, and stoichiometric is what part load is driven at. A boost spike is itself a crossing of
// boost control, the parent's as well.
type VisitTruth struct {
	Way          Way           `json:"way"`
	Odds         float64       `json:"odds"`               // drives of that way for one usual pull: assumed, no source
	UsualShare   float64       `json:"usual_pulls_enter"`  // share of usual pulls that enter the cells
	Drives       int           `json:"simulated_drives"`   // of that way
	Entered      int           `json:"entered"`            // of these
	Hazards      []HazardTruth `json:"hazards"`            // empty when none entered
	WorstHazard  hazard.ID     `json:"worst_hazard"`       // to which the change adds most, of the serious ones
	WorstPerTrip float64       `json:"worst_probability"`  // of a drive that entered
	Parent       float64       `json:"parent_probability"` // of that hazard when the parent drives the same
}

// Dangerous reports whether the change makes a visit dangerous: a serious hazard's limit is crossed in a share of at
// least limit of them, and by the parent in less than half as many. Fewer than enoughVisits tell nothing.
func (v *VisitTruth) Dangerous(limit float64) bool {
	return v != nil && v.Entered >= enoughVisits && v.WorstPerTrip >= limit && v.Parent < v.WorstPerTrip/2
}

const (
	visitDrives  = 100
	enoughVisits = 30 // a share of 0.2 of these has a standard error of 0.07
)

// visit simulates drives of the change's way.
func (ch *change) visit(c *car, r, parent *revision, seed, salt uint64) *VisitTruth {
	as := ch.carOf(c)
	t := &VisitTruth{Way: ch.way, Odds: ch.way.odds(), Drives: visitDrives}
	at, was := map[hazard.ID][]float64{}, map[hazard.ID][]float64{}
	usual, wasEntered := 0, 0
	for i := range visitDrives {
		drive := func(way Way, runs *revision) *watch {
			return ch.drive(as, way, r, parent, runs, stream(seed, streamTruth, uint64(c.index), salt, uint64(i)))
		}
		if w := drive(ch.way, r); w != nil {
			t.Entered++
			w.tally(at)
		}
		if w := drive(ch.way, parent); w != nil {
			wasEntered++
			w.tally(was)
		}
		if drive("", r) != nil {
			usual++
		}
	}
	t.UsualShare = float64(usual) / visitDrives
	if t.Entered == 0 {
		return t
	}
	t.Hazards = shares(at, t.Entered)
	most := 0.0
	for _, h := range t.Hazards {
		parent := float64(len(was[h.Hazard])) / float64(max(wasEntered, 1))
		if added := h.ProbabilityPerPull - parent; h.Severity.Serious() && added > most {
			most = added
			t.WorstHazard, t.WorstPerTrip, t.Parent = h.Hazard, h.ProbabilityPerPull, parent
		}
	}
	return t
}

// drive is one drive of a way, "" for a usual pull, on a calibration that is the proposed one or its parent; nil when
// it never enters the changed cells.
func (ch *change) drive(c *car, way Way, r, parent, runs *revision, rng *rand.Rand) *watch {
	s := c.onWay(way, runs, parent, rng)
	s.write = func(float64) {
		if s.watch == nil && s.watched() && ch.reached(r, parent, s) {
			s.watch = newWatch(s.eng)
		}
	}
	s.take(way, ch)
	return s.watch
}

// onWay is the car before a drive of a way, on a day to come, as it was in its logs on the parent.
func (c *car) onWay(way Way, runs, parent *revision, rng *rand.Rand) *session {
	warmer := 0.0
	if way == WaySpike {
		warmer = -12
	}
	return c.usual(runs, c.daysOn(parent.id), warmer, rng)
}

// take drives a way, held stretches at speeds and loads of the change.
func (s *session) take(way Way, ch *change) {
	u := s.rng.Float64
	switch way {
	case WaySpike:
		s.spike = 15 + 25*u()
		s.usualPull()
	case WayOverRev:
		s.pull(3+s.rng.IntN(2), 1700+400*u(), s.eng.redline+300+400*u())
	case WayRollOn:
		s.pull(3+s.rng.IntN(3), 3000+1500*u(), s.eng.redline-400*u())
	case WayLugging:
		s.pull(5, 1000+200*u(), 3000)
	case WaySteady:
		s.hold(10, ch.low+(ch.high-ch.low)*u(), ch.load+(ch.top-ch.load)*u())
	default:
		s.usualPull()
	}
}

// hold keeps a speed and a load (%) at part throttle for some seconds, watched once it has settled.
func (s *session) hold(seconds, rpm, load float64) {
	s.drawLuck()
	manifold := load / 100 * loadDensity / (s.eng.ve.at(rpm, 0) * s.car.ve) * gasConstantAir * (s.ambientK + 15)
	s.cruise(3, rpm, manifold)
	s.held = true
	s.cruise(seconds, rpm, manifold)
	s.held = false
}

// reached reports whether a changed table differs from the parent's by a third of the change at the session's state.
func (ch *change) reached(r, parent *revision, s *session) bool {
	third := func(now, was *grid, x, y, by float64) bool {
		return by != 0 && math.Abs(now.at(x, y)-was.at(x, y)) >= math.Abs(by)/3
	}
	load := s.load * 100
	return third(&r.spark, &parent.spark, s.rpm, load, ch.spark) ||
		third(&r.lambda, &parent.lambda, s.rpm, load, ch.lambda) ||
		third(&r.boost, &parent.boost, s.rpm, s.pedal, ch.boost)
}

// point is where an engine passed through.
type point struct{ rpm, load, pedal float64 }

// tracks are where an engine passed through.
type tracks []point

const trackDrives = 12 // a car

// tracks drives a way on the car's latest revision.
func (c *car) tracks(way Way, seed uint64) tracks {
	var t tracks
	for i := range trackDrives {
		s := c.onWay(way, c.latest(), c.latest(), stream(seed, streamKinds, uint64(c.index), uint64(i)))
		ticks := 0
		s.write = func(float64) {
			if ticks++; ticks%3 == 0 && s.watched() { // finer than any table
				t = append(t, point{s.rpm, s.load * 100, s.pedal})
			}
		}
		s.take(way, nil)
	}
	return t
}

// breakpoints are some of a table, as x and y.
type breakpoints map[[2]float64]bool

// cells are breakpoints of a revision's tables.
type cells struct{ spark, lambda, boost breakpoints }

// cells are the breakpoints of a revision's tables that lookups on the tracks read with some weight or more.
func (t tracks) cells(r *revision, least float64) *cells {
	byLoad := func(p point) float64 { return p.load }
	return &cells{t.reads(&r.spark, byLoad, least), t.reads(&r.lambda, byLoad, least),
		t.reads(&r.boost, func(p point) float64 { return p.pedal }, least)}
}

func (t tracks) reads(g *grid, y func(p point) float64, least float64) breakpoints {
	out := breakpoints{}
	rows := g.y
	if len(rows) == 0 {
		rows = []float64{0}
	}
	for _, p := range t {
		i, u := place(g.x, p.rpm)
		j, v := place(rows, y(p))
		for _, a := range weights(i, u) {
			for _, b := range weights(j, v) {
				if a.share*b.share >= least {
					out[[2]float64{g.x[a.at], rows[b.at]}] = true
				}
			}
		}
	}
	return out
}

// without are the breakpoints that are not in others.
func (b breakpoints) without(others breakpoints) breakpoints {
	out := maps.Clone(b)
	maps.DeleteFunc(out, func(at [2]float64, _ bool) bool { return others[at] })
	return out
}

// box is the span of the breakpoints.
func (b breakpoints) box() (low, high, bottom, top float64) {
	low, high, bottom, top = math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for at := range b {
		low, high = min(low, at[0]), max(high, at[0])
		bottom, top = min(bottom, at[1]), max(top, at[1])
	}
	return low, high, bottom, top
}

// weight is a breakpoint's share in a lookup.
type weight struct {
	at    int
	share float64
}

// weights are those of the breakpoints beside the place of a value on an axis.
func weights(i int, u float64) []weight {
	if u == 0 {
		return []weight{{i, 1}}
	}
	return []weight{{i, 1 - u}, {i + 1, u}}
}
