package value

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestKnownAndOr(t *testing.T) {
	for v, want := range map[float64]bool{0: true, -3: true, math.MaxFloat64: true, math.Inf(1): false,
		math.Inf(-1): false} {
		if Known(v) != want {
			t.Errorf("Known(%v) is %v", v, !want)
		}
		if Or(v, 7) != v {
			t.Errorf("%v is measured, Or gives %v", v, Or(v, 7))
		}
	}
	if Known(math.NaN()) || Or(math.NaN(), 7) != 7 {
		t.Error("NaN counts as measured")
	}
}

// By definition as many values lie at or below the median as at or above it, and the order given does not matter.
func TestMedian(t *testing.T) {
	if !math.IsNaN(Median(nil)) || Median([]float64{4, 1}) != 2.5 || Median([]float64{9, 1, 5}) != 5 {
		t.Error("medians by hand")
	}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-100, 100), 1, 30).Draw(t, "values")
		kept := slices.Clone(v)
		m := Median(v)
		below, above := 0, 0
		for _, x := range v {
			if x <= m {
				below++
			}
			if x >= m {
				above++
			}
		}
		if 2*below < len(v) || 2*above < len(v) {
			t.Fatalf("%d at or below and %d at or above %v of %v", below, above, m, v)
		}
		if !slices.Equal(v, kept) {
			t.Fatal("the argument was changed")
		}
		slices.Reverse(kept)
		if Median(kept) != m {
			t.Fatal("the order matters")
		}
	})
}

func TestDot(t *testing.T) {
	if got := Dot([]float64{1, 2, 3}, []float64{4, -5, 6}); got != 12 {
		t.Errorf("4 − 10 + 18 is %v", got)
	}
}

func TestAllKnown(t *testing.T) {
	if !AllKnown() || !AllKnown(0, -1) || AllKnown(0, math.NaN()) || AllKnown(math.Inf(1), 0) {
		t.Error("a number that is not known was missed, or one that is was refused")
	}
}

// 2, 4, 4, 4, 5, 5, 7, 9 by hand: mean 5, squares about it 9+1+1+1+0+0+4+16.
func TestMoments(t *testing.T) {
	if mean, squares := Moments([]float64{2, 4, 4, 4, 5, 5, 7, 9}); mean != 5 || squares != 32 {
		t.Errorf("mean %v, squares %v", mean, squares)
	}
	if mean, squares := Moments(nil); mean != 0 || squares != 0 {
		t.Errorf("nothing comes to %v, %v", mean, squares)
	}
}

// Against gonum's distribution; R: qnorm(0.95) is 1.644853626951472.
func TestNormal(t *testing.T) {
	if got := distuv.UnitNormal.Quantile(0.95); math.Abs(got-Z95) > 1e-14 {
		t.Errorf("0.95 quantile %v, Z95 is %v", got, Z95)
	}
	for z := -30.0; z <= 9; z += 0.25 {
		if got, want := NormalCDF(z), distuv.UnitNormal.CDF(z); math.Abs(got/want-1) > 1e-12 {
			t.Errorf("Φ(%v) = %v, want %v", z, got, want)
		}
	}
}
