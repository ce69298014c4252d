package risk

import (
	"fmt"
	"math"

	"headroom/models/value"
)

// Visit is what one visit to one cell comes to, if it is made.
type Visit struct {
	Margin      Margin  // parameters, pull and residual; normal quantiles
	Probability float64 // that the visit crosses: mean over the parameters
	Low, High   float64 // 5 and 95 % quantiles over the parameters of that probability
}

// OneVisit is the chance that a visit to a state crosses. Given the parameters the chance is monotone in the margin,
// and the margin is normal in the parameters, so mean and quantiles are exact: no draws. The problem's States are not
// used. Errors as in Evaluate.
func OneVisit(p Problem, s State) (Visit, error) {
	p.States = []State{s}
	if err := p.check(); err != nil {
		return Visit{}, err
	}
	unknown := 0.0
	for i, g := range s.Grad {
		for j, h := range s.Grad {
			unknown += g * h * p.Cov.At(i, j)
		}
	}
	unknown = math.Sqrt(math.Max(unknown, 0))
	sd := math.Sqrt(unknown*unknown + p.PullSD*p.PullSD + p.CellSD*p.CellSD)
	v := Visit{
		Margin: Margin{Mean: s.Margin, SD: sd, Low: s.Margin - value.Z95*sd, High: s.Margin + value.Z95*sd},
		Low:    p.visit(s.Margin+value.Z95*unknown, p.PullSD),
		High:   p.visit(s.Margin-value.Z95*unknown, p.PullSD),
	}
	v.Probability = p.visit(s.Margin, math.Hypot(unknown, p.PullSD))
	if !value.AllKnown(v.Probability, v.Low, v.High) {
		return Visit{}, fmt.Errorf("the chance of a margin of %g with deviation %g is not finite", s.Margin, sd)
	}
	return v, nil
}
