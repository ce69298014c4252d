package risk

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	"headroom/models/value"
)

// Trust is how far a stated chance may be taken at its word, from forecasts that were made before and what came of
// them. A chance of log odds ℓ is taken as one of ℓ + Shift ± SD: what the model leaves out, which no parameter of it
// carries (the discrepancy of Kennedy & O'Hagan, J. R. Statist. Soc. B 63, 2001, on the log odds). Contrary is how
// often what was called certain came out the other way, a Beta distribution, so that no chance is 0 or 1. The zero
// Trust takes chances as they are.
type Trust struct {
	Shift, SD float64
	Contrary  Beta
}

// Beta is the Beta distribution of a share, Of having been Seen among what counts as Of trials. Of 0: the share is 0.
type Beta struct{ Seen, Of float64 }

// betaStrata is how many quantiles stand for a Beta distribution.
const betaStrata = 256

// betaQuantiles holds quantiles of Beta distributions by Beta: a quantile takes as long as many chances do.
var betaQuantiles sync.Map

// quantiles of the share at the middles of betaStrata equal strata.
func (b Beta) quantiles() []float64 {
	if known, ok := betaQuantiles.Load(b); ok {
		return known.([]float64)
	}
	out := make([]float64, betaStrata)
	if b.Of > 0 {
		of := distuv.Beta{Alpha: b.Seen, Beta: b.Of - b.Seen}
		for i := range out {
			out[i] = of.Quantile((float64(i) + 0.5) / betaStrata)
		}
	}
	betaQuantiles.Store(b, out)
	return out
}

func (t *Trust) check() error {
	if !value.AllKnown(t.Shift, t.SD) || t.SD < 0 {
		return fmt.Errorf("trust shifts log odds by %g ± %g: both must be finite, the deviation not negative", t.Shift,
			t.SD)
	}
	if b := t.Contrary; b.Of != 0 && !(b.Seen > 0 && b.Seen < b.Of && !math.IsInf(b.Of, 1)) {
		return fmt.Errorf("what was called certain came out otherwise %g times of %g: give more than none and fewer "+
			"than all", b.Seen, b.Of)
	}
	return nil
}

// trustPairs is how many chances the errors of Trust make of all parameter draws, at least; leastStrata of each draw.
// So many keep a 95 % quantile within 0.01 of its place.
const (
	trustPairs  = 8192
	leastStrata = 8
)

// terms are the two errors of Trust as a few equally likely pairs of values: log odds to add, and the chance of coming
// out the other way.
type terms struct{ shift, contrary []float64 }

// evens is where a chance of coming out the other way stops: beyond it the unlikely would be the likelier.
const evens = 0.5

// terms pairs the quantiles of both errors at the middles of n equal strata in an order that belongs to a seed.
func (t *Trust) terms(n int, seed uint64) terms {
	out := terms{make([]float64, n), make([]float64, n)}
	z := latinNormal(n, 1, seed^0x7472757374)
	share := t.Contrary.quantiles()
	order := rand.New(rand.NewPCG(seed, 0x7472757374)).Perm(n)
	for i := range n {
		out.shift[i] = t.Shift + t.SD*z[i]
		at := (float64(order[i])+0.5)/float64(n)*betaStrata - 0.5
		out.contrary[i] = min(quantile(share, at/(betaStrata-1)), evens)
	}
	return out
}

// of is a chance with one of the pairs.
func (t *terms) of(p float64, i int) float64 {
	if s := t.shift[i]; s != 0 && p > 0 && p < 1 {
		p = 1 / (1 + math.Exp(-s)*(1-p)/p)
	}
	return p + t.contrary[i]*(1-2*p)
}

// apply turns chances at parameter draws into those with the errors of Trust: their mean and quantiles over every draw
// with every pair, and in their place one with one pair each.
func (t *Trust) apply(r *Result, sample []float64, rank int, seed uint64) {
	stated := slices.Clone(r.Draws)
	sortChances(stated)
	r.ModelHigh = quantile(stated, 0.95)
	if *t == (Trust{}) {
		r.take(stated, sample, rank)
		return
	}
	n := max(leastStrata, trustPairs/len(r.Draws))
	strata := t.terms(n, seed)
	all := make([]float64, 0, n*len(r.Draws))
	for d, p := range stated {
		if d > 0 && p == stated[d-1] { // as many are 0
			all = append(all, all[len(all)-n:]...)
			continue
		}
		for i := range n {
			all = append(all, strata.of(p, i))
		}
	}
	sortChances(all)
	r.take(all, sample, rank)
	each := t.terms(len(r.Draws), seed)
	for d, p := range r.Draws {
		r.Draws[d] = each.of(p, d)
	}
}

// take takes mean and quantiles from chances in ascending order, the drawn ones or those with errors of their own.
func (r *Result) take(chances, sample []float64, rank int) {
	r.Probability = floats.Sum(chances) / float64(len(chances))
	r.Low, r.High = quantile(chances, 0.05), quantile(chances, 0.95)
	r.HighError = quantileError(r.Draws, chances, sample, rank, 0.95)
}
