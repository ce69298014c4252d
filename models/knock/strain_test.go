package knock

import (
	"math"
	"math/rand/v2"
	"testing"
)

const ownLambda = -8 // of ownMean

// lambdaFleet is a fleet of the fitted model whose limit moves by so many degrees a unit of lambda.
func lambdaFleet(seed uint64, slope float64) []Car {
	cars := ownFleet(rand.New(rand.NewPCG(seed, 41)), 20, 8, 8)
	for c := range cars {
		for p := range cars[c].Pulls {
			for i := range cars[c].Pulls[p].Cells {
				cell := &cars[c].Pulls[p].Cells[i]
				by := (slope - ownLambda) * cell.Z[Lambda]
				cell.Lower += by
				cell.Upper += by
			}
		}
	}
	return cars
}

// Physics gives a slope its sign: rows that show the other one do not turn it round, and are told of.
func TestNoFitTurnsPhysicsRound(t *testing.T) {
	for _, slope := range []float64{40, 20} {
		m, err := Fit(lambdaFleet(1, slope), ownPrior(), Options{})
		if err != nil || !m.Converged {
			t.Fatal(err, m.Warnings)
		}
		fitted, _ := m.Slope(Lambda)
		show := m.Shown[Lambda]
		if !(fitted < 0) || !(show.Slope > 0) || !(show.Chance < 0.001) {
			t.Errorf("true %+g, fitted %+.1f, shown %+.1f ± %.1f (chance %.2g)", slope, fitted, show.Slope, show.SD,
				show.Chance)
		}
	}
}

// What rows show alone is right where physics is not, and seldom odd where it is.
func TestShownIsTheRowsAlone(t *testing.T) {
	const fleets = 20
	odd, sum := 0, 0.0
	for seed := range uint64(fleets) {
		m, err := Fit(lambdaFleet(seed+2, ownLambda), ownPrior(), Options{})
		if err != nil || !m.Converged {
			t.Fatal(err, m.Warnings)
		}
		show := m.Shown[Lambda]
		z := (show.Slope - ownLambda) / show.SD
		sum += z * z
		if show.Chance < 0.05 {
			odd++
		}
	}
	// χ² of 20 degrees of freedom: 37.6 at 1 %.
	if sum > 37.6 || odd > 4 {
		t.Errorf("errors %.1f of %d expected, %d fleets odd at 5 %%", sum, fleets, odd)
	}
}

// The prior predictive chance by its closed form, where the prior is narrow and so nearly normal.
func TestPredictiveOfANarrowPrior(t *testing.T) {
	for _, off := range []float64{0, 0.5, -1, 2} {
		got := predictive(-10, 0.01, Shown{Slope: -10 + off, SD: 1})
		want := math.Erfc(math.Abs(off) / math.Sqrt(1+0.01) / math.Sqrt2)
		if math.Abs(got-want) > 0.01 {
			t.Errorf("%g off: %.4f, want %.4f", off, got, want)
		}
	}
}
