package value_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"headroom/models/value"
)

// Against the standard library, over all magnitudes and where formulas of engines lie.
func TestExpLn(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	exp, ln := 0.0, 0.0
	for i := range 400_000 {
		x := 1400*rng.Float64() - 700
		if i%2 == 0 {
			x = 20*rng.Float64() - 10
		}
		exp = max(exp, math.Abs(value.Exp(x)/math.Exp(x)-1))
		p := math.Exp(x)
		ln = max(ln, math.Abs(value.Ln(p)-math.Log(p))/max(1, math.Abs(math.Log(p))))
	}
	t.Logf("largest errors: exp %.2g, ln %.2g", exp, ln)
	if exp > 2e-13 || ln > 2e-13 {
		t.Errorf("exp off by %.2g of itself, ln by %.2g", exp, ln)
	}
	alike := func(got, want, slack float64) bool {
		return got == want || math.IsNaN(got) && math.IsNaN(want) || math.Abs(got-want) <= slack
	}
	for _, x := range []float64{0, 1, -1, 701, -701, 710, -746, 1e300, -1e300, math.Inf(1), math.Inf(-1), math.NaN()} {
		if got, want := value.Exp(x), math.Exp(x); !alike(got, want, 2e-13*want) {
			t.Errorf("exp of %g: %g, want %g", x, got, want)
		}
		if got, want := value.Ln(x), math.Log(x); !alike(got, want, 2e-13) {
			t.Errorf("ln of %g: %g, want %g", x, got, want)
		}
	}
}

var sink float64

func BenchmarkExp(b *testing.B) {
	b.Run("here", func(b *testing.B) {
		for b.Loop() {
			for x := -5.0; x < 5; x += 0.01 {
				sink += value.Exp(x)
			}
		}
	})
	b.Run("math", func(b *testing.B) {
		for b.Loop() {
			for x := -5.0; x < 5; x += 0.01 {
				sink += math.Exp(x)
			}
		}
	})
}

func BenchmarkLn(b *testing.B) {
	b.Run("here", func(b *testing.B) {
		for b.Loop() {
			for x := 0.01; x < 10; x += 0.01 {
				sink += value.Ln(x)
			}
		}
	})
	b.Run("math", func(b *testing.B) {
		for b.Loop() {
			for x := 0.01; x < 10; x += 0.01 {
				sink += math.Log(x)
			}
		}
	})
}
