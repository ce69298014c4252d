package envelope

import (
	"math"
	"sort"

	"headroom/models/value"
)

// fewestForShape is the number of values below which a shape cannot be judged (Stephens's formula holds from 8 on).
const fewestForShape = 8

// notNormal is the Anderson–Darling test of a normal shape, mean and deviation estimated, at the 1 % level: it
// rejects when A²(1 + 0.75/n + 2.25/n²) exceeds 1.035 (Stephens, in D'Agostino and Stephens, Goodness-of-Fit
// Techniques, 1986, table 4.7; from memory, its rate is checked by simulation in the tests).
func notNormal(values []float64) bool {
	n := len(values)
	if n < fewestForShape {
		return false
	}
	mean, squares := value.Moments(values)
	sd := math.Sqrt(squares / float64(n-1))
	if sd == 0 {
		return false
	}
	z := append([]float64(nil), values...)
	sort.Float64s(z)
	sum := 0.0
	for i := range z {
		low := value.NormalCDF((z[i] - mean) / sd)
		high := value.NormalCDF(-(z[n-1-i] - mean) / sd)
		sum += float64(2*i+1) * (math.Log(math.Max(low, 1e-300)) + math.Log(math.Max(high, 1e-300)))
	}
	a2 := -float64(n) - sum/float64(n)
	return a2*(1+0.75/float64(n)+2.25/float64(n*n)) > 1.035
}
