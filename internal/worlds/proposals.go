package worlds

import (
	"fmt"
	"time"
)

// Kind is what a proposed revision changes.
type Kind string

// Kinds of proposals.
const (
	KindSpark     Kind = "spark"
	KindLambda    Kind = "lambda"
	KindBoost     Kind = "boost" // with some spark taken away for it
	KindMixed     Kind = "mixed" // of the three
	KindFuel      Kind = "fuel"  // another of the shop's fuels, tables as before or more spark for it
	KindHardware  Kind = "hardware"
	KindCam       Kind = "cam"
	KindUnvisited Kind = "unvisited" // cells above the redline, or at full load below usual pulls
	KindPartLoad  Kind = "part_load"
)

// change is what a proposal alters, between speeds and loads.
type change struct {
	kind                      Kind
	size                      float64
	low, high                 float64 // rpm
	loadLow, loadHigh         float64 // %
	spark, lambda, boost, cam float64
	fuel                      int // −1: the parent's
	part                      *part
}

// shareOf is how often each kind is drawn; cam only where there is one.
var shareOf = []struct {
	kind  Kind
	share float64
}{
	{KindSpark, 0.24}, {KindLambda, 0.16}, {KindBoost, 0.16}, {KindMixed, 0.14}, {KindFuel, 0.06}, {KindHardware, 0.08},
	{KindCam, 0.06}, {KindUnvisited, 0.05}, {KindPartLoad, 0.05},
}

// drawChange draws a change; sizes are mild, middle or large in turn of chance, and wide within.
func (w *world) drawChange(d dice) change {
	ch := change{size: oneOf(d, d.between(0, 0.25), d.between(0.1, 0.6), d.between(0.5, 1)),
		loadLow: oneOf(d, 90.0, 110.0), loadHigh: 400, fuel: -1, kind: KindSpark}
	at := d.Float64()
	for _, k := range shareOf {
		if at < k.share {
			ch.kind = k.kind
			break
		}
		at -= k.share
	}
	if ch.kind == KindCam && !w.engine.hasCam {
		ch.kind = KindSpark
	}
	ch.low = d.between(1400, 5200)
	ch.high = ch.low + d.between(800, 2500)
	if d.chance(0.25) {
		ch.low, ch.high = 1000, 8000
	}
	ch.draw(w, d)
	return ch
}

func (ch *change) draw(w *world, d dice) {
	u := ch.size
	switch ch.kind {
	case KindSpark:
		ch.spark = 8 * u
		if d.chance(0.15) {
			ch.spark = -3 * u
		}
	case KindLambda:
		ch.lambda = 0.11 * u
		if d.chance(0.2) {
			ch.lambda = -0.05 * u
		}
	case KindBoost:
		ch.boost = 60 * u
		if d.chance(0.35) {
			ch.low, ch.high = 1400, d.between(2400, 3200)
		}
		ch.spark = -ch.boost / 12 * d.Float64()
	case KindMixed:
		ch.spark, ch.lambda, ch.boost = d.between(-1, 5)*u, d.between(-0.02, 0.05)*u, d.between(-5, 28)*u
	case KindFuel:
		ch.fuel = d.IntN(len(w.fuels))
		ch.spark = oneOf(d, 0, 0, 5*u)
	case KindHardware:
		ch.part = &parts[d.IntN(len(parts))]
		ch.boost, ch.spark = oneOf(d, 0, 20*u), oneOf(d, 0, 2*u)
	case KindCam:
		ch.cam = oneOf(d, -1.0, 1.0) * 25 * u
	case KindUnvisited:
		ch.low, ch.high, ch.loadLow = w.engine.redline-1, 9000, 60 // breakpoints at the redline and past it
		if d.chance(0.5) {
			ch.low, ch.high = 900, 1500
		}
		ch.spark, ch.boost = 20*u, oneOf(d, 0, 40*u)
	case KindPartLoad:
		ch.low, ch.high, ch.loadLow, ch.loadHigh = 1500, d.between(3000, 4500), 35, 82
		ch.spark = 20 * u
	}
}

// apply makes the proposed revision of a parent.
func (ch *change) apply(w *world, parent *calibration, id, vehicle, by string, date time.Time) *calibration {
	r := parent.child(id, vehicle, by, "proposed", date)
	in := func(by float64) func(rpm, load float64) float64 {
		return func(rpm, load float64) float64 {
			if rpm >= ch.low && rpm <= ch.high && load >= ch.loadLow && load <= ch.loadHigh {
				return by
			}
			return 0
		}
	}
	r.addSpark(in(ch.spark))
	r.addLambda(in(ch.lambda))
	r.addBoost(func(rpm, pedal float64) float64 {
		if rpm >= ch.low && rpm <= ch.high && (!r.pedal || pedal >= 70) {
			return ch.boost
		}
		return 0
	})
	if ch.cam != 0 {
		r.addCam(in(ch.cam))
	}
	if ch.fuel >= 0 {
		r.fuel = ch.fuel
	}
	if ch.part != nil {
		if r.parts == nil {
			r.parts = map[string]string{}
		}
		r.parts[ch.part.item] = ch.part.name
	}
	return r
}

// proposal is one with its truth.
type proposal struct {
	revision *calibration
	truth    Graded
}

// propose draws and grades one proposed revision: of any driven revision of any car.
func (w *world) propose(i int, seed uint64) proposal {
	d := newDice(seed, diceProposal, w.seed, uint64(i))
	c := w.cars[d.IntN(len(w.cars))]
	parent := c.revisions[d.IntN(len(c.revisions))]
	ch := w.drawChange(d)
	date := historyEnd.AddDate(0, 0, 1+d.IntN(20))
	r := ch.apply(w, parent, fmt.Sprintf("p-%04d", i+1), c.id, author(d), date)
	salt := d.Uint64()
	g := Graded{Revision: r.id, Parent: parent.id, Vehicle: c.id, Kind: ch.kind, Size: round(ch.size, 0.001),
		SparkDeg: round(ch.spark, 0.01), Lambda: round(ch.lambda, 0.0001), BoostKPa: round(ch.boost, 0.1),
		CamDeg: round(ch.cam, 0.1), RPM: []float64{round(ch.low, 1), round(ch.high, 1)}, Pulls: truthPulls}
	if r.fuel != parent.fuel {
		g.Fuel = w.fuels[r.fuel].id
	}
	if ch.part != nil {
		g.Part = ch.part.item + ": " + ch.part.name
	}
	g.Hazards = w.simulate(c, r, date, salt).shares(w, w.simulate(c, parent, date, salt), truthDays)
	if ch.kind == KindUnvisited || ch.kind == KindPartLoad {
		g.IfVisited = w.visit(c, r, &ch, date, salt).shares(w, w.visit(c, parent, &ch, date, salt), truthDays)
	}
	return proposal{r, g}
}
