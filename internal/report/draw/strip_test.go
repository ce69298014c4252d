package draw

import (
	"math"
	"testing"

	"headroom/internal/result"
)

// TestStripSide: hatching lies on the side of the limit where the margin is negative.
func TestStripSide(t *testing.T) {
	for _, c := range []struct {
		predicted, limit, margin result.Number
		above, ok                bool
	}{
		{1.2, 0, 1.2, false, true}, {-0.5, 0, -0.5, false, true}, {78, 70, -8, true, true}, {60, 70, 10, true, true},
		{70, 70, 0, false, false}, {60, 70, result.Unknown(), false, false},
	} {
		r := Reading{Predicted: c.predicted, Limit: c.limit, Margin: c.margin}
		if above, ok := r.pastAbove(); above != c.above || ok != c.ok {
			t.Errorf("%v: past above %v (%v), want %v (%v)", c, above, ok, c.above, c.ok)
		}
	}
}

// TestLogOdds: chances stay in order, and the ends of the scale and its middle are where they belong.
func TestLogOdds(t *testing.T) {
	last := math.Inf(-1)
	for _, p := range []result.Number{0.001, 0.01, 0.1, 0.5, 0.9, 0.999} {
		if logOdds(p) <= last {
			t.Errorf("logOdds(%v) does not grow", p)
		}
		last = logOdds(p)
	}
	if logOdds(0) != logOdds(leastDrawn) || math.Abs(logOdds(0.5)) > 1e-12 || math.IsInf(logOdds(1), 0) {
		t.Error("the ends or the middle of the scale are wrong")
	}
}
