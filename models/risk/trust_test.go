package risk

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// sure is a problem whose chance is known: one state, no parameters.
func sure(chance float64, trust Trust) Problem {
	return Problem{States: []State{{Margin: -distuv.UnitNormal.Quantile(chance)}}, CellSD: 1, Trust: trust}
}

// A known chance of log odds ℓ, off by σ, has quantiles at the logistic of ℓ ± 1.645 σ and a mean that a fine trapezium
// rule gives (the logit-normal distribution: Atchison and Shen, Biometrika 67, 1980).
func TestTrustSpreads(t *testing.T) {
	for _, c := range []struct{ chance, shift, sd float64 }{{0.02, 0, 0.5}, {0.3, -0.4, 1}, {0.9, 0.7, 0.2}} {
		r, err := Evaluate(sure(c.chance, Trust{Shift: c.shift, SD: c.sd}), 64, 3)
		if err != nil {
			t.Fatal(err)
		}
		odds := math.Log(c.chance/(1-c.chance)) + c.shift
		mean, step := 0.0, 1e-3
		for z := -8.0; z <= 8; z += step {
			mean += step * distuv.UnitNormal.Prob(z) / (1 + math.Exp(-odds-c.sd*z))
		}
		for _, x := range []struct {
			what      string
			got, want float64
		}{
			{"mean", r.Probability, mean},
			{"low", r.Low, 1 / (1 + math.Exp(-odds+1.645*c.sd))},
			{"high", r.High, 1 / (1 + math.Exp(-odds-1.645*c.sd))},
		} {
			if math.Abs(x.got-x.want) > 0.03*x.want {
				t.Errorf("%+v: %s %.4f, want %.4f", c, x.what, x.got, x.want)
			}
		}
	}
}

// No chance is called impossible or certain: with a Beta(½, 499½) of contrary cases a state far inside its limit has
// the Beta's mean and its 95 % quantile, which SciPy gives as 0.003843 (beta.ppf(0.95, 0.5, 499.5)).
func TestNothingIsCertain(t *testing.T) {
	trust := Trust{SD: 0.5, Contrary: Beta{Seen: 0.5, Of: 500}}
	for margin, want := range map[float64][3]float64{60: {0, 0.001, 0.003843}, -60: {1 - 0.003843, 0.999, 1}} {
		p := Problem{States: []State{{Margin: margin, Grad: []float64{1}}}, Cov: mat.NewSymDense(1, []float64{1}),
			CellSD: 1, Trust: trust}
		r, err := Evaluate(p, 128, 1)
		if err != nil {
			t.Fatal(err)
		}
		for i, got := range []float64{r.Low, r.Probability, r.High} {
			if math.Abs(got-want[i]) > 3e-4 {
				t.Errorf("margin %g: %.5f, want %.5f", margin, got, want[i])
			}
		}
		if r.Low == 0 && r.High == 0 || r.Low == 1 && r.High == 1 {
			t.Errorf("margin %g: [%g, %g]", margin, r.Low, r.High)
		}
	}
}

// Trust keeps the order of chances: what is likelier before is likelier after, at each draw.
func TestTrustKeepsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		trust := Trust{Shift: rapid.Float64Range(-2, 2).Draw(t, "shift"), SD: rapid.Float64Range(0, 2).Draw(t, "sd"),
			Contrary: Beta{0.5, rapid.Float64Range(2, 1e4).Draw(t, "of")}}
		a := rapid.Float64Range(1e-6, 0.999).Draw(t, "a")
		b := rapid.Float64Range(a, 1).Draw(t, "b")
		r, err := EvaluateMany([]Problem{sure(a, trust), sure(math.Min(b, 1-1e-9), trust)}, 16, 5)
		if err != nil {
			t.Fatal(err)
		}
		for d := range r[0].Draws {
			if r[1].Draws[d] < r[0].Draws[d]-1e-12 {
				t.Fatalf("draw %d: %g of %g and %g of %g", d, r[0].Draws[d], a, r[1].Draws[d], b)
			}
		}
	})
}

// What is learned from outcomes that the prior made foretells the next one: of 120 fleets, each with its own shift and
// spread of log odds and 25 revisions of 12 pulls, the shift of a revision to come lies in the 90 % interval in 90 % of
// them, give or take four Monte-Carlo errors.
func TestLearnForetells(t *testing.T) {
	prior := TrustPrior{Shift: 0.6, Between: 0.5, Contrary: Beta{0.5, 500}, Certain: 0.01}
	rng := rand.New(rand.NewPCG(7, 9))
	const fleets = 120
	held, bias := 0.0, 0.0
	for range fleets {
		shift, tau := prior.Shift*rng.NormFloat64(), math.Abs(prior.Between*rng.NormFloat64())
		var of []Outcome
		for range 25 {
			p := math.Exp(-4.5 * rng.Float64())
			odds := math.Log(p/(1-p)) + shift + tau*rng.NormFloat64()
			o := Outcome{Draws: []float64{p, p}, Pulls: 12}
			for range o.Pulls {
				if rng.Float64() < 1/(1+math.Exp(-odds)) {
					o.Crossed++
				}
			}
			of = append(of, o)
		}
		got, err := prior.Learn(of)
		if err != nil {
			t.Fatal(err)
		}
		if next := shift + tau*rng.NormFloat64(); math.Abs(next-got.Shift) < 1.645*got.SD {
			held++
		}
		bias += (got.Shift - shift) / fleets
	}
	if share := held / fleets; math.Abs(share-0.9) > 4*math.Sqrt(0.9*0.1/fleets) {
		t.Errorf("90 %% intervals hold %.3f", share)
	}
	if math.Abs(bias) > 0.06 {
		t.Errorf("shifts are %.3f off on average", bias)
	}
}

// Twenty revisions called impossible of which one crossed in half of its pulls, by hand: Beta(0.5 + 0.5, 20 more).
func TestLearnContrary(t *testing.T) {
	prior := TrustPrior{Shift: 0.3, Between: 0.4, Contrary: Beta{0.5, 500}, Certain: 0.01}
	of := make([]Outcome, 20)
	for i := range of {
		of[i] = Outcome{Draws: []float64{0, 0.001}, Pulls: 10}
	}
	of[3].Crossed = 5
	got, err := prior.Learn(of)
	if err != nil || got.Contrary != (Beta{1, 520}) {
		t.Errorf("%+v, %v", got, err)
	}
	if none, err := prior.Learn(nil); err != nil || none != prior.Before() {
		t.Errorf("without outcomes %+v, %v", none, err)
	}
	if _, err := prior.Learn([]Outcome{{Pulls: 1}}); err == nil {
		t.Error("an outcome without a chance was taken")
	}
}
