package risk

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
)

// Use is driving of Days days, each with Pulls pulls, both 1 or more.
type Use struct{ Days, Pulls int }

// Chance is a probability, 0–1, with its 5 and 95 % quantiles over the parameters.
type Chance struct{ Probability, Low, High float64 }

// OverUse is the chance that any pull of each use crosses. Pulls of one day are of one kind among those given, which
// stand for days, and share Problem.DaySD of their pull effects; days are independent, and the parameters are those of
// one car throughout, so that a car that runs close does so all along. draws and errors as in Evaluate.
func OverUse(p Problem, uses []Use, draws int, seed uint64) ([]Chance, error) {
	for i, u := range uses {
		if u.Days < 1 || u.Pulls < 1 {
			return nil, fmt.Errorf("use %d: %d days of %d pulls: give one or more of each", i, u.Days, u.Pulls)
		}
	}
	if draws < 2 {
		return nil, fmt.Errorf("%d parameter draws: give 2 or more", draws)
	}
	f, err := familyOf([]Problem{p})
	if err != nil {
		return nil, err
	}
	w, sample, trust := f.work[0], latinNormal(draws, f.rank, seed), p.Trust.terms(draws, seed)
	each := make([][]float64, len(uses)) // by use and draw
	for i := range each {
		each[i] = make([]float64, draws)
	}
	within := p
	within.PullSD, within.DaySD = math.Sqrt(p.PullSD*p.PullSD-p.DaySD*p.DaySD), 0
	in := within.integrand()
	day, share := effectRule(p.DaySD, math.Hypot(within.blur(), within.PullSD))
	margins, shifted := make([]float64, len(w.order)), make([]float64, len(w.order))
	clear := make([]float64, len(uses)) // chance of a day without a crossing
	for d := range draws {
		w.at(sample[d*w.rank:(d+1)*w.rank], margins)
		for i := range clear {
			clear[i] = 0
		}
		kinds := float64(len(w.pulls) - 1)
		for j, effect := range day {
			for i, m := range margins {
				shifted[i] = m + effect
			}
			for k := 0; k+1 < len(w.pulls); k++ {
				a, b := w.pulls[k], w.pulls[k+1]
				chance := trust.of(in.anyCrossing(shifted[a:b], w.stands[a:b]), d)
				for i, u := range uses {
					clear[i] += share[j] / kinds * math.Pow(1-chance, float64(u.Pulls))
				}
			}
		}
		for i, u := range uses {
			each[i][d] = 1 - math.Pow(min(clear[i], 1), float64(u.Days))
		}
	}
	out := make([]Chance, len(uses))
	for i := range out {
		out[i].Low, out[i].High = band(each[i])
		out[i].Probability = floats.Sum(each[i]) / float64(draws)
	}
	return out, nil
}
