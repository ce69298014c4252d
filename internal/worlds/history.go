package worlds

import (
	"fmt"
	"math"
	"time"
)

// runLog is one log as it was driven.
type runLog struct {
	path     string
	revision *calibration
	day      time.Time
	place    int
	air      air
	listed   bool // conditions stand in runs.csv
	pulls    int
	cells    cellCount
	retard   float64 // largest, °
	broken   bool    // cut short
	sticks   signal
}

// drawHistory drives a car's logs, revision by revision: where knock took much spark the next revision has less, where
// it took none some tuners ask for more.
func (w *world) drawHistory(c *car) error {
	d := newDice(w.seed, diceHistory, uint64(c.index))
	cal := w.base[c.fuel]
	count := d.whole(1, 4)
	if c.drift.kind != driftNone {
		count = max(count, 2)
	}
	day := historyStart.AddDate(0, 0, d.IntN(120))
	between := int(historyEnd.Sub(day).Hours()/24) / count
	knocked, err := 0.0, error(nil)
	if d.chance(0.4) {
		if knocked, err = w.driveLogs(c, cal, d, day, 1, between/3); err != nil {
			return err
		}
	}
	for i := range count {
		cal = cal.child(fmt.Sprintf("rev-%03d-%c", c.index+1, 'a'+i), c.id, author(d), "released", day)
		w.revise(cal, d, knocked)
		c.revisions = append(c.revisions, cal)
		logs := d.whole(1, 4)
		if c.drift.kind != driftNone {
			logs = max(3, logs)
		}
		if knocked, err = w.driveLogs(c, cal, d, day.AddDate(0, 0, 1), logs, between*8/10); err != nil {
			return err
		}
		day = day.AddDate(0, 0, between)
	}
	return nil
}

// revise makes the small changes of a released revision.
func (w *world) revise(cal *calibration, d dice, knocked float64) {
	low := d.between(1500, 4500)
	high := low + d.between(1000, 3000)
	in := func(rpm, load float64) bool { return rpm >= low && rpm <= high && load >= 100 }
	by := d.between(-0.75, 1.25)
	if knocked > 1 {
		low, high, by = 0, 9000, -d.between(0.5, 1.5)
	}
	cal.addSpark(func(rpm, load float64) float64 {
		if in(rpm, load) {
			return by
		}
		return 0
	})
	if d.chance(0.4) {
		by := d.between(-0.02, 0.012)
		cal.addLambda(func(rpm, load float64) float64 {
			if load >= 110 && rpm >= 3000 {
				return by
			}
			return 0
		})
	}
	if d.chance(0.5) {
		by := d.between(-6, 8)
		cal.addBoost(func(rpm, pedal float64) float64 {
			if rpm >= 2500 && (!cal.pedal || pedal >= 70) {
				return by
			}
			return 0
		})
	}
}

// driveLogs drives some logs over some days and returns how bad the worst of them was: above 1 is more knock than a
// tuner leaves alone.
func (w *world) driveLogs(c *car, cal *calibration, d dice, from time.Time, logs, days int) (float64, error) {
	worst := 0.0
	for i := range logs {
		share := (float64(i) + d.Float64()) / float64(logs)
		day := from.AddDate(0, 0, int(share*float64(max(days, logs+1))))
		l, err := w.driveLog(c, cal, day)
		if err != nil {
			return 0, err
		}
		worst = max(worst, l.retard/(0.8*w.controller.tolerated), l.cells.share()/0.15)
	}
	return worst, nil
}

// driveLog drives one log of two to six pulls and writes it down.
func (w *world) driveLog(c *car, cal *calibration, day time.Time) (*runLog, error) {
	d := newDice(w.seed, diceLog, uint64(c.index), uint64(len(c.logs)))
	l := &runLog{revision: cal, day: day, place: c.home, listed: d.chance(0.75), pulls: d.whole(2, 6)}
	if d.chance(elsewhere) {
		l.place = d.IntN(len(w.places))
	}
	l.air = w.places[l.place].weather(d, day)
	l.path = fmt.Sprintf("runs/%s/%s/%s-%d.csv", c.id, cal.id, day.Format(time.DateOnly), len(c.logs)+1)
	c.logs = append(c.logs, l)
	if d.chance(0.015) {
		l.sticks = oneOf(d, sigExhaust, sigLambda, sigCharge, sigOil)
	}
	s := w.begin(c.on(day), cal, l.air, w.fuels[c.fuel].fill(d, w.octaneK), d)
	var g *recorder
	if w.keep != nil {
		g = w.loggers[c.logger].begin(newDice(w.seed, diceSensors, uint64(c.index), uint64(len(c.logs))))
		g.sticks = l.sticks
	}
	s.seen = func() {
		if g != nil {
			g.record(s)
		}
		l.cells.see(s)
		if s.counts() {
			l.retard = max(l.retard, s.ear.delivered(&w.controller))
		}
	}
	s.cruise(d.between(6, 12), d.between(1900, 2400), d.between(50, 70), tick)
	for range l.pulls {
		s.usualPull(tick)
		l.cells.leave()
		if d.chance(0.25) {
			s.rest(d.between(60, 300)) // a longer drive that the log leaves out
		}
		s.cruise(d.between(5, 10), d.between(1800, 2600), d.between(45, 75), tick)
	}
	l.broken = d.chance(0.01)
	if g == nil {
		return l, nil
	}
	content := g.out.Bytes()
	if l.broken {
		content = content[:len(content)*d.whole(40, 90)/100]
	}
	return l, w.keep(l.path, content)
}

// rest lets the engine cool down for some seconds that nobody watches or logs.
func (s *session) rest(seconds float64) {
	s.time += seconds
	for range int(seconds / 5) {
		s.heat *= math.Exp(-5 / 30.0)
		s.coolant += (s.car.warm - s.coolant) * (1 - math.Exp(-5/25.0))
		s.oil += (s.car.warm + s.car.oil - s.oil) * (1 - math.Exp(-5/70.0))
		s.wall += (540 - s.wall) * (1 - math.Exp(-5/s.w.exhaust.wallTime))
	}
}
