package assess

import (
	"gonum.org/v1/gonum/mat"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
)

// A predictor's parameters are those of its model, followed by numLooseEnds that no log settles: the change a revision
// makes through all but spark and through spark, the numbers of the platform file that combustion rests on, and one
// that scales the metric itself.
const numLooseEnds = 2 + state.NumLoose + 1

// withLooseEnds adds the errors of these to a covariance.
func (m *Model) withLooseEnds(cov *mat.SymDense, q *fleet.Quantity) *mat.SymDense {
	n := cov.SymmetricDim()
	out := widened(cov, numLooseEnds)
	rest, file := q.RestSD(m.Platform), m.FileSD(q)
	out.SetSym(n, n, rest*rest)
	out.SetSym(n+1, n+1, q.SparkSD*q.SparkSD)
	for j := range state.NumLoose {
		for k := j; k < state.NumLoose; k++ {
			out.SetSym(n+2+j, n+2+k, m.LooseCorrelation(j, k))
		}
	}
	last := n + numLooseEnds - 1
	out.SetSym(last, last, file*file)
	return out
}

// widened is a covariance with room for more parameters.
func widened(cov *mat.SymDense, by int) *mat.SymDense {
	out := mat.NewSymDense(cov.SymmetricDim()+by, nil)
	out.CopySym(cov)
	return out
}

// looseEnds extends a gradient g of a margin by them. slope is what the metric moves by for one unit of its predictor,
// rest and spark what the revision's change does to the metric through all but spark and through spark; settled is what
// the metric's level takes away of the platform file's part, in units of the metric.
func (m *Model) looseEnds(g []float64, q *fleet.Quantity, s *state.State, slope, rest, spark float64,
	settled [state.NumLoose]float64) []float64 {
	side := q.Side.Sign()
	g = append(g, -side*rest, -side*spark)
	for k, d := range q.LooseChange(m.Platform, s) {
		g = append(g, -side*(slope*d-settled[k]))
	}
	return append(g, -side*slope*q.Predictor(m.Platform, s))
}

// times scales what a level takes away.
func times(a [state.NumLoose]float64, by float64) [state.NumLoose]float64 {
	for k := range a {
		a[k] *= by
	}
	return a
}
