package drift

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

var normal = distuv.UnitNormal

// EWMA returns z_t = lambda·x_t + (1−lambda)·z_(t−1) with z_0 = start (Roberts 1959).
//
// Errors: lambda outside (0, 1].
func EWMA(values []float64, lambda, start float64) ([]float64, error) {
	if !(lambda > 0 && lambda <= 1) {
		return nil, fmt.Errorf("drift: lambda %g: give a weight above 0 and at most 1, such as 0.2", lambda)
	}
	z := make([]float64, len(values))
	for i, x := range values {
		start = lambda*x + (1-lambda)*start
		z[i] = start
	}
	return z, nil
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

// EWMARunLength is the average number of runs to a signal of a two-sided EWMA chart with fixed limits
// ±limit·EWMASD(λ, 0) after a shift in deviations, known mean and deviation, by the integral equation of Crowder
// (1987).
//
// Errors: lambda outside (0, 1], limit outside (0, 8].
func EWMARunLength(lambda, limit, shift float64) (float64, error) {
	if !(lambda > 0 && lambda <= 1) || !(limit > 0 && limit <= 8) || math.IsNaN(shift) {
		return 0, fmt.Errorf("drift: lambda %g must be in (0, 1], limit %g in (0, 8]", lambda, limit)
	}
	h := limit * EWMASD(lambda, 0)
	n := ewmaNodes(lambda, limit)
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, -h, h)
	a := mat.NewDense(n, n, nil)
	for i := range n {
		for j := range n {
			a.Set(i, j, -w[j]*normal.Prob((x[j]-(1-lambda)*x[i])/lambda-shift)/lambda)
		}
		a.Set(i, i, a.At(i, i)+1)
	}
	length, err := solveOnes(a)
	if err != nil {
		return 0, fmt.Errorf("drift: ewma run length: %w", err)
	}
	start := 1.0
	for j := range n {
		start += length[j] * w[j] * normal.Prob(x[j]/lambda-shift) / lambda
	}
	return start, nil
}

// CUSUMRunLength is the average number of runs to a signal of a two-sided CUSUM after a shift in deviations, known mean
// and deviation. Each side solves Page's integral equation; 1/ARL = 1/ARL_up + 1/ARL_down (van Dobben de Bruyn,
// Cumulative Sum Tests, 1968).
//
// Errors: reference outside [0, 5], threshold outside (0, 60].
func CUSUMRunLength(reference, threshold, shift float64) (float64, error) {
	shift = math.Abs(shift)
	up, err := cusumOneSided(reference, threshold, shift)
	if err != nil {
		return 0, err
	}
	down, err := cusumOneSided(reference, threshold, -shift)
	if err != nil { // the system is only singular when that side takes beyond 1e13 runs, which adds nothing
		return up, nil
	}
	return 1 / (1/up + 1/down), nil
}

func cusumOneSided(reference, threshold, shift float64) (float64, error) {
	if !(reference >= 0 && reference <= 5) || !(threshold > 0 && threshold <= 60) || math.IsNaN(shift) {
		return 0, fmt.Errorf("drift: reference %g must be in [0, 5], threshold %g in (0, 60]", reference, threshold)
	}
	n := cusumNodes(threshold)
	x, w := make([]float64, n+1), make([]float64, n+1) // state 0 last
	quad.Legendre{}.FixedLocations(x[:n], w[:n], 0, threshold)
	step := reference - shift
	a := mat.NewDense(n+1, n+1, nil)
	for i := range n + 1 { // x[n] = 0
		for j := range n {
			a.Set(i, j, -w[j]*normal.Prob(x[j]-x[i]+step))
		}
		a.Set(i, n, -normal.CDF(step-x[i]))
		a.Set(i, i, a.At(i, i)+1)
	}
	length, err := solveOnes(a)
	if err != nil {
		return 0, fmt.Errorf("drift: cusum run length: %w", err)
	}
	return length[n], nil
}

// solveOnes solves a·x = 1. A system that is nearly singular (an average run length beyond 1e13) is an error.
func solveOnes(a *mat.Dense) ([]float64, error) {
	n, _ := a.Dims()
	ones := make([]float64, n)
	for i := range ones {
		ones[i] = 1
	}
	var x mat.VecDense
	if err := x.SolveVec(a, mat.NewVecDense(n, ones)); err != nil {
		return nil, fmt.Errorf("the run length is too long to compute: %w", err)
	}
	return x.RawVector().Data, nil
}

// SiegmundRunLength approximates the two-sided CUSUMRunLength in closed form: (e^(−2Δb) + 2Δb − 1)/2Δ² a side,
// with Δ = ±shift − reference and b = threshold + 1.166 (Siegmund, Sequential Analysis, 1985).
func SiegmundRunLength(reference, threshold, shift float64) float64 {
	b := threshold + 1.166
	side := func(delta float64) float64 {
		if math.Abs(delta) < 1e-8 {
			return b * b
		}
		return (math.Expm1(-2*delta*b) + 2*delta*b) / (2 * delta * delta)
	}
	return 1 / (1/side(shift-reference) + 1/side(-shift-reference))
}

// EWMALimit is the limit, in deviations of the EWMA, whose in-control average run length is runs.
//
// Errors: as EWMARunLength, or runs not above 1 or beyond 1e8.
func EWMALimit(lambda, runs float64) (float64, error) {
	return invertRunLength(runs, 6.5, func(l float64) (float64, error) { return EWMARunLength(lambda, l, 0) })
}

// CUSUMThreshold is the threshold, in deviations, whose in-control average run length is runs.
//
// Errors: as CUSUMRunLength, or runs not above 1 or beyond 1e8.
func CUSUMThreshold(reference, runs float64) (float64, error) {
	high := 60.0
	if reference > 0 {
		high = math.Min(60, 12/reference) // e^(2·reference·h) beyond 1e10
	}
	return invertRunLength(runs, high, func(h float64) (float64, error) { return CUSUMRunLength(reference, h, 0) })
}

func invertRunLength(runs, high float64, length func(float64) (float64, error)) (float64, error) {
	if !(runs > 1 && runs <= 1e8) {
		return 0, fmt.Errorf("drift: in-control run length %g: give a number above 1, at most 1e8, such as 500", runs)
	}
	low := 1e-6
	if l, err := length(low); err != nil || l > runs {
		return 0, fmt.Errorf("drift: an in-control run length of %g is below what the chart can have", runs)
	}
	for high-low > 1e-9*high {
		mid := (low + high) / 2
		l, err := length(mid)
		switch {
		case err != nil && mid < 1e-3:
			return 0, err
		case err != nil || l > runs: // too long to compute is too long
			high = mid
		default:
			low = mid
		}
	}
	return (low + high) / 2, nil
}

// ewmaNodes and cusumNodes resolve a step of one deviation on the chart's range.
func ewmaNodes(lambda, limit float64) int {
	return 24 + int(5*limit*EWMASD(lambda, 0)/lambda)
}

func cusumNodes(threshold float64) int { return 20 + int(3*threshold) }
