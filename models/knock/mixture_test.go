package knock

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The tabulated mixture against the distributions themselves, and what a row makes of it against what it makes without.
func TestMixtureTable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tail := rapid.Float64Range(0.01, 0.5).Draw(t, "tail")
		slow := residual{sd: 1.3, inv: 1 / 1.3, share: 0.02, tail: tail}
		quick := slow
		quick.mix = mixtureOf(tail)
		z := rapid.Float64Range(mixtureLow+0.01, mixtureEnd-0.01).Draw(t, "z")
		cum, density := quick.mix.both(z)
		exact := (1-tail)*pdf(z) + tail*pdf(z/TailScale)/TailScale
		if math.Abs(cum-slow.below(z)) > 2e-10 || math.Abs(density-exact) > 2e-10 {
			t.Fatalf("at %g: %.12g, %.12g, want %.12g, %.12g", z, cum, density, slow.below(z), exact)
		}
		width := rapid.Float64Range(0.05, 6).Draw(t, "width")
		for _, r := range []row{
			{kind: clean, lower: z, detect: 0.8},
			{kind: interval, lower: z, upper: z + width, detect: 0.8, falsely: 0.1},
			{kind: interval, lower: math.Inf(-1), upper: z, detect: 0.8, falsely: 0.1},
		} {
			a, aEta, aSD, aShare := r.score(0, &quick)
			b, bEta, bSD, bShare := r.score(0, &slow)
			for i, d := range [][2]float64{{a, b}, {aEta, bEta}, {aSD, bSD}, {aShare, bShare}} {
				if math.Abs(d[0]-d[1]) > 1e-4*math.Abs(d[1])+1e-6 {
					t.Fatalf("%+v, number %d: %.9g, without the table %.9g", r, i, d[0], d[1])
				}
			}
		}
	})
}
