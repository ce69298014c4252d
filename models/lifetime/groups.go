package lifetime

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Group is the cars of one platform, power bracket or revision and what they went through.
type Group struct {
	Name     string
	Cars     int
	Failed   int     // cars with at least one failure
	Failures int     // failures, a car may have several
	Exposure float64 // total over the cars, in any unit: pulls, hours at load, kilometres
}

// Proof is what a group proves, one-sided at Confidence. Nothing is said beyond the exposure that was seen.
type Proof struct {
	Group
	Confidence float64
	ShareUpper float64 // upper bound of the share of such cars that fail over an exposure like theirs
	RateUpper  float64 // upper bound of failures a unit of exposure; NaN without exposure
}

// Prove computes what a group proves.
//
// Errors: no cars, more failed cars than cars, failures fewer than failed cars, negative exposure, confidence outside
// (0, 1).
func Prove(g Group, confidence float64) (Proof, error) {
	share, err := ShareUpper(g.Failed, g.Cars, confidence)
	if err != nil {
		return Proof{}, fmt.Errorf("group %q: %w", g.Name, err)
	}
	if g.Failures < g.Failed {
		return Proof{}, fmt.Errorf("lifetime: group %q: %d failures of %d failed cars cannot be", g.Name, g.Failures,
			g.Failed)
	}
	if !(g.Exposure >= 0) || math.IsInf(g.Exposure, 0) {
		return Proof{}, fmt.Errorf("lifetime: group %q: exposure %g: give zero or a positive number", g.Name,
			g.Exposure)
	}
	p := Proof{Group: g, Confidence: confidence, ShareUpper: share, RateUpper: math.NaN()}
	if g.Exposure > 0 {
		if p.RateUpper, err = RateUpper(g.Failures, g.Exposure, confidence); err != nil {
			return Proof{}, fmt.Errorf("group %q: %w", g.Name, err)
		}
	}
	return p, nil
}

// RateRatio is the comparison of two rates.
type RateRatio struct {
	Ratio  float64 // rate of a over rate of b; +Inf when b has no failure, NaN when neither has
	Bounds         // of the ratio; High is +Inf when b has no failure
	PValue float64 // two-sided, exact, of equal rates; 1 when neither has a failure
}

// CompareRates compares the failure rates of two groups exactly: given the total, the failures of a are binomial with
// share ρE_a/(ρE_a+E_b) at rate ratio ρ (Przyborowski and Wilenski 1940). PValue is two-sided for ρ = 1, the total
// probability of outcomes no likelier than the one seen; the bounds are Clopper–Pearson's.
//
// Errors: as RateUpper, for either group.
func CompareRates(a, b Group, confidence float64) (RateRatio, error) {
	for _, g := range []Group{a, b} {
		if err := checkRate(g.Failures, g.Exposure, confidence); err != nil {
			return RateRatio{}, fmt.Errorf("group %q: %w", g.Name, err)
		}
	}
	n := a.Failures + b.Failures
	r := RateRatio{Ratio: math.NaN(), Bounds: Bounds{0, math.Inf(1)}, PValue: 1}
	if n == 0 {
		return r, nil
	}
	r.Ratio = float64(a.Failures) / a.Exposure / (float64(b.Failures) / b.Exposure)
	r.PValue = binomialTest(a.Failures, n, a.Exposure/(a.Exposure+b.Exposure))
	share, err := ShareInterval(a.Failures, n, confidence)
	if err != nil {
		return RateRatio{}, err
	}
	odds := func(p float64) float64 { return p / (1 - p) * b.Exposure / a.Exposure }
	r.Low, r.High = odds(share.Low), odds(share.High)
	return r, nil
}

// binomialTest is the two-sided exact p-value: the total probability of outcomes no likelier than x.
func binomialTest(x, n int, p float64) float64 {
	b := distuv.Binomial{N: float64(n), P: p}
	const fuzz = 1e-7 // outcomes that are as likely up to rounding count as such
	limit := b.LogProb(float64(x)) + fuzz
	sum := 0.0
	for k := range n + 1 {
		if lp := b.LogProb(float64(k)); lp <= limit {
			sum += math.Exp(lp)
		}
	}
	return math.Min(1, sum)
}
