package demo

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"headroom/internal/hazard"
)

// Kind is what a proposed revision changes.
type Kind string

// Kinds of the four proposals, and of Proposals.
const (
	KindMild     Kind = "mild"
	KindMidSpark Kind = "mid_range_spark"
	KindLeanTop  Kind = "lean_and_advanced_top"
	KindLowSpeed Kind = "low_speed_torque"

	KindSpark  Kind = "spark"
	KindLambda Kind = "lambda"
	KindBoost  Kind = "boost"
	KindMixed  Kind = "mixed"
)

// Kinds of ProposalsOf.
const (
	KindFuel      Kind = "fuel"      // another fuel, tables the same or changed with it
	KindHardware  Kind = "hardware"  // a part that the car did not have, tables the same or changed with it
	KindCam       Kind = "cam"       // the intake cam table, on the platform that has one
	KindUnvisited Kind = "unvisited" // breakpoints that no usual pull of the fleet reads
	KindPartLoad  Kind = "part_load" // cells below full load, where cars are driven but no full-throttle pull is
	KindLarge     Kind = "large"     // a step towards one hazard's limit, each hazard in turn
)

// ProvingKinds are the kinds of ProposalsOf.
func ProvingKinds() []Kind {
	return []Kind{KindFuel, KindHardware, KindCam, KindUnvisited, KindPartLoad, KindLarge}
}

// drawn is a car and what is to be changed on it.
type drawn struct {
	car    *car
	change change
}

// ofKinds makes n proposed revisions of the kinds in turn.
func (f *fleet) ofKinds(kinds []Kind, n int, seed uint64) ([]*proposal, error) {
	if len(kinds) == 0 {
		return nil, fmt.Errorf("no kind of proposal: name one of %v", ProvingKinds())
	}
	usual := map[*engine]tracks{} // of all its cars
	if slices.Contains(kinds, KindUnvisited) {
		for _, c := range f.cars {
			usual[c.engine] = append(usual[c.engine], c.tracks("", f.options.Seed)...)
		}
	}
	out := make([]*proposal, n)
	err := onAll(n, func(i int) error {
		kind, turn := kinds[i%len(kinds)], turnOf(kinds, i)
		rng := stream(seed, streamKinds, uint64(i))
		d, err := f.draw(kind, turn, usual, rng)
		if err != nil {
			return err
		}
		c, parent := d.car, d.car.latest()
		date := c.logs[len(c.logs)-1].date.AddDate(0, 0, 4)
		id := fmt.Sprintf("%s-%04d", kind, turn+1)
		r := d.change.apply(parent, id, authors[rng.IntN(len(authors))], date)
		p := &proposal{r, d.change.judge(c, r, gradePulls, seed, uint64(i)+100)}
		if d.change.way != "" {
			p.truth.IfVisited = d.change.visit(c, r, parent, seed, uint64(i)+100)
		}
		out[i] = p
		return nil
	})
	return out, err
}

// turnOf is how many proposals of its kind come before the i-th, when kinds, which may name one more than once, are
// made in turn.
func turnOf(kinds []Kind, i int) int {
	round, at := i/len(kinds), i%len(kinds)
	count := func(of []Kind) (n int) {
		for _, k := range of {
			if k == kinds[at] {
				n++
			}
		}
		return n
	}
	return round*count(kinds) + count(kinds[:at])
}

// draw draws a proposal of a kind; turn counts the kind's.
func (f *fleet) draw(kind Kind, turn int, usual map[*engine]tracks, rng *rand.Rand) (drawn, error) {
	c := f.cars[rng.IntN(len(f.cars))]
	switch kind {
	case KindFuel:
		return drawn{c, f.drawFuel(c, rng)}, nil
	case KindHardware:
		return drawn{c, drawPart(turn, rng)}, nil
	case KindCam:
		for len(c.engine.home.x) == 0 { // every other car's is of the platform that has one
			c = f.cars[rng.IntN(len(f.cars))]
		}
		return drawn{c, drawCam(rng)}, nil
	case KindUnvisited:
		ch, err := drawUnvisited(c, usual[c.engine], f.options.Seed, rng)
		return drawn{c, ch}, err
	case KindPartLoad:
		return drawn{c, drawPartLoad(rng)}, nil
	case KindLarge:
		return f.drawLarge(c, turn, rng), nil
	}
	return drawn{}, fmt.Errorf("%q is no kind of graded proposal: name one of %v", kind, ProvingKinds())
}

const everyLow, everyHigh = 800, 7000 // rpm, the tables' whole axis

// drawFuel changes to any other fuel of the shop. Half of the revisions keep their tables; the others take more spark
// and boost for more octane, less for less, as tuners do, more or less well.
func (f *fleet) drawFuel(c *car, rng *rand.Rand) change {
	all := f.fuels()
	to := &all[rng.IntN(len(all))]
	for to.id == c.fuel.id {
		to = &all[rng.IntN(len(all))]
	}
	ch := change{kind: KindFuel, fuel: to, low: everyLow, high: everyHigh, load: 100}
	if rng.Float64() < 0.5 {
		return ch
	}
	better := to.nominal.ron - c.fuel.nominal.ron
	ch.spark = round(better*(0.2+0.9*rng.Float64()), 0.5)
	ch.boost = round(max(-15, min(better*3, 25))*rng.Float64(), 1)
	return ch
}

// drawPart names one of the parts, each in turn. Half of the revisions keep their tables.
func drawPart(turn int, rng *rand.Rand) change {
	p := parts[turn%len(parts)]
	p.u, p.n = rng.Float64(), rng.NormFloat64()
	ch := change{kind: KindHardware, part: &p, low: everyLow, high: everyHigh, load: 100}
	if rng.Float64() < 0.5 {
		ch.low = 2500
		ch.boost, ch.spark = round(-10+60*rng.Float64(), 1), round(-2+3*rng.Float64(), 0.5)
	}
	return ch
}

