package assess

import (
	"slices"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/assess/fleet"
	"headroom/internal/metric"
)

// lookedUp is what is not known of lambda commands that are the tables', for want of logged ones, λ: what a car
// shares and what a cell adds. A car that measures lambda shows its own share of it, so it counts where the car does
// not. 0 for other metrics, and where commands were logged.
func (m *Model) lookedUp(q metric.ID, fit *fleet.Margin, b *bench) (car, cell float64) {
	if q != metric.Lambda || slices.Contains(fit.Seen, b.car) {
		return 0, 0
	}
	for i := range b.visits {
		if b.visits[i].LookedUp {
			return m.Command.CarSD, m.Command.RowSD
		}
	}
	return 0, 0
}

// withOwn adds a deviation to what is not known of the car's own parameter, the last.
func withOwn(cov *mat.SymDense, sd float64) *mat.SymDense {
	if sd == 0 {
		return cov
	}
	n := cov.SymmetricDim()
	out := mat.NewSymDense(n, nil)
	out.CopySym(cov)
	out.SetSym(n-1, n-1, cov.At(n-1, n-1)+sd*sd)
	return out
}
