package demo

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"headroom/internal/hazard"
)

const (
	pickPulls  = 100 // simulated pulls while the size of a change is chosen
	finalPulls = 800 // simulated pulls behind the truth of the four proposals
	gradePulls = 200 // simulated pulls behind the truth of a graded proposal
)

// change is what a proposed revision alters, between two speeds and above a load.
type change struct {
	kind                 Kind
	low, high            float64 // rpm
	load                 float64 // %
	spark, lambda, boost float64
	idle                 float64 // rpm added to the idle table, which nothing models

	top  float64   // % of load up to which it reaches; 0: without end
	cam  float64   // degrees of intake cam advance
	fuel *fuelKind // nil: the parent's
	part *part     // nil: the parent's
	at   *cells    // only these breakpoints; nil: all between the speeds and the loads
	way  Way       // how the engine gets to the changed cells; "" for usual pulls
}

// proposal is a proposed revision with its truth.
type proposal struct {
	revision *revision
	truth    ProposalTruth
}

// apply makes the proposed revision.
func (ch *change) apply(parent *revision, id, author string, date time.Time) *revision {
	r := parent.child(id, author, date)
	alter := func(g *grid, step, by float64, only breakpoints, inRow func(y float64) bool) grid {
		return g.changed(step, func(rpm, y float64) float64 {
			switch {
			case ch.at != nil && only[[2]float64{rpm, y}]:
				return by
			case ch.at == nil && rpm >= ch.low && rpm <= ch.high && inRow(y):
				return by
			}
			return 0
		})
	}
	atLoad := func(load float64) bool { return load >= ch.load && (ch.top == 0 || load <= ch.top) }
	pressed := func(pedal float64) bool { return !parent.boostByPedal || pedal >= 70 }
	only := cmp.Or(ch.at, &cells{})
	r.spark = alter(&parent.spark, 0.5, ch.spark, only.spark, atLoad)
	r.lambda = alter(&parent.lambda, 0.005, ch.lambda, only.lambda, atLoad)
	r.boost = alter(&parent.boost, 1, ch.boost, only.boost, pressed)
	if ch.cam != 0 {
		r.cam = alter(&parent.cam, 0.5, ch.cam, nil, atLoad)
		r.writesCam = true
	}
	if ch.fuel != nil {
		r.fuel = ch.fuel.id
	}
	switch {
	case ch.part == nil:
	case ch.part.item == "exhaust":
		r.hardware = ch.part.name
	default:
		r.parts = map[string]string{ch.part.item: ch.part.name}
	}
	if ch.idle != 0 {
		r.idle = parent.idle.changed(10, func(float64, float64) float64 { return ch.idle })
		r.writesIdle = true
	}
	return r
}

// judge simulates the proposed revision on its car, with the parts and the fuel that it is made for.
func (ch *change) judge(c *car, r *revision, pulls int, seed, salt uint64) ProposalTruth {
	as := ch.carOf(c)
	t := ProposalTruth{
		Revision: r.id, Parent: r.parent, Vehicle: c.id, Platform: c.engine.id, Kind: ch.kind,
		SparkDeg: ch.spark, Lambda: ch.lambda, BoostKPa: ch.boost, CamDeg: ch.cam, RPM: []float64{ch.low, ch.high},
		Pulls: pulls, Hazards: as.simulate(r, pulls, seed, salt),
	}
	if ch.top != 0 && ch.boost == 0 { // boost tables are not read by load
		t.LoadPct = []float64{ch.load, ch.top}
	}
	if ch.fuel != nil {
		t.Fuel = ch.fuel.id
	}
	if ch.part != nil {
		t.Part = ch.part.item + ": " + ch.part.name
	}
	if w := worst(t.Hazards); w.ProbabilityPerPull > 0 {
		t.WorstHazard, t.WorstRPM, t.WorstPerPull = w.Hazard, w.RPM, w.ProbabilityPerPull
	}
	return t
}

// worst is the serious hazard that is crossed most, the first of equals; the zero value when none is.
func worst(all []HazardTruth) (w HazardTruth) {
	for _, h := range all {
		if h.Severity.Serious() && h.ProbabilityPerPull > w.ProbabilityPerPull {
			w = h
		}
	}
	return w
}

// plan is one of the four proposals: a change that grows (or shrinks) until the truth is what it is meant to be.
type plan struct {
	role  int
	sizes []change
	good  func(t *ProposalTruth) bool
}

func dangerous(h hazard.ID) func(t *ProposalTruth) bool {
	return func(t *ProposalTruth) bool { return t.WorstHazard == h && t.WorstPerPull >= 0.5 }
}

