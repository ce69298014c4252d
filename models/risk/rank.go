package risk

import (
	"fmt"
	"math"
	"sort"
)

// Severities of a hazard, from the mildest.
const (
	Minor        = "minor"
	Moderate     = "moderate"
	Major        = "major"
	Catastrophic = "catastrophic"
)

// RuleText is the ranking rule as a sentence for a report.
const RuleText = "Findings are ordered by severity-weighted probability, the chance that a pull crosses the limit " +
	"times " +
	"the weight of the hazard's severity (minor 1, moderate 3, major 10, catastrophic 30); ties go to the smaller " +
	"margin " +
	"in units of its own standard deviation."

// Weight returns the weight of a severity: minor 1, moderate 3, major 10, catastrophic 30 (common practice, no
// source). Any other word is an error.
func Weight(severity string) (float64, error) {
	switch severity {
	case Minor:
		return 1, nil
	case Moderate:
		return 3, nil
	case Major:
		return 10, nil
	case Catastrophic:
		return 30, nil
	}
	return 0, fmt.Errorf("severity %q: use minor, moderate, major or catastrophic", severity)
}

// Finding is what ranking looks at.
type Finding struct {
	Severity    string
	Probability float64 // that a pull crosses, 0–1
	Margin      float64 // positive inside the limit
	MarginSD    float64 // of one pull, ≥ 0
}

// tieStep is how finely severity-weighted probabilities are told apart: closer than 1e-9 is a tie.
const tieStep = 1e-9

// Rank returns the indices of findings from the riskiest to the least by RuleText. Findings that tie in margin too
// keep their order. An error names a finding whose severity is unknown or whose numbers are not finite.
func Rank(findings []Finding) ([]int, error) {
	type key struct {
		weighted float64
		margin   float64
	}
	keys := make([]key, len(findings))
	order := make([]int, len(findings))
	for i, f := range findings {
		w, err := Weight(f.Severity)
		if err != nil {
			return nil, fmt.Errorf("finding %d: %w", i, err)
		}
		if !finite(f.Probability, f.Margin, f.MarginSD) || f.Probability < 0 || f.Probability > 1 || f.MarginSD < 0 {
			return nil, fmt.Errorf("finding %d: probability %g, margin %g, sd %g: it cannot be ranked", i,
				f.Probability, f.Margin, f.MarginSD)
		}
		keys[i] = key{math.Round(w * f.Probability / tieStep), StandardMargin(f.Margin, f.MarginSD)}
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
