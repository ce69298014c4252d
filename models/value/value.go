// Package value answers two questions that every model asks: is this number known, and what do these numbers come to?
//
// Quantities that were not measured are NaN throughout this module, never zero. Sums are added up in the order given,
// so that they are the same on every machine. All is by definition; common practice, no source.
package value

import (
	"math"
	"slices"
)

// Known reports whether v is a number: neither NaN (not measured) nor infinite.
func Known(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// AllKnown reports whether every one of the values is a number.
func AllKnown(v ...float64) bool {
	for _, x := range v {
		if !Known(x) {
			return false
		}
	}
	return true
}

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

// Moments is the mean of the values and the sum of their squares about it; 0 and 0 without any.
func Moments(v []float64) (mean, squares float64) {
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		squares += (x - mean) * (x - mean)
	}
	return mean, squares
}

// Dot is the sum of the products of a and b, which have the same length.
func Dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

// Z95 is the 0.95 quantile of the standard normal distribution: a two-sided 90 % interval reaches so many standard
// deviations to either side.
const Z95 = 1.6448536269514722

// NormalCDF is the standard normal distribution function Φ(z), right to the last digits in both tails.
func NormalCDF(z float64) float64 { return 0.5 * math.Erfc(-z*(math.Sqrt2/2)) }
