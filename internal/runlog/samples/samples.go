// Package samples answers one question: what do a column's readings look like, leaving out those that are missing?
// Ranks are nearest ranks: a quantile is a reading that was made, never a value between two.
package samples

import (
	"math"
	"slices"

	"headroom/models/value"
)

// Sorted returns the known values in increasing order.
func Sorted(values []float64) []float64 {
	out := make([]float64, 0, len(values))
	for _, v := range values {
		if value.Known(v) {
			out = append(out, v)
		}
	}
	slices.Sort(out)
	return out
}

// Quantile of sorted values, 0 ≤ q ≤ 1, by nearest rank; NaN without any.
func Quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[min(len(sorted)-1, int(q*float64(len(sorted))))]
}

// Median of the known values, the upper of two in the middle; NaN without any.
func Median(values []float64) float64 { return Quantile(Sorted(values), 0.5) }

// Extent returns how many values are known, the smallest and the largest of them.
func Extent(values []float64) (n int, low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if value.Known(v) {
			n, low, high = n+1, min(low, v), max(high, v)
		}
	}
	return n, low, high
}

// Where returns the values at which keep holds, without those that are missing.
func Where(values []float64, keep func(i int) bool) []float64 {
	var out []float64
	for i, v := range values {
		if !math.IsNaN(v) && keep(i) {
			out = append(out, v)
		}
	}
	return out
}

// Scaled returns scale·v + offset of every value.
func Scaled(values []float64, scale, offset float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = scale*v + offset
	}
	return out
}

// Resolution is the smallest difference between distinct sorted values; 0 for fewer than two.
func Resolution(sorted []float64) float64 {
	best := 0.0
	for i := 1; i < len(sorted); i++ {
		d := sorted[i] - sorted[i-1]
		if d > 1e-9*math.Max(1, math.Abs(sorted[i])) && (best == 0 || d < best) {
			best = d
		}
	}
	return best
}

// Whole reports whether every value is a whole number.
func Whole(values []float64) bool {
	return !slices.ContainsFunc(values, func(v float64) bool { return v != math.Trunc(v) })
}
