package fleet

import (
	"math"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/models/mixed"
	"headroom/models/value"
)

// A straight model over speed leaves each car a pattern of its own over the cells of a calibration: where its boost
// overshoots, where its mixture leans. The pattern comes back in every pull, so what a car's own pulls show of it is
// part of the prediction, and only what changes from pull to pull is chance.

// patternKey is where a pattern holds.
type patternKey struct {
	car, revision string
	cell          state.CellKey // of the row as logged
}

// leftover is what a row shows beyond the model, its car's offset and its pull's.
type leftover struct {
	key   patternKey
	value float64
}

// observer reads the design row and the value of a model at a logged state; ok is false where it has none.
type observer func(s *state.State) (x []float64, y float64, ok bool)

// leftovers computes them for logged states that have the metric; states are as logged.
func leftovers(p *state.Platform, model *mixed.Model, states []*state.State, observe observer) []leftover {
	type deviation struct {
		at    int // into out
		pull  string
		value float64
	}
	means := map[string][]float64{}
	byPull := map[string][]float64{}
	var out []leftover
	var all []deviation
	for _, s := range states {
		x, y, ok := observe(s)
		if !ok {
			continue
		}
		mean, ok := means[s.Car]
		if !ok {
			mean, _ = model.Joint(s.Car)
			means[s.Car] = mean
		}
		d, err := model.Design(x, nil)
		if err != nil {
			continue
		}
		e := y - value.Dot(d, mean)
		byPull[s.Pull] = append(byPull[s.Pull], e)
		all = append(all, deviation{len(out), s.Pull, e})
		out = append(out, leftover{key: patternKey{s.Car, s.Row.Revision, p.CellOf(s)}})
	}
	for _, d := range all {
		out[d.at].value = d.value - pullOffset(model, byPull[d.pull])
	}
	return out
}

// pullOffset is the best linear prediction of what a pull's rows share, its day's deviation included.
func pullOffset(m *mixed.Model, deviations []float64) float64 {
	shared, n := m.DayVar+m.PullVar, float64(len(deviations))
	sum := 0.0
	for _, e := range deviations {
		sum += e
	}
	if !(shared > 0) {
		return 0
	}
	return sum / n * shared / (shared + m.ResidualVar/n)
}

// patternVariances splits leftovers into the variance between patterns and that within one: one-way analysis of
// variance with unequal groups, about zero since the model has taken the means out (Searle, Casella & McCulloch,
// Variance Components, 1992, sec. 3.6, the between term with known mean). Without a cell met twice all is within.
func patternVariances(all []leftover) (between, within float64) {
	groups := evidence.NewIndex[patternKey]()
	var sum, squares, n []float64
	for _, l := range all {
		k := groups.Of(l.key)
		if k == len(n) {
			sum, squares, n = append(sum, 0), append(squares, 0), append(n, 0)
		}
		sum[k] += l.value
		squares[k] += l.value * l.value
		n[k]++
	}
	var inside, freedom, outside, rows, met float64
	for k := range n {
		if n[k] < 2 {
			continue
		}
		inside += squares[k] - sum[k]*sum[k]/n[k]
		freedom += n[k] - 1
		outside += sum[k] * sum[k] / n[k]
		rows += n[k]
		met++
	}
	if freedom == 0 {
		total, count := 0.0, 0.0
		for k := range n {
			total += squares[k]
			count += n[k]
		}
		return 0, total / math.Max(count, 1)
	}
	within = inside / freedom
	// E[Σ n·mean²] = groups·within + rows·between.
	return math.Max(0, (outside-met*within)/rows), within
}

// Pattern is what a car's own states show of its pattern.
type Pattern struct {
	Residual float64 // deviation of a new visit: within, and what is not known of the pattern

	p     *state.Platform
	shift map[patternKey]float64 // added to the metric, shrunk by how often the cell was met
}

// PatternOf estimates a car's pattern of a measured metric from its own states as logged, of those given; rows of other
// cars tell nothing of it. car is "" for a car not seen.
func (f *Fleet) PatternOf(fit *Margin, m *Quantity, car string, states []*state.State) Pattern {
	return f.patternOf(fit.Model, fit.Between, fit.Within, fit.observer(f.Platform, m), car, states)
}

// LevelPatternOf is PatternOf of a computed metric, as a log ratio.
func (f *Fleet) LevelPatternOf(l *Level, m *Quantity, car string, states []*state.State) Pattern {
	return f.patternOf(l.Model, l.Between, l.Within, l.observer(f.Platform, m), car, states)
}

func (f *Fleet) patternOf(model *mixed.Model, between, within float64, observe observer, car string,
	states []*state.State) Pattern {
	out := Pattern{p: f.Platform, shift: map[patternKey]float64{}, Residual: math.Sqrt(between + within)}
	if car == "" || between == 0 {
		return out
	}
	var own []*state.State
	met := map[*state.State]bool{} // one logged state may stand under several weathers
	for _, s := range states {
		if s := s.Root(); s.Car == car && !met[s] {
			met[s] = true
			own = append(own, s)
		}
	}
	cells := evidence.NewIndex[patternKey]()
	var times []float64 // met, by cell
	for _, l := range leftovers(f.Platform, model, own, observe) {
		k := cells.Of(l.key)
		if k == len(times) {
			times = append(times, 0)
		}
		out.shift[l.key] += l.value
		times[k]++
	}
	unknown, visits := 0.0, 0.0
	for k, key := range cells.Keys { // in the order met, so that sums are the same each time
		n := times[k]
		share := between / (between + within/n)
		out.shift[key] *= share / n
		unknown += n * between * (1 - share)
		visits += n
	}
	if visits > 0 {
		out.Residual = math.Sqrt(within + unknown/visits)
	}
	return out
}

// Of is the shift of a state; none for the zero Pattern.
func (pt Pattern) Of(s *state.State) float64 {
	if len(pt.shift) == 0 {
		return 0
	}
	at := s.Root()
	return pt.shift[patternKey{at.Car, at.Row.Revision, pt.p.CellOf(at)}]
}
