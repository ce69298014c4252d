package draw

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestTicks: ticks are inside the range, evenly spaced by 1, 2 or 5 times a power of ten, and neither few nor many.
func TestTicks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e5, 1e5).Draw(t, "low")
		span := rapid.Float64Range(0.01, 1e5).Draw(t, "span")
		got := ticks(low, low+span, 6)
		if len(got) < 2 || len(got) > 8 {
			t.Fatalf("%d ticks", len(got))
		}
		step := got[1] - got[0]
		lead := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9))
		if math.Abs(lead-1) > 1e-3 && math.Abs(lead-2) > 1e-3 && math.Abs(lead-5) > 1e-3 {
			t.Fatalf("step %v", step)
		}
		for _, v := range got {
			if v < low-1e-6*span || v > low+span*(1+1e-6) {
				t.Fatalf("%v is outside [%v, %v]", v, low, low+span)
			}
		}
	})
}
