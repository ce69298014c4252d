package worlds

import (
	"fmt"
	"math"
	"runtime"

	"headroom/internal/parallel"
)

// drawTables draws the shop's base calibrations, a fuel each, and all that is sized by them: fuel system, levels of
// knock and exhaust temperature.
func (w *world) drawTables(d dice) {
	speeds := []float64{1000, 1500, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500, 7000}
	loads := []float64{20, 40, 60, 80, 100, 120, 140, 160, 180, 200, 220, 250}
	if d.chance(0.4) { // a coarser shop
		speeds = []float64{1000, 1750, 2500, 3250, 4000, 4750, 5500, 6250, 7000}
		loads = []float64{20, 50, 80, 110, 140, 170, 200, 240}
	}
	lambda := drawLambdaTable(d, speeds, loads)
	boost := w.drawBoostTable(d, speeds)
	cam := table{}
	if w.engine.hasCam {
		cam = newTable("load % / rpm", speeds, loads, func(rpm, load float64) float64 {
			return round(w.camHome(rpm, load), 0.5)
		})
	}
	most := 0.0
	for rpm := 3000.0; rpm <= w.engine.redline; rpm += 250 {
		load := w.fullLoad(rpm, &boost)
		l := lambda.at(rpm, load*100)
		most = max(most, w.engine.airFlow(rpm, load)/l/stoichiometric(w.fuels[0].ethanol))
	}
	w.fuelSystem = drawFuelSystem(d, &w.engine, most*1.1)
	w.mixture.guard = d.between(880, 930)

	reference := w.typical(3000, 160, 0.88, 0)
	w.torque.settle(&w.engine, &w.burn, &reference)
	w.knock.setLevel(&w.engine, &w.burn, &reference, d.between(8, 14))
	waves := [4]float64{d.between(0, 7), d.between(0, 7), d.between(0.3, 0.9), d.between(0.3, 0.9)}
	margin := d.between(2, 3.5)
	for i := range w.fuels[:2] {
		spark := newTable("load % / rpm", speeds, loads, func(rpm, load float64) float64 {
			c := w.typical(rpm, load, lambda.at(rpm, load), i)
			best := w.burn.bestSpark(&w.engine, &c)
			v := min(best-1, w.knock.borderline(&w.engine, &w.burn, &c)-margin)
			v += waves[2]*math.Sin(rpm/900+waves[0]) + waves[3]*math.Sin(load/40+waves[1])
			return round(clamp(v, -10, 40), 0.25)
		})
		w.base = append(w.base, &calibration{id: "base-" + w.fuels[i].id, vehicle: "fleet", author: "t1",
			status: "released", date: historyStart.AddDate(0, 0, -30), fuel: i, spark: spark, lambda: lambda,
			boost: boost, cam: cam, pedal: w.forms.Pedal})
	}
	top := w.typical(5500, 100*w.fullLoad(5500, &boost), lambda.at(5500, 170), 0)
	f := w.engine.fire(&w.burn, &top, w.base[0].spark.at(5500, top.load*100), nil)
	w.exhaust.scale += d.between(850, 920) - w.exhaust.settled(&w.engine, &w.burn, &w.torque, &top, &f)
}

// drawLambdaTable is stoichiometric at part load and richer with load and speed.
func drawLambdaTable(d dice, speeds, loads []float64) table {
	from, full, fast := d.between(75, 100), d.between(0.82, 0.90), d.between(0, 0.03)
	return newTable("load % / rpm", speeds, loads, func(rpm, load float64) float64 {
		share := clamp((load-from)/70, 0, 1)
		return round(1-(1-full)*share-fast*share*clamp((rpm-4000)/2500, 0, 1), 0.005)
	})
}

// drawBoostTable asks for boost by speed, in some fleets by pedal too.
func (w *world) drawBoostTable(d dice, speeds []float64) table {
	peak, from, fall := d.between(160, 215), d.between(2400, 3000), d.between(0.05, 0.25)
	ask := func(rpm float64) float64 {
		p := peak * (1 - fall*clamp((rpm-4500)/2500, 0, 1))
		return 105 + (p-105)*clamp((rpm-900)/(from-900), 0, 1)
	}
	if !w.forms.Pedal {
		return newTable("rpm", speeds, nil, func(rpm, _ float64) float64 { return round(ask(rpm), 1) })
	}
	return newTable("pedal % / rpm", speeds, []float64{0, 30, 50, 70, 85, 100}, func(rpm, pedal float64) float64 {
		return round(60+(ask(rpm)-60)*clamp((pedal-5)/80, 0, 1), 1)
	})
}

