// Package value answers one question: is this number known? Quantities that were not measured are NaN throughout this
// module, never zero; here is what is done with such numbers, and nothing else. Common practice, no source.
package value

import (
	"math"
	"slices"
)

// Known reports whether v is a number: neither NaN (not measured) nor infinite.
func Known(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// Or is v, or the fallback where v is NaN.
func Or(v, fallback float64) float64 {
	if math.IsNaN(v) {
		return fallback
	}
	return v
}

// Median of the values; the mean of the middle two when their number is even, NaN without any. The argument is left as
// it is.
func Median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.Clone(v)
	slices.Sort(s)
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}

// Dot is the sum of the products of a and b, added up in their order so that it is the same on every machine. The two
// have the same length.
func Dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}
