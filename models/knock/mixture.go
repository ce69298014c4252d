package knock

import "sync"

// A residual with a share of wide ones is a mixture of two normals, which a fit asks for at every node and row. It is
// tabulated for a share as the normal is (see table), with half the step, which leaves it right to 1e-10.
const (
	mixtureStep = tableStep / 2
	mixtureLow  = -TailScale * tableEnd
	mixtureEnd  = TailScale * near // beyond it chances are small, and asked for exactly
	mixtureSize = int((mixtureEnd-mixtureLow)/mixtureStep) + 2
)

// mixture is the table of one share.
type mixture [mixtureSize]knot

// mixtures holds them by share: a fit tries a few.
var mixtures sync.Map

func mixtureOf(share float64) *mixture {
	if kept, ok := mixtures.Load(share); ok {
		return kept.(*mixture)
	}
	m := &mixture{}
	r := residual{tail: share}
	for i := range m {
		z := mixtureLow + float64(i)*mixtureStep
		g, slope := r.density(z)
		m[i] = knot{r.below(z), g * mixtureStep, g, slope * mixtureStep}
	}
	mixtures.Store(share, m)
	return m
}

// both returns G(z) and g(z) from mixtureLow up to mixtureEnd.
func (m *mixture) both(z float64) (cum, density float64) {
	at := (z - mixtureLow) * (1 / mixtureStep)
	i := int(at)
	return hermiteBetween(&m[i], &m[i+1], at-float64(i))
}
