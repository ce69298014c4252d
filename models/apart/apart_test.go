package apart

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Of normal values Qn is their standard deviation on average, of few and of many (Rousseeuw and Croux 1993).
func TestQnIsTheStandardDeviation(t *testing.T) {
	for _, n := range []int{2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 24, 61, 900} {
		r := rand.New(rand.NewPCG(1, uint64(n)))
		draws, sum := 40000/n+200, 0.0
		if n < 20 {
			draws = 60000
		}
		for range draws {
			x := make([]float64, n)
			for i := range x {
				x[i] = 3 * r.NormFloat64()
			}
			slices.Sort(x)
			sum += Qn(x)
		}
		if got := sum / float64(draws) / 3; math.Abs(got-1) > 0.02 {
			t.Errorf("of %d values %.3f of the standard deviation", n, got)
		}
	}
}

// clean draws groups of one to four readings that differ between groups by spread times what is usual.
func clean(r *rand.Rand, groups int, spread, freedom float64) [][]float64 {
	out := make([][]float64, groups)
	for i := range out {
		at := spread * tailed(r, freedom)
		for range 1 + r.IntN(4) {
			out[i] = append(out[i], 50+at+0.3*spread*tailed(r, freedom))
		}
	}
	return out
}

// tailed is a Student draw; a normal one from 100 degrees of freedom on.
func tailed(r *rand.Rand, freedom float64) float64 {
	z := r.NormFloat64()
	if freedom >= 100 {
		return z
	}
	sum := 0.0
	for range int(freedom) {
		v := r.NormFloat64()
		sum += v * v
	}
	return z / math.Sqrt(sum/freedom)
}

// calledIn reports whether any reading of a fleet is called, at a chance for the whole fleet.
func calledIn(groups [][]float64, chance float64) bool {
	s, ok := Of(groups, 1)
	tries := 0
	for _, g := range groups {
		tries += len(g)
	}
	for _, g := range groups {
		for _, x := range g {
			if ok && s.Chance(x) < chance/float64(tries) {
				return true
			}
		}
	}
	return false
}

// A chance of 0.05 of calling anything in a sound fleet is held by few groups and by many: where sound groups differ by
// as much as is usual, by twice as much, and with heavy tails.
func TestSoundGroupsAreNotCalled(t *testing.T) {
	const fleets, chance = 4000, 0.05
	for _, c := range []struct {
		spread, freedom float64
	}{{0.5, 100}, {1, 100}, {2, 100}, {1, 5}} {
		for _, n := range []int{3, 4, 6, 12, 24, 60} {
			r := rand.New(rand.NewPCG(7, uint64(n)))
			called := 0
			for range fleets {
				if calledIn(clean(r, n, c.spread, c.freedom), chance) {
					called++
				}
			}
			got := float64(called) / fleets
			t.Logf("%2d groups, spread %.1f, %3.0f degrees of freedom: %.4f", n, c.spread, c.freedom, got)
			if got > chance {
				t.Errorf("%d groups, spread %.1f: %.3f of sound fleets are called", n, c.spread, got)
			}
		}
	}
}

// A reading far off is called by three groups already, whichever group it is of, and the others are not.
func TestOneApartIsCalled(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	for _, n := range []int{3, 4, 8, 30} {
		for range 200 {
			groups := clean(r, n, 0.7, 100)
			odd := r.IntN(n)
			for i := range groups[odd] {
				groups[odd][i] += 24
			}
			s, _ := Of(groups, 1)
			for i, g := range groups {
				for _, x := range g {
					if called := s.Chance(x) < 0.05/100; called != (i == odd) {
						t.Fatalf("%d groups, group %d (odd is %d): %v of %+v, %v", n, i, odd, called, s, groups)
					}
				}
			}
		}
	}
}

// Order and unit of the readings do not matter, and nothing is said of two groups.
func TestOfProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		groups := rapid.SliceOfN(rapid.SliceOfN(rapid.Float64Range(-5, 5), 1, 4), 1, 9).Draw(t, "groups")
		s, ok := Of(groups, 1)
		if ok != (len(groups) >= Fewest) {
			t.Fatalf("%v of %d groups", ok, len(groups))
		}
		if !ok {
			return
		}
		other := make([][]float64, len(groups))
		for i, g := range groups {
			for _, v := range g {
				other[len(groups)-1-i] = append(other[len(groups)-1-i], 10+4*v)
			}
		}
		o, _ := Of(other, 4)
		x := groups[0][0]
		if math.Abs(s.Chance(x)-o.Chance(10+4*x)) > 1e-9 {
			t.Fatalf("%v, turned and scaled %v", s, o)
		}
	})
}