// fullLoad is about the load (fraction) at full pedal.
func (w *world) fullLoad(rpm float64, boost *table) float64 {
	spun := logistic((rpm - w.boost.spool - 150) / 250)
	p := min(boost.at(rpm, 100), 100*(1+(w.boost.most-1)*spun*(1-w.boost.falls*square(rpm/w.engine.redline))))
	load := p / 100
	for range 4 {
		exhaust := w.engine.exhaustPressure(100, w.engine.airFlow(rpm, load))
		load = w.engine.breathing(rpm, p, exhaust, 0) * p / (airGas * 318) / loadAir
	}
	return load
}

// settleSpark moves the base spark tables where they are limited by knock until the share of cells with knock, on a few
// cars and pulls, is what a shop lives with.
func (w *world) settleSpark() {
	d := newDice(w.seed, diceBase)
	want := d.between(0.09, 0.14) // tuners take some of it out later
	shapes := make([]table, len(w.base))
	for i, b := range w.base {
		shapes[i] = b.spark
	}
	low, high := -6.0, 6.0
	for range 7 {
		by := (low + high) / 2
		for i, b := range w.base {
			b.spark = shapes[i].changed(0.25, -12, 42, func(_, load float64) float64 {
				return by * clamp((load-60)/40, 0, 1)
			})
		}
		if w.knockShare() > want {
			high = by
		} else {
			low = by
		}
	}
}

// sample are the first cars that nothing sets apart, at most n.
func (w *world) sample(n int) []*car {
	var out []*car
	for _, c := range w.cars {
		if len(c.oddities) == 0 && c.drift.kind == driftNone && len(out) < n {
			out = append(out, c)
		}
	}
	return out
}

// knockShare is the mean over cars of the share of cells of base pulls with knock, counted on the tool's default grid.
// A car counts with a third at most, so that one bad car does not make the others quiet.
func (w *world) knockShare() float64 {
	cars := w.sample(14)
	shares := make([]float64, len(cars))
	parallel.Each(len(cars), runtime.GOMAXPROCS(0), func(int, int) {}, func(i int) {
		var count cellCount
		s := w.baseDay(cars[i], newDice(w.seed, diceBase, 1, uint64(cars[i].index)))
		for range 2 {
			s.cruise(6, 2000, 60, coarseTick)
			s.seen = func() { count.see(s) }
			s.usualPull(coarseTick)
			s.seen = nil
			count.leave()
		}
		shares[i] = min(count.share(), 1.0/3)
	})
	sum := 0.0
	for _, v := range shares {
		sum += v / float64(len(cars))
	}
	return sum
}

// baseDay is a car on its base calibration on some day.
func (w *world) baseDay(c *car, d dice) *session {
	weather := w.places[c.home].weather(d, historyStart.AddDate(0, 0, d.IntN(365)))
	return w.begin(c, w.base[c.fuel], weather, w.fuels[c.fuel].fill(d, w.octaneK), d)
}

// cellCount counts visits of cells of 500 rpm and 20 % in pulls, and those in which knock was heard.
type cellCount struct {
	cells, knocked int
	at             [2]int
	in, heard      bool
}

func (n *cellCount) see(s *session) {
	if !s.inPull || s.pedal < fullPedal {
		return
	}
	at := [2]int{int(s.rpm / 500), int(s.load * 5)}
	if !n.in || at != n.at {
		n.leave()
		n.at, n.in = at, true
	}
	n.heard = n.heard || s.ear.heard
}

func (n *cellCount) leave() {
	if n.in {
		n.cells++
		if n.heard {
			n.knocked++
		}
	}
	n.in, n.heard = false, false
}

func (n *cellCount) share() float64 { return float64(n.knocked) / float64(max(n.cells, 1)) }

// author is one of the shop's tuners.
func author(d dice) string { return fmt.Sprintf("t%d", d.whole(1, 4)) }
