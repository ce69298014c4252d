package drift

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"headroom/models/value"
)

// Ratio watches a car by how much likelier its values are if it moves than if it stays: the likelihood of ramps and
// steps of many sizes and onsets, averaged, over that of no movement, by laws of scatter of FitLaws (a mixture
// likelihood ratio: Wald, Sequential Analysis, 1947; of slopes and steps: Lai, J. Royal Statist. Soc. B 57, 1995).
// While a car stays as it is the ratio's mean is 1 however long it is watched and whenever it is looked at, so it ever
// passes 1/α with chance α at most (Ville, Étude critique de la notion de collectif, 1939).
//
// A ramp is judged by what is left about the ramp, not about a standstill: a steady drift does not pass for scatter.
type Ratio struct {
	Fewest     int     // measured values of a car before anything is said, 3 or more
	Span       float64 // time in which a ramp moves by its size, such as the fleet's usual history; above 0
	FalseAlarm float64 // chance that a healthy car ever signals, 0–1
}

// triedWidths are the deviations of the sizes that movements are believed to have, in deviations of a value: a few, and
// many. Common practice, no source.
var triedWidths = []float64{3, 15}

const (
	fromStart = 0.5 // belief that a car that moves has moved since its first value; else it begins later
	hazard    = 0.1 // chance that a movement which has not begun begins with the next value
)

// motion is a course that a car's level may take.
type motion struct {
	onset  int // first value that is moved, or from which a ramp rises
	ramp   bool
	weight float64
}

// motions are those that the values can tell of: a movement that begins later has two values on the same tables and
// parts before it. What begins with a revision or other parts is theirs.
func motions(x []known) []motion {
	out := []motion{{ramp: true, weight: fromStart}}
	weight := (1 - fromStart) * hazard / 2
	for i := 1; i < len(x); i++ {
		if i > 1 && x[i].then == NoBreak && x[i-1].then == NoBreak {
			out = append(out, motion{onset: i, weight: weight}, motion{onset: i, ramp: true, weight: weight})
		}
		weight *= 1 - hazard
	}
	return out
}

// course is the movement of size 1 at each value.
func (m motion) course(x []known, times []float64, span float64) []float64 {
	out := make([]float64, len(x))
	for i := m.onset; i < len(x); i++ {
		out[i] = 1
		if m.ramp {
			out[i] = (times[x[i].at] - times[x[m.onset].at]) / span
		}
	}
	return out
}

// told is what the values say of one movement after the last of them.
type told struct {
	belief float64 // weight by likelihood
	moved  float64 // Σ belief × movement up to the last value, in the metric's unit
}

// Watch charts one series under laws of scatter. What a revision moves is foretold with the step the fleet's revisions
// make, and a car with other parts starts again: neither is a drift. Too few values are a status and not an error.
// Statistic, Threshold and Path are logarithms to base 10 of the ratio, Path with the sign of the likelier direction.
// Level is Baseline and what the car has moved since the onset, its revisions' own steps taken off.
//
// Errors: no laws, a series not allowed, a Ratio outside what its fields allow.
func (r Ratio) Watch(s Series, laws []Law) (Chart, error) {
	if err := s.check(); err != nil {
		return Chart{}, err
	}
	switch {
	case len(laws) == 0:
		return Chart{}, errors.New("drift: no law of scatter to watch by: FitLaws makes them")
	case r.Fewest < 3 || !(r.Span > 0) || !(r.FalseAlarm > 0 && r.FalseAlarm < 1):
		return Chart{}, fmt.Errorf("drift: fewest %d, span %g, false alarm %g: give at least 3 values, a span above 0 "+
			"and a chance between 0 and 1", r.Fewest, r.Span, r.FalseAlarm)
	}
	x := s.knowns()
	c := unwatched()
	if len(x) < r.Fewest {
		c.RunsNeeded = r.Fewest - len(x)
		return c, nil
	}
	tried := motions(x)
	ratios, ups, seen := r.ratios(x, s.Times, tried, laws)
	c.Status, c.Runs, c.FalseAlarm, c.Threshold = StatusWatched, len(x)-1, r.FalseAlarm, -math.Log10(r.FalseAlarm)
	for i := 1; i < len(x); i++ {
		c.Path = append(c.Path, math.Copysign(math.Max(0, math.Log10(ratios[i])), ups[i]))
	}
	c.SD, c.Baseline, c.Level = Likeliest(laws).SD, meanOf(x[:2]), x[len(x)-1].x
	first := c.follow()
	c.PValue = math.Min(1, math.Pow(10, -c.Statistic))
	if c.Signal = first >= 0; c.Signal && !r.movesBetween(x, s.Times, laws) {
		c.PValue, c.Signal, first = 1, false, -1
	}
	if c.Signal {
		c.SignalIndex = x[first+1].at
		c.locate(x, tried, seen)
	}
	return c, nil
}

