package envelope

import (
	"fmt"
	"math"
)

// Covariate is a condition whose effect on the metric is known, from physics or from a fitted mixed model.
type Covariate struct {
	Name      string
	Slope     float64 // metric's unit a unit of the covariate
	Reference float64 // value that limits are stated for
}

// Adjustment takes the effect of conditions off a metric, so that pulls in different weather and on different fuel can
// be pooled. Slopes are taken as known: their own error is not in the limit, so keep Reference among the conditions
// that were logged.
type Adjustment []Covariate

// Residual restates a logged value at the reference conditions: y − Σ slope·(x − reference). x holds the logged
// conditions in the order of the adjustment; add the result to a Summary.
//
// Errors: x of another length, or a condition that is not finite.
func (a Adjustment) Residual(y float64, x []float64) (float64, error) {
	shift, err := a.shift(x)
	return y - shift, err
}

// Restate moves a limit stated for the reference conditions to conditions x: value + Σ slope·(x − reference).
//
// Errors: as Residual.
func (a Adjustment) Restate(value float64, x []float64) (float64, error) {
	shift, err := a.shift(x)
	return value + shift, err
}

func (a Adjustment) shift(x []float64) (float64, error) {
	if len(x) != len(a) {
		return 0, fmt.Errorf("envelope: %d conditions for %d covariates", len(x), len(a))
	}
	shift := 0.0
	for i, c := range a {
		if math.IsNaN(x[i]) || math.IsInf(x[i], 0) {
			return 0, fmt.Errorf("envelope: condition %q is %g: leave pulls where it was not measured out", c.Name,
				x[i])
		}
		shift += c.Slope * (x[i] - c.Reference)
	}
	return shift, nil
}
