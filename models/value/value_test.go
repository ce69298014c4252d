package value

import (
	"math"
	"slices"
	"testing"

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
