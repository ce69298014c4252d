package samples

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

var nan, inf = math.NaN(), math.Inf(1)

func TestByHand(t *testing.T) {
	if got := Sorted([]float64{3, nan, -1, inf, 2, -inf}); !slices.Equal(got, []float64{-1, 2, 3}) {
		t.Errorf("sorted %v", got)
	}
	if m := Median([]float64{4, nan, 1, 3, 2}); m != 3 {
		t.Errorf("the upper of the two in the middle of 1 to 4 is %v", m)
	}
	if !math.IsNaN(Median([]float64{nan})) || !math.IsNaN(Quantile(nil, 0.5)) {
		t.Error("nothing has a median")
	}
	if n, low, high := Extent([]float64{nan, 5, inf, -2}); n != 2 || low != -2 || high != 5 {
		t.Errorf("extent %d, %v to %v", n, low, high)
	}
	if n, low, high := Extent(nil); n != 0 || low <= high {
		t.Errorf("extent of nothing: %d, %v to %v", n, low, high)
	}
	if got := Where([]float64{1, nan, 3, 4}, func(i int) bool { return i > 0 }); !slices.Equal(got, []float64{3, 4}) {
		t.Errorf("where %v", got)
	}
	if got := Scaled([]float64{0, 100}, 1.8, 32); !slices.Equal(got, []float64{32, 212}) {
		t.Errorf("freezing and boiling water in °F: %v", got)
	}
	if r := Resolution([]float64{1, 1, 1.25, 2}); r != 0.25 || Resolution([]float64{7, 7}) != 0 ||
		Resolution(nil) != 0 {
		t.Errorf("resolution %v", r)
	}
	if !Whole([]float64{-2, 0, 7}) || Whole([]float64{1, 1.5}) || !Whole(nil) {
		t.Error("whole numbers")
	}
}

// A quantile is one of the values; no more than the share below it and the rest above.
func TestQuantile(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := Sorted(rapid.SliceOfN(rapid.Float64Range(-100, 100), 1, 40).Draw(t, "values"))
		q := rapid.Float64Range(0, 1).Draw(t, "q")
		got := Quantile(v, q)
		below, above := 0, 0
		for _, x := range v {
			if x < got {
				below++
			}
			if x > got {
				above++
			}
		}
		n := float64(len(v))
		if !slices.Contains(v, got) || float64(below) > q*n || float64(above) > (1-q)*n {
			t.Fatalf("%v at %v: %d below, %d above of %v", got, q, below, above, v)
		}
	})
}
