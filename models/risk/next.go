package risk

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"

	"headroom/models/value"
)

// reduction is by how much the variance of g·θ falls when one observation of x·θ with the given noise variance is
// added, θ ~ N(·, Σ), sx = Σx: (gᵀΣx)² / (xᵀΣx + noise), the update of the linear-Gaussian model (Kalman
// 1960; as a design criterion: Chaloner & Verdinelli, Statistical Science 10, 1995, sect. 2).
func reduction(sx, g, x []float64, noiseVar float64) float64 {
	total := value.Dot(x, sx) + noiseVar
	if total <= 0 {
		return 0
	}
	c := value.Dot(g, sx)
	return c * c / total
}

// Binding is a margin that is to be known better.
type Binding struct {
	Grad   []float64 // d margin / d parameters
	Weight float64   // its say in the sum of variances, ≥ 0; for margins in different units use 1 over the squared unit
}

// Candidate is something that could be logged next.
type Candidate struct {
	Design  []float64 // what it observes, as weights on the parameters
	NoiseSD float64   // standard deviation of one such observation about it: pull effect and residual together
	Count   int       // independent observations it brings, such as pulls; 0 means 1
}

// Gain is what one candidate would bring.
type Gain struct {
	Candidate int       // index into the candidates
	Reduction float64   // weighted sum over the bindings of the expected fall in variance
	Share     float64   // of the weighted variance there is, 0–1
	Each      []float64 // fall in variance of each binding
}

// NextPulls returns the candidates ordered by how much each alone would narrow the binding margins, most first; equal
// ones keep their order. What a candidate would show does not matter, only where it looks; an observation of nothing
// narrows nothing. A censored observation tells less than this, so for one the gain is an upper bound.
//
// Errors: a gradient or design of another length than the covariance is wide, or a weight, noise or count that is
// negative or not finite.
func NextPulls(cov *mat.SymDense, bindings []Binding, candidates []Candidate) ([]Gain, error) {
	n := cov.SymmetricDim()
	before := 0.0
	for i, b := range bindings {
		if len(b.Grad) != n || !value.AllKnown(b.Grad...) || !value.Known(b.Weight) || b.Weight < 0 {
			return nil, fmt.Errorf("binding margin %d: give %d finite derivatives and a weight not below zero", i, n)
		}
		g := mat.NewVecDense(n, b.Grad)
		before += b.Weight * math.Max(mat.Inner(g, cov, g), 0)
	}
	gains := make([]Gain, len(candidates))
	sx := mat.NewVecDense(n, nil)
	for i, c := range candidates {
		if len(c.Design) != n || !value.AllKnown(c.Design...) || !value.Known(c.NoiseSD) || c.NoiseSD < 0 ||
			c.Count < 0 {
			return nil, fmt.Errorf("candidate %d: give %d finite weights, a noise sd and a count not below zero", i, n)
		}
		sx.MulVec(cov, mat.NewVecDense(n, c.Design))
		noise := c.NoiseSD * c.NoiseSD / float64(max(c.Count, 1))
		g := Gain{Candidate: i, Each: make([]float64, len(bindings))}
		for j, b := range bindings {
			g.Each[j] = reduction(sx.RawVector().Data, b.Grad, c.Design, noise)
			g.Reduction += b.Weight * g.Each[j]
		}
		if before > 0 {
			g.Share = g.Reduction / before
		}
		gains[i] = g
	}
	sort.SliceStable(gains, func(a, b int) bool { return gains[a].Reduction > gains[b].Reduction })
	return gains, nil
}
