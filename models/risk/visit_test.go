package risk

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// One visit in closed form is what sampling the parameters of a pull of one state comes to.
func TestOneVisitIsAPullOfOneState(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		p := Problem{Cov: identity(2), PullSD: draw("pull", 0, 2), CellSD: draw("cell", 0.2, 2),
			Excess: draw("excess", 0, 2), TailShare: draw("tails", 0, 0.2), TailScale: 3}
		s := State{Margin: draw("margin", -4, 6), Grad: []float64{draw("first", -1.5, 1.5), draw("second", -1, 1)}}
		one, err := OneVisit(p, s)
		if err != nil {
			t.Fatal(err)
		}
		p.States = []State{s}
		many, err := Evaluate(p, 1024, 3)
		if err != nil {
			t.Fatal(err)
		}
		for _, pair := range [][2]float64{{one.Probability, many.Probability}, {one.Low, many.Low},
			{one.High, many.High}} {
			if math.Abs(pair[0]-pair[1]) > 0.02 {
				t.Fatalf("%+v: %+v, sampled %.4f [%.4f, %.4f]", s, one, many.Probability, many.Low, many.High)
			}
		}
		if c := many.Cells[0].Margin; math.Abs(one.Margin.SD-c.SD) > 1e-9 || one.Margin.Mean != c.Mean {
			t.Fatalf("margin %+v, of the cell %+v", one.Margin, c)
		}
	})
}

// The closed form given by hand: Φ(−1.5/√(1 + 0.5² + 1²)) = Φ(−1) for a margin of 1.5, deviations 1, 0.5 and 1.
func TestOneVisitByHand(t *testing.T) {
	p := Problem{Cov: identity(1), PullSD: 0.5, CellSD: 1}
	one, err := OneVisit(p, State{Margin: 1.5, Grad: []float64{1}})
	if err != nil || math.Abs(one.Probability-normal(-1)) > 1e-12 ||
		math.Abs(one.High-normal(-(1.5-1.6448536)/math.Hypot(1, 0.5))) > 1e-6 {
		t.Errorf("%+v, %v", one, err)
	}
	if _, err := OneVisit(p, State{Margin: math.NaN(), Grad: []float64{1}}); err == nil {
		t.Error("a margin that is not known gives a chance")
	}
}
