package risk_test

import (
	"fmt"
	"log"

	"gonum.org/v1/gonum/mat"

	"headroom/models/risk"
)

// A car's pulls under a new calibration: each visits three cells, and in each the margin to the limit is expected to be
// so many degrees. What every margin shares is the car's own offset, known to ±0.8°; from pull to pull all margins of
// a pull move together by 0.7°, and each cell strays by 1° of its own.
func ExampleEvaluate() {
	p := risk.Problem{Cov: mat.NewSymDense(1, []float64{0.8 * 0.8}), PullSD: 0.7, CellSD: 1}
	for pull, shift := range []float64{-0.3, 0, 0.4} { // the weather of three logged pulls
		for cell, margin := range []float64{4.5, 2.2, 3.4} {
			p.States = append(p.States, risk.State{Pull: pull, Cell: cell, Margin: margin + shift, Grad: []float64{1}})
		}
	}
	r, err := risk.Evaluate(p, 0, 1)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("a pull crosses with chance %.2f, 90 %% interval %.2f to %.2f\n", r.Probability, r.Low, r.High)
	for _, c := range r.Cells {
		fmt.Printf("cell %d: margin %.1f ± %.1f, crosses in %.1f %% of visits\n", c.Cell, c.Margin.Mean, c.Margin.SD,
			100*c.PerVisit)
	}
	// Output:
	// a pull crosses with chance 0.07, 90 % interval 0.00 to 0.25
	// cell 0: margin 4.5 ± 1.5, crosses in 0.1 % of visits
	// cell 1: margin 2.2 ± 1.5, crosses in 6.7 % of visits
	// cell 2: margin 3.4 ± 1.5, crosses in 1.0 % of visits
}

// Two calibrations are compared at the same draws of what is not known, so that they can be set against each other draw
// by draw: however uncertain both chances are, the revision is the worse one.
func ExampleEvaluateMany() {
	problem := func(margin float64) risk.Problem {
		return risk.Problem{States: []risk.State{{Margin: margin, Grad: []float64{1}}},
			Cov: mat.NewSymDense(1, []float64{1}), CellSD: 1}
	}
	r, err := risk.EvaluateMany([]risk.Problem{problem(3), problem(2.5)}, 0, 1)
	if err != nil {
		log.Fatal(err)
	}
	low, high := risk.Difference(r[0], r[1])
	fmt.Printf("parent %.3f, revision %.3f, difference %.3f to %.3f\n", r[0].Probability, r[1].Probability, low, high)
	fmt.Printf("the revision is worse at %.0f %% of the draws\n", 100*risk.Worse(r[0], r[1]))
	// Output:
	// parent 0.017, revision 0.039, difference 0.000 to 0.106
	// the revision is worse at 100 % of the draws
}

// Which finding first? A rare crossing of a grave limit can outweigh a frequent one of a mild limit; the weights are
// the caller's.
func ExampleRank() {
	names := []string{"charge temperature", "mixture too lean", "injector duty"}
	order, err := risk.Rank([]risk.Finding{
		{Weight: 3, Probability: 0.10, Margin: 4, MarginSD: 3},
		{Weight: 30, Probability: 0.02, Margin: 0.04, MarginSD: 0.02},
		{Weight: 10, Probability: 0.01, Margin: 6, MarginSD: 2.5},
	})
	if err != nil {
		log.Fatal(err)
	}
	for _, i := range order {
		fmt.Println(names[i])
	}
	// Output:
	// mixture too lean
	// charge temperature
	// injector duty
}

// What should be logged next? The margin depends on a level and on a slope over charge; pulls at high charge tell more
// of it than as many at low charge.
func ExampleNextPulls() {
	cov := mat.NewSymDense(2, []float64{0.5, 0, 0, 4})
	margin := []risk.Binding{{Grad: []float64{1, 0.8}, Weight: 1}}
	gains, err := risk.NextPulls(cov, margin, []risk.Candidate{
		{Design: []float64{1, 0}, NoiseSD: 1, Count: 5},
		{Design: []float64{1, 0.8}, NoiseSD: 1, Count: 5},
	})
	if err != nil {
		log.Fatal(err)
	}
	for _, g := range gains {
		fmt.Printf("candidate %d takes %.0f %% of the margin's variance away\n", g.Candidate, 100*g.Share)
	}
	// Output:
	// candidate 1 takes 94 % of the margin's variance away
	// candidate 0 takes 12 % of the margin's variance away
}

// How good were stated chances? Four forecasts of ten pulls each and what came of them.
func ExampleBrier() {
	f := []risk.Forecast{{Probability: 0.05, Pulls: 10, Crossed: 0}, {Probability: 0.1, Pulls: 10, Crossed: 2},
		{Probability: 0.4, Pulls: 10, Crossed: 3}, {Probability: 0.9, Pulls: 10, Crossed: 9}}
	b, err := risk.Brier(f)
	if err != nil {
		log.Fatal(err)
	}
	bins, err := risk.Reliability(f, []float64{0, 0.2, 0.6, 1})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("Brier score %.3f, calibration error %.3f\n", b, risk.CalibrationError(bins))
	for _, bin := range bins {
		fmt.Printf("stated %.2f, happened %.2f in %d pulls\n", bin.Mean, bin.Share, bin.Pulls)
	}
	// Output:
	// Brier score 0.121, calibration error 0.038
	// stated 0.07, happened 0.10 in 20 pulls
	// stated 0.40, happened 0.30 in 10 pulls
	// stated 0.90, happened 0.90 in 10 pulls
}
