package knock

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"headroom/models/value"
)

// Shown is what the rows alone show of a slope that physics gives, degrees per unit. SD is 0 where they show nothing.
type Shown struct {
	Slope float64 `json:"slope"`
	SD    float64 `json:"sd"`
	// Chance is the two-sided prior predictive probability, 0–1, of so odd a slope (Box, J. R. Statist. Soc. A 143,
	// 1980); 1 where nothing is shown.
	Chance float64 `json:"chance"`
}

// contradicted is the chance below which what rows show contradicts physics; common practice, no source.
const contradicted = 0.001

// Contradicts reports whether the rows contradict the slope that physics gives.
func (s Shown) Contradicts() bool { return s.SD > 0 && s.Chance < contradicted }

const (
	leastShown = 0.02 // share of the prior's precision that rows must add to a slope to show anything of it
	oddChance  = 0.02 // of a slope's strain from which it is fitted anew without physics
	oddFactor  = 1.5  // or of its factor, in prior deviations, where the rows' own precision cannot be told
	looseSDs   = 10   // of the prior, that a slope fitted without physics is known to
)

// shown takes the prior out of the posterior of each slope: first by its normal approximation at the mode, and where
// that is odd, and so far from what the rows ask for, by a fit in which physics does not hold the slope.
func (s *search) shown(cov *mat.SymDense, rates []float64) (out [NumCovariates]Shown) {
	for k := range out {
		out[k].Chance = 1
	}
	for _, i := range s.signed {
		b := s.b[i]
		show := Shown{Chance: 1}
		// At the mode the likelihood's slope by b is b: its top lies b over its precision further on.
		precision := 1/cov.At(i, i) - 1 + s.logSD(i)*b
		if precision > leastShown {
			show = Shown{Slope: s.raw(s.b)[i] + b*rates[i]/precision, SD: math.Abs(rates[i]) / math.Sqrt(precision)}
			show.Chance = predictive(s.centre[i], s.logSD(i), show)
		}
		if show.Chance < oddChance || show.SD == 0 && math.Abs(b) > oddFactor {
			if free, ok := s.without(i); ok {
				show = free
			}
		}
		out[i-(s.p-NumCovariates-len(physical))] = show
	}
	return out
}

// without fits again with one slope free of physics; not ok where that does not settle.
func (s *search) without(i int) (show Shown, ok bool) {
	free := s.fork()
	free.signed = slices.DeleteFunc(slices.Clone(s.signed), func(k int) bool { return k == i })
	free.scale[i] *= looseSDs
	free.b[i] = (s.raw(s.b)[i] - s.centre[i]) / free.scale[i]
	if free.rounds() != nil {
		return Shown{}, false
	}
	s.evaluations = free.evaluations
	show = Shown{Slope: free.raw(free.b)[i], SD: free.scale[i] * math.Sqrt(free.covariance().At(i, i))}
	show.Chance = predictive(s.centre[i], s.logSD(i), show)
	return show, true
}

// predictive is Shown.Chance under a log-normal prior about a mean.
func predictive(mean, logSD float64, show Shown) float64 {
	const reach, step = 6.0, 0.05
	below, total := 0.0, 0.0
	for z := -reach; z <= reach; z += step {
		below += pdf(z) * value.NormalCDF((show.Slope-mean*math.Exp(logSD*z))/show.SD)
		total += pdf(z)
	}
	below /= total
	return 2 * math.Min(below, 1-below)
}
