package assess

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/models/value"
)

// Stress is a condition that a revision was tried under.
type Stress struct {
	Kind state.StressKind `json:"kind"`
	Size result.Number    `json:"size"` // see the kind for its unit
}

// stressed evaluates every assessed hazard under every condition and keeps those that cost margin, dearest first.
func (m *Model) stressed(b *bench, base map[hazard.ID][]*evaluation) ([]Condition, error) {
	var out []Condition
	ethanol := value.Median(b.known(func(s *state.State) float64 { return s.Ethanol }))
	for _, st := range state.Stresses(ethanol) {
		under := b.under(m, st)
		for _, h := range hazard.All() {
			if len(base[h.ID]) == 0 {
				continue
			}
			evals, _, err := m.evaluations(under, h)
			if err != nil {
				return nil, err
			}
			c, cost := worstUnder(base[h.ID], evals)
			if cost <= 1e-6 {
				continue
			}
			c.Stress, c.Hazard = Stress{Kind: st.Kind, Size: result.Number(st.Size)}, h.ID
			c.cost = cost
			out = append(out, c)
		}
	}
	slices.SortStableFunc(out, func(a, b Condition) int { return cmp.Compare(b.cost, a.cost) })
	return out, nil
}

// worstUnder compares a hazard's smallest cell margin with and without a condition; cost is in units of the margin's
// own standard deviation, so that hazards in different units can be ordered.
func worstUnder(before, under []*evaluation) (c Condition, cost float64) {
	c = Condition{Margin: result.Unknown(), ProbabilityPerPull: result.Unknown()}
	for i, e := range under {
		m, sd := e.smallestMargin()
		was := math.NaN()
		if i < len(before) {
			was, _ = before[i].smallestMargin()
		}
		if d := (was - m) / sd; value.Known(d) && d > cost {
			cost = d
			c.Margin, c.Unit, c.ProbabilityPerPull = result.Number(m), e.Unit, result.Number(e.result.Probability)
			c.crosses = m < 0
		}
	}
	return c, cost
}
