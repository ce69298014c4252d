package knock

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// The control law itself, cycle by cycle at one limit and one commanded spark, sampled at any rate: whatever the number
// of steps between two samples, the limit lies below the upper bound, and the interval is never wider than a step.
func TestBoundsHoldTheLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 9))
		step := rapid.Float64Range(0.5, 3).Draw(t, "step")
		recovers := rapid.Float64Range(0, 2).Draw(t, "recovery")
		interval := rapid.Float64Range(0.02, 1).Draw(t, "interval")
		over := rapid.Float64Range(-1, 6).Draw(t, "spark above the limit")
		const limit, dt, hears = 15.0, 0.03, 0.5
		commanded := limit + over
		retard, before, next := 0.0, 0.0, interval
		for now := 0.0; now < 6; now += dt {
			if commanded-retard > limit && rng.Float64() < hears {
				retard += step
			} else {
				retard = math.Max(0, retard-recovers*dt)
			}
			if now < next {
				continue
			}
			next += interval
			if retard-before > visibleShare*step {
				r := Rise{Before: commanded - before, After: commanded - retard, RetardBefore: before,
					CleanSpark: math.NaN()}
				lower, upper := r.Bounds(interval, step, recovers)
				if !(upper > limit-1e-9) {
					t.Fatalf("limit %g is not below %g", limit, upper)
				}
				if width := upper - lower; !(width > 0 && width <= step+1e-9) {
					t.Fatalf("%g° wide for a step of %g°", width, step)
				}
			}
			before = retard
		}
	})
}

// What one false event and several steps of knock look like.
func TestStepsAndFalseShare(t *testing.T) {
	for _, c := range []struct {
		rise, step float64
		want       int
	}{{1.5, 1.5, 1}, {1.1, 1.5, 1}, {4.3, 1.5, 3}, {0.4, 1.5, 1}, {math.NaN(), 1.5, 1}, {4, 0, 1}} {
		if got := StepsOf(c.rise, c.step); got != c.want {
			t.Errorf("a rise of %g° in steps of %g°: %d, want %d", c.rise, c.step, got, c.want)
		}
	}
	// At 4800 rpm four cycles take 0.1 s.
	for _, c := range []struct{ interval, dwell, want float64 }{
		{0.1, 1, 0.2}, {0.02, 0.6, 0.2}, {0.5, 0.6, 1}, {1, 0.5, 1}, {0, 1, 1}, {0.1, math.NaN(), 1},
	} {
		if got := FalseShare(c.interval, 4800, c.dwell); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("a sample every %g s of %g s: %g, want %g", c.interval, c.dwell, got, c.want)
		}
	}
}
