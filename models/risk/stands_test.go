package risk

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// A state that stands for n visits is the same as n states: to the bit of the probability's rounding at every draw and
// in its cell's chance, and in the worst margin up to what is simulated.
func TestStands(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 8))
		one := randomProblem(rng, rapid.IntRange(1, 4).Draw(t, "pulls"), rapid.IntRange(1, 5).Draw(t, "cells"), 3)
		one.Excess = rapid.SampledFrom([]float64{0, 1.5}).Draw(t, "excess")
		many := one
		many.States = nil
		one.States = append([]State(nil), one.States...)
		for i := range one.States {
			n := rapid.IntRange(1, 4).Draw(t, "stands")
			one.States[i].Stands = float64(n)
			for range n {
				s := one.States[i]
				s.Stands = 0
				many.States = append(many.States, s)
			}
		}
		a, err := Evaluate(one, 64, 3)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Evaluate(many, 64, 3)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(a.Probability-b.Probability) > 1e-3 {
			t.Fatalf("probability %.6f, of as many states %.6f", a.Probability, b.Probability)
		}
		for i := range a.Cells {
			if math.Abs(a.Cells[i].Probability-b.Cells[i].Probability) > 1e-12 {
				t.Fatalf("cell %d: %.6f, of as many states %.6f", i, a.Cells[i].Probability, b.Cells[i].Probability)
			}
		}
		if se := a.Worst.SD / math.Sqrt(64); math.Abs(a.Worst.Mean-b.Worst.Mean) > 6*se {
			t.Fatalf("worst margin %.3f, of as many states %.3f", a.Worst.Mean, b.Worst.Mean)
		}
	})
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		if _, err := Evaluate(Problem{States: []State{{Margin: 1, Stands: bad}}, CellSD: 1}, 8, 1); err == nil {
			t.Errorf("a state that stands for %g accepted", bad)
		}
	}
}