// drawCam moves the intake cam table in a band of speed; a third of the revisions take spark or boost with it.
func drawCam(rng *rand.Rand) change {
	bands := [][2]float64{{1000, 3000}, {3000, 5000}, {5000, 7000}, {1000, 7000}}
	b := bands[rng.IntN(len(bands))]
	ch := change{kind: KindCam, low: b[0], high: b[1], load: 80, cam: round(3+32*rng.Float64(), 0.5)}
	if rng.Float64() < 0.4 {
		ch.cam = -ch.cam
	}
	if rng.Float64() < 0.33 {
		ch.spark, ch.boost = round(-1+4*rng.Float64(), 0.5), round(20*rng.Float64(), 1)
	}
	return ch
}

// readLeast is the weight from which a breakpoint counts as read by usual pulls, aimLeast that from which a rarer way
// counts as getting there.
const readLeast, aimLeast = 0.02, 0.3

// drawUnvisited changes one table at breakpoints that no usual pull of the platform's cars reads, and that the engine
// gets to in one of four rarer ways. Which of these there are decides, never what happens there.
func drawUnvisited(c *car, usual tracks, seed uint64, rng *rand.Rand) (change, error) {
	var open [][]change // by way
	read := usual.cells(c.latest(), readLeast)
	for _, way := range []Way{WaySpike, WayOverRev, WayRollOn, WayLugging} {
		var ways []change
		add := func(ch change, at breakpoints) {
			if len(at) == 0 {
				return
			}
			ch.kind, ch.way = KindUnvisited, way
			ch.low, ch.high, ch.load, ch.top = at.box()
			ways = append(ways, ch)
		}
		got := c.tracks(way, seed).cells(c.latest(), aimLeast)
		spark, lambda := got.spark.without(read.spark), got.lambda.without(read.lambda)
		boost := got.boost.without(read.boost)
		add(change{at: &cells{spark: spark}, spark: round(-2+20*rng.Float64(), 0.5)}, spark)
		add(change{at: &cells{lambda: lambda}, lambda: round(-0.03+0.20*rng.Float64(), 0.005)}, lambda)
		add(change{at: &cells{boost: boost}, boost: round(1+59*rng.Float64(), 1)}, boost)
		if len(ways) > 0 {
			open = append(open, ways)
		}
	}
	if len(open) == 0 {
		return change{}, fmt.Errorf("usual pulls read all that %s can get to; choose another seed", c.id)
	}
	ways := open[rng.IntN(len(open))]
	return ways[rng.IntN(len(ways))], nil
}

// drawPartLoad changes spark or lambda between two loads below those of full throttle.
func drawPartLoad(rng *rand.Rand) change {
	bands := [][2]float64{{1500, 2500}, {2500, 4000}, {1500, 4500}, {4000, 6000}}
	b := bands[rng.IntN(len(bands))]
	ch := change{kind: KindPartLoad, way: WaySteady, low: b[0], high: b[1],
		load: []float64{40, 60, 80}[rng.IntN(3)], top: 100}
	if rng.Float64() < 0.7 {
		ch.spark = round(-3+18*rng.Float64(), 0.5)
	} else {
		ch.lambda = round(-0.04+0.16*rng.Float64(), 0.005)
	}
	return ch
}

// drawLarge draws a step towards the limit of one hazard, each in turn, from little to well past it; where a fault
// leads there, most of the steps fall on the car that has it.
func (f *fleet) drawLarge(c *car, turn int, rng *rand.Rand) drawn {
	all := hazard.All()
	h := all[turn%len(all)].ID
	if role, ok := faultyFor(h); ok && role < len(f.cars) && rng.Float64() < 0.7 {
		c = f.cars[role]
	}
	u := rng.Float64
	ch := change{kind: KindLarge, low: 2500, high: everyHigh, load: 100}
	switch h {
	case hazard.Knock:
		ch.spark = round(10*u(), 0.5)
	case hazard.Lean:
		ch.lambda = round(0.16*u(), 0.005)
	case hazard.FuelDelivery, hazard.RailPressure:
		ch.lambda, ch.boost = -round(0.02+0.08*u(), 0.005), round(15+55*u(), 1)
	case hazard.ChargeTemperature, hazard.CoolantTemperature, hazard.OilTemperature:
		ch.boost = round(80*u(), 1)
		ch.spark = -round(ch.boost/15, 0.5)
	case hazard.ExhaustTemperature:
		ch.spark, ch.lambda = -round(6+18*u(), 0.5), round(0.06*u(), 0.005)
	case hazard.CylinderPressure: // advance and boost on a fuel that takes them, where knock does not come first
		for c.engine != f.engines[0] {
			c = f.cars[rng.IntN(len(f.cars))]
		}
		ch.fuel = f.strongestFuel()
		ch.spark, ch.boost = round(8+14*u(), 0.5), round(30+60*u(), 1)
	case hazard.LowSpeedLoad:
		ch.low, ch.high, ch.boost = 1500, 2500, round(90*u(), 1)
		ch.spark = -round(ch.boost/15, 0.5)
	case hazard.BoostControl: // a hump in the target, which the turbocharger leaves more slowly than the target does
		ch.high, ch.boost = 3500, round(10+60*u(), 1)
		ch.spark = -round(ch.boost/15, 0.5)
	case hazard.Driveline: // boost and advance on a fuel that takes them: knock control does not take the torque back
		ch.fuel = f.strongestFuel()
		ch.high, ch.boost = 5000, round(25+70*u(), 1)
		ch.spark = round(ch.boost/20, 0.5)
	}
	return drawn{c, ch}
}
