package risk

import (
	"fmt"
	"math"
	"sort"

	"headroom/models/value"
)

// Finding is what ranking looks at.
type Finding struct {
	Weight      float64 // what a crossing counts, above zero
	Probability float64 // that a pull crosses, 0–1
	Margin      float64 // positive inside the limit
	MarginSD    float64 // of one pull, ≥ 0
}

// tieStep is how finely weighted probabilities are told apart: closer than 1e-9 is a tie.
const tieStep = 1e-9

// Rank returns the indices of findings from the riskiest to the least: by weight times probability, the largest first;
// ties (within 1e-9) by the smaller StandardMargin; findings that tie in that too keep their order. An error names a
// finding whose weight is not positive or whose numbers are not finite.
func Rank(findings []Finding) ([]int, error) {
	type key struct {
		weighted float64
		margin   float64
	}
	keys := make([]key, len(findings))
	order := make([]int, len(findings))
	for i, f := range findings {
		if !value.AllKnown(f.Weight, f.Probability, f.Margin, f.MarginSD) || f.Weight <= 0 || f.Probability < 0 ||
			f.Probability > 1 || f.MarginSD < 0 {
			return nil, fmt.Errorf("finding %d: weight %g, probability %g, margin %g, sd %g: it cannot be ranked", i,
				f.Weight, f.Probability, f.Margin, f.MarginSD)
		}
		keys[i] = key{math.Round(f.Weight * f.Probability / tieStep), StandardMargin(f.Margin, f.MarginSD)}
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool {
		x, y := keys[order[a]], keys[order[b]]
		if x.weighted != y.weighted {
			return x.weighted > y.weighted
		}
		return x.margin < y.margin
	})
	return order, nil
}

// StandardMargin is a margin in units of its standard deviation; with a standard deviation of zero it is +Inf or −Inf
// by the margin's sign, 0 for no margin.
func StandardMargin(margin, sd float64) float64 {
	switch {
	case sd > 0:
		return margin / sd
	case margin == 0:
		return 0
	}
	return math.Inf(int(math.Copysign(1, margin)))
}
