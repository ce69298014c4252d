// Package lifetime answers one question: what do the failures seen so far, or their absence, prove about a platform?
//
// Shares of cars get exact binomial bounds (Clopper and Pearson, Biometrika 26, 1934), rates over exposure exact
// Poisson bounds (Garwood, Biometrika 28, 1936), times to failure the product-limit estimate (Kaplan and Meier,
// J. Amer. Statist. Assoc. 53, 1958) with Greenwood's variance, two groups the exact conditional comparison of their
// Poisson rates (Przyborowski and Wilenski, Biometrika 31, 1940). Nothing is said beyond the exposure that was
// observed.
package lifetime

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Bounds are a lower and an upper bound.
type Bounds struct {
	Low, High float64
}

// ShareUpper is the one-sided upper bound of the share that fails when failures of n cars did, 0–1.
//
// Errors: n below 1, failures outside 0…n, confidence outside (0, 1).
func ShareUpper(failures, n int, confidence float64) (float64, error) {
	if err := checkShare(failures, n, confidence); err != nil {
		return 0, err
	}
	if failures == n {
		return 1, nil
	}
	if failures == 0 { // closed form: 1 − (1−confidence)^(1/n)
		return -math.Expm1(math.Log1p(-confidence) / float64(n)), nil
	}
	return mathext.InvRegIncBeta(float64(failures+1), float64(n-failures), confidence), nil
}

// ShareLower is the one-sided lower bound of the share that fails. Errors as ShareUpper.
func ShareLower(failures, n int, confidence float64) (float64, error) {
	if err := checkShare(failures, n, confidence); err != nil {
		return 0, err
	}
	if failures == 0 {
		return 0, nil
	}
	upper, err := ShareUpper(n-failures, n, confidence)
	return 1 - upper, err
}

// ShareInterval is the two-sided Clopper–Pearson interval: each side at half the doubt. Errors as ShareUpper.
func ShareInterval(failures, n int, confidence float64) (Bounds, error) {
	side := (1 + confidence) / 2
	low, err := ShareLower(failures, n, side)
	if err != nil {
		return Bounds{}, err
	}
	high, err := ShareUpper(failures, n, side)
	return Bounds{low, high}, err
}

// RateUpper is the one-sided upper bound of the rate when failures were seen over exposure (pulls, hours at load,
// kilometres), in failures a unit of exposure.
//
// Errors: negative failures, exposure not positive and finite, confidence outside (0, 1).
func RateUpper(failures int, exposure, confidence float64) (float64, error) {
	if err := checkRate(failures, exposure, confidence); err != nil {
		return 0, err
	}
	if failures == 0 {
		return -math.Log1p(-confidence) / exposure, nil
	}
	return mathext.GammaIncRegInv(float64(failures+1), confidence) / exposure, nil
}

// RateLower is the one-sided lower bound of the rate. Errors as RateUpper.
func RateLower(failures int, exposure, confidence float64) (float64, error) {
	if err := checkRate(failures, exposure, confidence); err != nil {
		return 0, err
	}
	if failures == 0 {
		return 0, nil
	}
	return mathext.GammaIncRegInv(float64(failures), 1-confidence) / exposure, nil
}

// RateInterval is Garwood's two-sided interval: each side at half the doubt. Errors as RateUpper.
func RateInterval(failures int, exposure, confidence float64) (Bounds, error) {
	side := (1 + confidence) / 2
	low, err := RateLower(failures, exposure, side)
	if err != nil {
		return Bounds{}, err
	}
	high, err := RateUpper(failures, exposure, side)
	return Bounds{low, high}, err
}

func checkShare(failures, n int, confidence float64) error {
	if n < 1 {
		return fmt.Errorf("lifetime: %d cars: a share takes at least one", n)
	}
	if failures < 0 || failures > n {
		return fmt.Errorf("lifetime: %d failures of %d cars cannot be", failures, n)
	}
	return checkConfidence(confidence)
}

func checkRate(failures int, exposure, confidence float64) error {
	if failures < 0 {
		return fmt.Errorf("lifetime: %d failures cannot be", failures)
	}
	if !(exposure > 0) || math.IsInf(exposure, 0) {
		return fmt.Errorf("lifetime: exposure %g: a rate takes a positive, finite exposure", exposure)
	}
	return checkConfidence(confidence)
}

func checkConfidence(confidence float64) error {
	if !(confidence > 0 && confidence < 1) {
		return fmt.Errorf("lifetime: confidence %g: give a share between 0 and 1, such as 0.95", confidence)
	}
	return nil
}
