package drift

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

var normal = distuv.UnitNormal

// EWMA returns z_t = lambda·x_t + (1−lambda)·z_(t−1) with z_0 = start (Roberts 1959). lambda lies in (0, 1].
func EWMA(values []float64, lambda, start float64) []float64 {
	z := make([]float64, len(values))
	for i, x := range values {
		start = lambda*x + (1-lambda)*start
		z[i] = start
	}
	return z
}

// EWMASD is the deviation of z_t for independent values of deviation 1: √(λ/(2−λ)·(1−(1−λ)^2t)); t = 0
// stands for the limit of many runs (NIST/SEMATECH e-Handbook 6.3.2.4).
func EWMASD(lambda float64, t int) float64 {
	v := lambda / (2 - lambda)
	if t > 0 {
		v *= -math.Expm1(2 * float64(t) * math.Log1p(-lambda))
	}
	return math.Sqrt(v)
}

// CUSUM returns the upper and lower sums of standardised values: max(0, C + x − reference) and max(0, C − x −
// reference) (Page 1954; NIST/SEMATECH e-Handbook 6.3.2.3).
func CUSUM(values []float64, reference float64) (up, down []float64) {
	up, down = make([]float64, len(values)), make([]float64, len(values))
	var u, d float64
	for i, x := range values {
		u, d = math.Max(0, u+x-reference), math.Max(0, d-x-reference)
		up[i], down[i] = u, d
	}
	return up, down
}

// ewmaNodes and cusumNodes resolve a step of one deviation on the chart's range.
func ewmaNodes(lambda, limit float64) int {
	return 24 + int(5*limit*EWMASD(lambda, 0)/lambda)
}

func cusumNodes(threshold float64) int { return 20 + int(3*threshold) }