// leastBetween is how much likelier a car that moves must be, had revisions moved its level by far. Common practice, no
// source.
const leastBetween = 2

// movesBetween tells whether a car moves though any of its revisions may have moved it far: what comes with new tables
// is theirs, be it one shift or one after the other, also where those of other cars moved nothing.
func (r Ratio) movesBetween(x []known, times []float64, laws []Law) bool {
	if !slices.ContainsFunc(x, func(k known) bool { return k.then == Revised }) {
		return true
	}
	far := slices.Clone(laws)
	for i := range far {
		far[i].Step, far[i].Jump = jumpWidth, 0.5
	}
	ratios, _, _ := r.ratios(x, times, motions(x), far)
	return ratios[len(ratios)-1] >= leastBetween
}

// locate reads onset and levels off the likeliest movement.
func (c *Chart) locate(x []known, tried []motion, seen []told) {
	best := 0
	for k := range seen {
		if seen[k].belief > seen[best].belief {
			best = k
		}
	}
	onset := tried[best].onset
	c.OnsetIndex = x[onset].at
	from := max(onset, 1) // the values before it on the same tables and parts
	for from--; from > 0 && x[from].then == NoBreak; from-- {
	}
	c.Baseline = meanOf(x[from:max(onset, 1)])
	c.Level = c.Baseline + seen[best].moved/seen[best].belief
	c.Direction = 1
	if seen[best].moved < 0 {
		c.Direction = -1
	}
}

// Likeliest is the law of most weight; there must be one.
func Likeliest(laws []Law) *Law {
	best := &laws[0]
	for i := range laws {
		if laws[i].Weight > best.Weight {
			best = &laws[i]
		}
	}
	return best
}

// ratios are the likelihood ratio after each value, the belief in rising less falling, and what is told of each
// movement in the end.
func (r Ratio) ratios(x []known, times []float64, tried []motion, laws []Law) (ratio, up []float64, seen []told) {
	n := len(x)
	still, moves, rising := make([]float64, n), make([]float64, n), make([]float64, n)
	seen = make([]told, len(tried))
	most := math.Inf(-1)
	standing := make([][]float64, len(laws)) // log likelihoods up to each value
	for k := range laws {
		standing[k] = laws[k].upTo(laws[k].foretell(x))
		most = math.Max(most, standing[k][n-1])
	}
	begun := 0.0
	courses := make([][]float64, len(tried))
	for m := range tried {
		courses[m] = tried[m].course(x, times, r.Span)
		begun += tried[m].weight
	}
	base := make([]float64, n) // likelihood of a law after each value, on a scale common to all
	for k := range laws {
		l := &laws[k]
		for i := range base {
			base[i] = l.Weight * math.Exp(clampLog(standing[k][i]-most))
			still[i] += base[i]
			moves[i] += base[i] * (1 - begun)
		}
		for m := range tried {
			for _, width := range triedWidths {
				seenMoving, size := l.moving(x, courses[m], width)
				for i, v := range l.upTo(seenMoving) {
					b := base[i] * tried[m].weight / float64(len(triedWidths)) * math.Exp(clampLog(v-standing[k][i]))
					moves[i] += b
					rising[i] += math.Copysign(b, size)
					if i == n-1 {
						seen[m].belief += b
						seen[m].moved += b * size * courses[m][i]
					}
				}
			}
		}
	}
	for i := range moves {
		moves[i] /= still[i]
	}
	return moves, rising, seen
}

// clampLog keeps the exponential of a log likelihood finite.
func clampLog(v float64) float64 { return math.Max(-600, math.Min(600, v)) }

func unwatched() Chart {
	return Chart{Status: StatusNotEnoughRuns, Kind: "likelihood ratio of ramps and steps", PValue: 1, SignalIndex: -1,
		OnsetIndex: -1, Baseline: math.NaN(), SD: math.NaN(), Level: math.NaN(), Threshold: math.NaN(),
		Statistic: math.NaN(), FalseAlarm: math.NaN()}
}

func meanOf(x []known) float64 {
	v := make([]float64, len(x))
	for i := range x {
		v[i] = x[i].x
	}
	mean, _ := value.Moments(v)
	return mean
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
