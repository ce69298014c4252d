package knock

import (
	"math"

	"headroom/models/value"
)

const invSqrt2Pi = 0.3989422804014326779

func pdf(z float64) float64 { return invSqrt2Pi * math.Exp(-0.5*z*z) }

// near is the |z| up to which the table serves where small probabilities matter.
const near = 3

// quickPDF is pdf, from the table where that serves.
func quickPDF(z float64) float64 {
	if z > -near && z < near {
		_, d := both(z)
		return d
	}
	return pdf(z)
}

// between returns Φ(b) − Φ(a) without cancellation in either tail.
func between(a, b float64) float64 {
	if a > -near && b < near && a < b {
		ca, _ := both(a)
		cb, _ := both(b)
		return cb - ca
	}
	if a > 0 {
		return value.NormalCDF(-a) - value.NormalCDF(-b)
	}
	return value.NormalCDF(b) - value.NormalCDF(a)
}

// The normal distribution is tabulated on |z| ≤ tableEnd and interpolated by cubic Hermite polynomials, which are
// right to 1e-9 there (step⁴/384 times the largest fourth derivative) and several times faster than math.Erfc and
// math.Exp. Clean rows, most of a fleet, need no more.
const (
	tableEnd  = 6
	tableStep = 1.0 / 64
	tableSize = 2*tableEnd*64 + 2
)

// knot is the table's entry at one z: Φ, φ and φ′, the derivatives already multiplied by the step.
type knot struct{ cdf, step, pdf, slope float64 }

var table = func() (t [tableSize]knot) {
	for i := range t {
		z := -tableEnd + float64(i)*tableStep
		t[i] = knot{value.NormalCDF(z), pdf(z) * tableStep, pdf(z), -z * pdf(z) * tableStep}
	}
	return t
}()

// both returns Φ(z) and φ(z) for |z| ≤ tableEnd.
func both(z float64) (cum, density float64) {
	at := (z + tableEnd) * (1 / tableStep)
	i := int(at)
	return hermiteBetween(&table[i], &table[i+1], at-float64(i))
}

// hermiteBetween is both at a share t of the way from one knot to the next.
func hermiteBetween(a, b *knot, t float64) (cum, density float64) {
	h01 := t * t * (3 - 2*t)
	h10 := t * (1 - t) * (1 - t)
	h11 := t * t * (t - 1)
	return a.cdf + h01*(b.cdf-a.cdf) + h10*a.step + h11*b.step,
		a.pdf + h01*(b.pdf-a.pdf) + h10*a.slope + h11*b.slope
}

// upper returns 1 − Φ(z) and φ(z), from the table where that is right to 1e-9 of either; 1 and 0 below the table.
func upper(z float64) (up, density float64) {
	if z < -tableEnd {
		return 1, 0
	}
	if z < near {
		cum, phi := both(z)
		return 1 - cum, phi
	}
	return value.NormalCDF(-z), pdf(z)
}
