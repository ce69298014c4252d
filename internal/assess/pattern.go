package assess

import (
	"math"

	"headroom/models/mixed"
	"headroom/models/value"
)

// A straight model over speed leaves each car a pattern of its own over the cells of a calibration: where its boost
// overshoots, where its mixture leans. The pattern comes back in every pull, so what a car's own pulls show of it is
// part of the prediction, and only what changes from pull to pull is chance.

// patternKey is where a pattern holds.
type patternKey struct {
	car, revision string
	cell          cellKey // of the row as logged
}

// leftover is what a row shows beyond the model, its car's offset and its pull's.
type leftover struct {
	key   patternKey
	value float64
}

// leftovers computes them for logged states that have the metric; states are as logged.
func (p *platform) leftovers(fit *marginFit, m *metric, states []*state) []leftover {
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
		x, y := m.predictor(p, s), m.measured(p, s.row)
		if !value.Known(x) || !value.Known(y) {
			continue
		}
		mean, ok := means[s.car]
		if !ok {
			mean, _ = fit.Model.Joint(s.car)
			means[s.car] = mean
		}
		d, err := fit.Model.Design(marginCovariates(s, x, fit.Ref), nil)
		if err != nil {
			continue
		}
		e := y - value.Dot(d, mean)
		byPull[s.pull] = append(byPull[s.pull], e)
		all = append(all, deviation{len(out), s.pull, e})
		out = append(out, leftover{key: patternKey{s.car, s.row.Revision, p.cellOf(s)}})
	}
	for _, d := range all {
		out[d.at].value = d.value - pullOffset(fit.Model, byPull[d.pull])
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
	groups := newIndex[patternKey]()
	var sum, squares, n []float64
	for _, l := range all {
		k := groups.of(l.key)
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

// pattern is what a bench's own rows show of the car's pattern.
type pattern struct {
	shift    map[patternKey]float64 // added to the metric, shrunk by how often the cell was met
	residual float64                // deviation of a new visit: within, and what is not known of the pattern
}

// patternOf estimates it from the car's own rows; rows of other cars tell nothing of it.
func (p *platform) patternOf(fit *marginFit, m *metric, b *bench) pattern {
	out := pattern{shift: map[patternKey]float64{}, residual: math.Sqrt(fit.Between + fit.Within)}
	if b.car == "" || fit.Between == 0 {
		return out
	}
	var own []*state
	for i := range b.states {
		if s := b.states[i].asLogged(); s.car == b.car {
			own = append(own, s)
		}
	}
	cells := newIndex[patternKey]()
	var met []float64 // by cell
	for _, l := range p.leftovers(fit, m, own) {
		k := cells.of(l.key)
		if k == len(met) {
			met = append(met, 0)
		}
		out.shift[l.key] += l.value
		met[k]++
	}
	unknown, visits := 0.0, 0.0
	for k, key := range cells.keys { // in the order met, so that sums are the same each time
		n := met[k]
		share := fit.Between / (fit.Between + fit.Within/n)
		out.shift[key] *= share / n
		unknown += n * fit.Between * (1 - share)
		visits += n
	}
	if visits > 0 {
		out.residual = math.Sqrt(fit.Within + unknown/visits)
	}
	return out
}

// of is the shift of a state of the bench.
func (pt pattern) of(p *platform, s *state) float64 {
	at := s.asLogged()
	return pt.shift[patternKey{at.car, at.row.Revision, p.cellOf(at)}]
}
