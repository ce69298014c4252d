package envelope

import (
	"fmt"
	"math"
	"sort"

	"headroom/models/value"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// CarsForDistributionFree is the smallest number of cars n, one pull each, whose largest value is a limit that holds
// content of the pulls with the confidence, whatever the distribution: 1 − contentⁿ ≥ confidence (Wilks, Ann.
// Math. Statist. 12, 1941). Both shares lie strictly between 0 and 1.
func CarsForDistributionFree(content, confidence float64) (int, error) {
	if err := checkShares(content, confidence); err != nil {
		return 0, err
	}
	const rounding = 1e-12 // shares such as 0.9 are not exact in binary
	n := math.Ceil(math.Log1p(-confidence) / math.Log(content) * (1 - rounding))
	if n > math.MaxInt32 {
		return 0, fmt.Errorf("envelope: content %g with confidence %g takes more than %d cars: ask for less", content,
			confidence, math.MaxInt32)
	}
	return int(math.Max(n, 1)), nil
}

// ToleranceFactor is the exact one-sided normal tolerance factor k for n independent values: mean + k·deviation holds
// content of the distribution with the confidence. k = t'(confidence; n−1, z√n)/√n with the non-central t
// quantile t' and z the normal quantile of content (NIST/SEMATECH e-Handbook 7.2.6.3; Owen, Technometrics 10, 1968).
//
// Errors: n below 2, or shares outside (0, 1).
func ToleranceFactor(n int, content, confidence float64) (float64, error) {
	if n < 2 {
		return 0, fmt.Errorf("envelope: a tolerance factor takes at least 2 values, not %d", n)
	}
	if err := checkShares(content, confidence); err != nil {
		return 0, err
	}
	root := math.Sqrt(float64(n))
	delta := normal.Quantile(content) * root
	nu := float64(n - 1)
	cdf := func(t float64) float64 { return noncentralT(t, nu, delta) }
	t, ok := quantile(cdf, confidence, delta, 1+math.Abs(delta)/root)
	if !ok {
		return 0, fmt.Errorf("envelope: no tolerance factor found for n %d, content %g, confidence %g",
			n, content, confidence)
	}
	return t / root, nil
}

var normal = distuv.UnitNormal

func checkShares(content, confidence float64) error {
	if !(content > 0 && content < 1) {
		return fmt.Errorf("envelope: content %g: give a share between 0 and 1, such as 0.95", content)
	}
	if !(confidence > 0 && confidence < 1) {
		return fmt.Errorf("envelope: confidence %g: give a share between 0 and 1, such as 0.95", confidence)
	}
	return nil
}

// noncentralT is P(T ≤ t) for T = (Z+δ)/√(U/ν): the mean of Φ(t·x/√ν − δ) over x = √U, a chi variable
// (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 2, 1995, ch. 31). The range is split where Φ
// passes from 0 to 1, which may be narrow beside the chi density.
func noncentralT(t, nu, delta float64) float64 {
	low, high := chiRange(nu)
	cuts := []float64{low, high}
	slope := t / math.Sqrt(nu)
	if slope != 0 {
		for _, z := range []float64{-9, -3, 3, 9} {
			if x := (delta + z) / slope; x > low && x < high {
				cuts = append(cuts, x)
			}
		}
	}
	sort.Float64s(cuts)
	sum := 0.0
	for i := 1; i < len(cuts); i++ {
		f := func(x float64) float64 { return value.NormalCDF(slope*x-delta) * chiDensity(x, nu) }
		sum += quad.Fixed(f, cuts[i-1], cuts[i], 48, quad.Legendre{}, 1)
	}
	return math.Min(1, math.Max(0, sum))
}

// chiRange holds all but about 1e-14 of a chi variable with nu degrees of freedom.
func chiRange(nu float64) (low, high float64) {
	centre := math.Sqrt(nu)
	return math.Max(0, centre-6.5), centre + 8
}

func chiDensity(x, nu float64) float64 {
	if x <= 0 {
		if nu == 1 {
			return math.Sqrt(2 / math.Pi)
		}
		return 0
	}
	lg, _ := math.Lgamma(nu / 2)
	return math.Exp((nu-1)*math.Log(x) - x*x/2 - (nu/2-1)*math.Ln2 - lg)
}

// chiNodes are Gauss–Legendre nodes over a chi variable with weights that include its density and sum to 1.
func chiNodes(nu float64, count int) (x, w []float64) {
	x, w = make([]float64, count), make([]float64, count)
	low, high := chiRange(nu)
	quad.Legendre{}.FixedLocations(x, w, low, high)
	sum := 0.0
	for i := range x {
		w[i] *= chiDensity(x[i], nu)
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return x, w
}

// quantile finds t with cdf(t) = p by doubling outwards from start in steps of width and bisecting with secants.
func quantile(cdf func(float64) float64, p, start, width float64) (float64, bool) {
	low, high := start-width, start+width
	for i := 0; cdf(high) < p; i++ {
		low, high = high, high+width
		if width *= 2; i > 200 || math.IsInf(width, 0) {
			return 0, false
		}
	}
	for i := 0; cdf(low) > p; i++ {
		high, low = low, low-width
		if width *= 2; i > 200 || math.IsInf(width, 0) {
			return 0, false
		}
	}
	flow, fhigh := cdf(low)-p, cdf(high)-p
	side := 0
	for range 200 { // Illinois variant of false position (Dowell and Jarratt, BIT 11, 1971)
		mid := (low*fhigh - high*flow) / (fhigh - flow)
		if !(mid > low && mid < high) {
			mid = low + (high-low)/2
		}
		f := cdf(mid) - p
		if math.Abs(f) < 1e-13 || high-low < 1e-13*math.Max(math.Abs(low), math.Abs(high)) {
			return mid, true
		}
		if f < 0 {
			low, flow = mid, f
			if side == -1 {
				fhigh /= 2
			}
			side = -1
			continue
		}
		high, fhigh = mid, f
		if side == 1 {
			flow /= 2
		}
		side = 1
	}
	return low + (high-low)/2, high-low < 1e-9*(1+math.Abs(low)+math.Abs(high))
}
