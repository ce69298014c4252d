package risk

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// With nothing in common between the pulls of a day a use of n pulls is n independent trials: 1 − (1 − p)ⁿ. With all of
// the pull effect in common and no residual a day crosses as a pull does, however many pulls it has: 1 − (1 − p)^days.
func TestUseLimits(t *testing.T) {
	const chance = 0.03
	apart := sure(chance, Trust{})
	same := Problem{States: apart.States, PullSD: 1, DaySD: 1}
	for _, u := range []Use{{1, 1}, {1, 40}, {5, 4}} {
		for _, c := range []struct {
			what string
			p    Problem
			n    int
			tol  float64
		}{{"apart", apart, u.Days * u.Pulls, 1e-5}, {"in common", same, u.Days, 0.4}} {
			got, err := OverUse(c.p, []Use{u}, 8, 1)
			if err != nil {
				t.Fatal(err)
			}
			want := 1 - math.Pow(1-chance, float64(c.n))
			if math.Abs(got[0].Probability-want) > c.tol*want+1e-9 {
				t.Errorf("%s, %+v: %.5f, want %.5f", c.what, u, got[0].Probability, want)
			}
		}
	}
}

// simulateUse is the share of simulated uses with a crossing: parameters, days, pulls and cells drawn one by one.
func simulateUse(p Problem, u Use, n int, rng *rand.Rand) float64 {
	pulls := map[int][]State{}
	for _, s := range p.States {
		pulls[s.Pull] = append(pulls[s.Pull], s)
	}
	sd, within := math.Sqrt(p.Cov.At(0, 0)), math.Sqrt(p.PullSD*p.PullSD-p.DaySD*p.DaySD)
	crossed := 0
	for range n {
		theta, hit := sd*rng.NormFloat64(), false
		for range u.Days {
			day, kind := p.DaySD*rng.NormFloat64(), pulls[rng.IntN(len(pulls))]
			for range u.Pulls {
				pull := within * rng.NormFloat64()
				for _, s := range kind {
					hit = hit || s.Margin+s.Grad[0]*theta+day+pull+p.CellSD*rng.NormFloat64() < 0
				}
			}
		}
		if hit {
			crossed++
		}
	}
	return float64(crossed) / float64(n)
}

// The chance over a use is what drawing everything one by one gives, within five Monte-Carlo errors and a hundredth.
func TestUseIsWhatHappens(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	p := Problem{Cov: mat.NewSymDense(1, []float64{0.3}), PullSD: 0.8, DaySD: 0.5, CellSD: 0.4}
	for pull := range 6 {
		for cell := range 3 {
			p.States = append(p.States, State{Pull: pull, Cell: cell, Margin: 2 + 0.4*rng.NormFloat64(),
				Grad: []float64{1}})
		}
	}
	uses := []Use{{1, 1}, {1, 40}, {12, 3}}
	got, err := OverUse(p, uses, 512, 1)
	if err != nil {
		t.Fatal(err)
	}
	const n = 20000
	for i, u := range uses {
		want := simulateUse(p, u, n, rng)
		if tolerance := 5*math.Sqrt(want*(1-want)/n) + 0.01; math.Abs(got[i].Probability-want) > tolerance {
			t.Errorf("%+v: %.4f, drawn one by one %.4f", u, got[i].Probability, want)
		}
	}
	one, err := Evaluate(p, 512, 1)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(one.Probability-got[0].Probability) > 0.005 {
		t.Errorf("one pull %.4f, a use of one pull %.4f", one.Probability, got[0].Probability)
	}
}

// More driving is never less likely to cross, and what days have in common never makes a day likelier to cross.
func TestUseGrows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := sure(rapid.Float64Range(1e-4, 0.5).Draw(t, "chance"), Trust{})
		p.PullSD = rapid.Float64Range(0, 1).Draw(t, "pull")
		p.States[0].Margin = -distuv.UnitNormal.Quantile(0.02) * math.Hypot(1, p.PullSD)
		d, n := rapid.IntRange(1, 20).Draw(t, "days"), rapid.IntRange(1, 40).Draw(t, "pulls")
		uses := []Use{{d, n}, {d + 1, n}, {d, n + 1}}
		apart, err := OverUse(p, uses, 4, 1)
		if err != nil {
			t.Fatal(err)
		}
		p.DaySD = p.PullSD * rapid.Float64Range(0, 1).Draw(t, "day")
		common, err := OverUse(p, uses, 4, 1)
		if err != nil {
			t.Fatal(err)
		}
		if apart[1].Probability < apart[0].Probability || apart[2].Probability < apart[0].Probability {
			t.Fatalf("%v over %v", apart, uses)
		}
		if common[0].Probability > apart[0].Probability+0.02 {
			t.Fatalf("%v with days in common, %v without", common, apart)
		}
	})
}
