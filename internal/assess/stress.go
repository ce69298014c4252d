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
	From state.SizeFrom   `json:"from"`
}

func stressOf(st state.Stress) Stress {
	return Stress{Kind: st.Kind, Size: result.Number(st.Size), From: st.From}
}

// stresses are the bench under each stress that a revision is tried under.
func (m *Model) stresses(b *bench) []*bench {
	var out []*bench
	for _, st := range state.Stresses(m.met(b)) {
		out = append(out, b.under(m, st))
	}
	return out
}

// ways are the judged visits under what else takes them to other cells. Only where they go is asked of them.
func (m *Model) ways(b *bench) []*bench {
	var out []*bench
	for _, st := range state.Ways(m.met(b)) {
		out = append(out, b.under(m, st))
	}
	return out
}

// stressed evaluates every assessed hazard under every stress and keeps those that cost margin or pass what the
// workspace allows under one, dearest first.
func (m *Model) stressed(stresses []*bench, base map[hazard.ID][]*evaluation) ([]Condition, error) {
	var out []Condition
	for _, under := range stresses {
		for _, h := range hazard.All() {
			if len(base[h.ID]) == 0 {
				continue
			}
			evals, _, err := m.evaluations(under, h)
			if err != nil {
				return nil, err
			}
			c := worstUnder(base[h.ID], evals)
			c.Stress, c.Hazard = stressOf(under.stress), h.ID
			threshold, limited := m.decision().StressProbability[m.severity(h)]
			c.passes = limited && float64(c.ProbabilityPerPull) > threshold
			c.threshold = result.Number(threshold)
			if c.cost > 1e-6 || c.passes {
				out = append(out, c)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Condition) int { return cmp.Compare(b.cost, a.cost) })
	return out, nil
}

// worstUnder is what a stress makes of a hazard: the margin where it costs most, in units of the margin's own standard
// deviation so that limits in different units can be compared, and the largest chance of its limits, with the parent's.
func worstUnder(before, under []*evaluation) Condition {
	c := Condition{Margin: result.Unknown(), ProbabilityPerPull: result.Unknown(), Parent: result.Unknown()}
	for i, e := range under {
		m, sd := e.smallestMargin()
		was := math.NaN()
		if i < len(before) {
			was, _ = before[i].smallestMargin()
		}
		cost := (was - m) / sd
		if i == 0 || value.Known(cost) && cost > c.cost {
			c.cost = math.Max(value.Or(cost, 0), 0)
			c.Margin, c.Unit = result.Number(m), e.Unit
			c.crosses = m < 0
		}
		if p := result.Number(e.result.Probability); !c.ProbabilityPerPull.Known() || p > c.ProbabilityPerPull {
			c.ProbabilityPerPull = p
			c.Parent = result.Unknown()
			if len(e.before.Draws) > 0 {
				c.Parent = result.Number(e.before.Probability)
			}
		}
	}
	return c
}
