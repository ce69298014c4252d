package drift

import (
	"errors"
	"math"

	"headroom/models/value"
)

// WatchUnder charts one series as Watch does, where healthy cars scatter by laws of FitLaws. What a revision moves is
// foretold with the step the fleet's revisions make, and a car with other parts starts again: neither is a drift, and
// the first value after a change of parts is not charted. Too few values are a status and not an error.
//
// Level is Baseline and what the car has moved since the onset, its revisions' own steps taken off.
//
// Errors: no laws, a series not allowed, more values after the baseline than Horizon.
func (m *Monitor) WatchUnder(s Series, laws []Law) (Chart, error) {
	if err := s.check(); err != nil {
		return Chart{}, err
	}
	if len(laws) == 0 {
		return Chart{}, errors.New("drift: no law of scatter to watch by: FitLaws makes them")
	}
	x := s.knowns()
	k := m.options.Baseline
	c := unwatched(m.kind)
	if len(x) <= k {
		c.RunsNeeded = k + 1 - len(x)
		return c, nil
	}
	var q []float64
	var charted []int // index into x
	for i, v := range scores(x, laws) {
		if i >= k && !math.IsNaN(v) {
			q, charted = append(q, v), append(charted, i)
		}
	}
	if len(q) == 0 {
		c.RunsNeeded = 1
		return c, nil
	}
	c.Runs = len(q)
	if err := m.checkRuns(c.Runs); err != nil {
		return Chart{}, err
	}
	likeliest := laws[0]
	for _, l := range laws {
		if l.Weight > likeliest.Weight {
			likeliest = l
		}
	}
	c.Status, c.Threshold, c.FalseAlarm, c.SD = StatusWatched, m.threshold[c.Runs-1], m.options.FalseAlarm, likeliest.SD
	c.Path = m.path(q)
	c.Baseline, c.Level = meanOf(x[:k]), x[len(x)-1].x
	first := c.follow()
	c.PValue = m.pvalue(c.Statistic, c.Runs)
	if c.Signal = first >= 0; c.Signal {
		seen := x[:charted[first]+1]
		onset := likeliest.stepOnset(seen, k)
		from := onset // the values before it on the same tables and parts
		for from--; from > 0 && x[from].then == NoBreak; from-- {
		}
		c.SignalIndex, c.OnsetIndex = seen[len(seen)-1].at, x[onset].at
		c.Baseline = meanOf(x[from:onset])
		shift, _ := likeliest.stepAt(x, onset)
		c.Level = c.Baseline + shift
	}
	return c, nil
}

// follow reads the largest statistic off the path and returns where it first passed the threshold, -1 for nowhere.
func (c *Chart) follow() int {
	first := -1
	c.Statistic = -1
	for i, v := range c.Path {
		if math.Abs(v) > c.Statistic {
			c.Statistic, c.Direction = math.Abs(v), 1
			if v < 0 {
				c.Direction = -1
			}
		}
		if first < 0 && math.Abs(v) > c.Threshold {
			first = i
		}
	}
	return first
}

func meanOf(x []known) float64 {
	v := make([]float64, len(x))
	for i := range x {
		v[i] = x[i].x
	}
	mean, _ := value.Moments(v)
	return mean
}

// stepOnset is the likeliest first value of a step that lasts to the end of x, no earlier than from.
func (l *Law) stepOnset(x []known, from int) int {
	onset, most := len(x)-1, -1.0
	for i := len(x) - 1; i >= from; i-- {
		if size, told := l.stepAt(x, i); size*size*told > most {
			onset, most = i, size*size*told
		}
	}
	return onset
}

// stepAt is the size of a step at value i that lasts to the end, by generalised least squares, and what x tells of it
// (one over its variance, in SD²): the filter, being linear, gives the errors of a unit step as it gives those of x.
func (l *Law) stepAt(x []known, i int) (size, told float64) {
	unit := filter{rho: l.Rho, step2: l.Step * l.Step}
	with := 0.0
	for j, f := range l.foretell(x) {
		step := 0.0
		if j >= i {
			step = 1
		}
		if f.variance == 0 || f.anew {
			unit.start(step)
			continue
		}
		own, variance := unit.next(step, x[j].then == Revised)
		with += f.err * own / variance
		told += own * own / variance
	}
	if told < 1e-12 {
		return 0, 0
	}
	return with / told, told
}
