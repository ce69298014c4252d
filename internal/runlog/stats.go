package runlog

import (
	"math"
	"slices"
)

// finite returns the finite values, sorted.
func finite(values []float64) []float64 {
	out := make([]float64, 0, len(values))
	for _, v := range values {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			out = append(out, v)
		}
	}
	slices.Sort(out)
	return out
}

// quantile of sorted values, nearest rank; NaN without any.
func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[min(len(sorted)-1, int(q*float64(len(sorted))))]
}

// median of the finite values; NaN without any.
func median(values []float64) float64 { return quantile(finite(values), 0.5) }

// extent returns how many values are finite, the smallest and the largest of them.
func extent(values []float64) (n int, low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			n, low, high = n+1, min(low, v), max(high, v)
		}
	}
	return n, low, high
}

// where returns the finite values at which keep holds.
func where(values []float64, keep func(i int) bool) []float64 {
	var out []float64
	for i, v := range values {
		if !math.IsNaN(v) && keep(i) {
			out = append(out, v)
		}
	}
	return out
}

// apply returns scale·v + offset of every value.
func apply(values []float64, scale, offset float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = scale*v + offset
	}
	return out
}

// smallestStep is the smallest difference between distinct finite values: the resolution; 0 for fewer than two.
func smallestStep(values []float64) float64 { return resolution(finite(values)) }

// resolution is smallestStep of sorted values.
func resolution(sorted []float64) float64 {
	best := 0.0
	for i := 1; i < len(sorted); i++ {
		d := sorted[i] - sorted[i-1]
		if d > 1e-9*math.Max(1, math.Abs(sorted[i])) && (best == 0 || d < best) {
			best = d
		}
	}
	return best
}