func plans() []plan {
	var mild, mid, top, low []change
	for _, s := range []float64{1, 0.5} {
		mild = append(mild, change{kind: KindMild, low: 4500, high: 6500, load: 100, spark: s})
	}
	for _, s := range []float64{5, 6, 7, 8, 9} {
		mid = append(mid, change{kind: KindMidSpark, low: 3000, high: 4500, load: 115, spark: s, idle: 30})
	}
	for _, l := range []float64{0.08, 0.09, 0.10, 0.11} {
		top = append(top, change{kind: KindLeanTop, low: 5500, high: 7000, load: 100, lambda: l, spark: 2})
	}
	for _, b := range []float64{50, 55, 60, 65, 70} {
		low = append(low, change{kind: KindLowSpeed, low: 1500, high: 2500, load: 115, boost: b, spark: -3})
	}
	return []plan{
		{roleMild, mild, func(t *ProposalTruth) bool { return t.WorstPerPull < 0.01 }},
		{roleMidSpark, mid, dangerous(hazard.Knock)},
		{roleLeanTop, top, dangerous(hazard.Lean)},
		{roleLowSpeed, low, dangerous(hazard.LowSpeedLoad)},
	}
}

// propose makes the four proposed revisions. It fails when no size of a change has the intended truth.
func (f *fleet) propose() error {
	todo := plans()
	f.proposals = make([]*proposal, len(todo))
	err := onAll(len(todo), func(i int) error {
		made, err := f.proposeOne(&todo[i])
		f.proposals[i] = made
		return err
	})
	if err != nil {
		return err
	}
	slices.SortFunc(f.proposals, func(a, b *proposal) int { return a.revision.date.Compare(b.revision.date) })
	return nil
}

func (f *fleet) proposeOne(p *plan) (*proposal, error) {
	c := f.cars[p.role]
	parent := c.latest()
	date := c.logs[len(c.logs)-1].date.AddDate(0, 0, 3)
	id := fmt.Sprintf("rev-%04d-b", 101+c.index)
	for i := range p.sizes {
		ch := &p.sizes[i]
		r := ch.apply(parent, id, authors[(c.index+1)%len(authors)], date)
		first := ch.judge(c, r, pickPulls, f.options.Seed, 0)
		if !p.good(&first) {
			continue
		}
		return &proposal{r, ch.judge(c, r, f.options.TruthPulls, f.options.Seed, 1)}, nil
	}
	return nil, fmt.Errorf("seed %d gives car %s no %s proposal of the intended truth; choose another seed",
		f.options.Seed, c.id, p.sizes[0].kind)
}

// drawChange draws one change of any kind and size.
func drawChange(rng *rand.Rand) change {
	bands := [][2]float64{{1500, 2500}, {2500, 3500}, {3000, 4500}, {4500, 6000}, {5500, 7000}, {1500, 7000}}
	b := bands[rng.IntN(len(bands))]
	ch := change{low: b[0], high: b[1], load: []float64{100, 120}[rng.IntN(2)]}
	switch rng.IntN(5) {
	case 0, 1:
		ch.kind, ch.spark = KindSpark, round(-2+9*rng.Float64(), 0.5)
	case 2:
		ch.kind, ch.lambda = KindLambda, round(-0.02+0.13*rng.Float64(), 0.005)
	case 3:
		ch.kind, ch.boost = KindBoost, round(-10+70*rng.Float64(), 1)
		if rng.Float64() < 0.5 {
			ch.low, ch.high = bands[0][0], bands[0][1]
		}
		ch.spark = -round(ch.boost/10*rng.Float64(), 0.5)
	default:
		ch.kind, ch.spark = KindMixed, round(-1+5*rng.Float64(), 0.5)
		ch.lambda, ch.boost = round(-0.01+0.06*rng.Float64(), 0.005), round(25*rng.Float64(), 1)
	}
	return ch
}

// graded makes n proposed revisions of graded size and kind for the cars of a demo workspace, in memory, with the
// true probability per pull of each hazard. The same workspace and seed give the same proposals.
func (f *fleet) graded(n int, seed uint64) ([]*proposal, error) {
	out := make([]*proposal, n)
	err := onAll(n, func(i int) error {
		rng := stream(seed, streamGraded, uint64(i))
		c := f.cars[rng.IntN(len(f.cars))]
		ch := drawChange(rng)
		date := c.logs[len(c.logs)-1].date.AddDate(0, 0, 4)
		r := ch.apply(c.latest(), fmt.Sprintf("sim-%04d", i+1), authors[rng.IntN(len(authors))], date)
		out[i] = &proposal{r, ch.judge(c, r, gradePulls, seed, uint64(i)+100)}
		return nil
	})
	return out, err
}
