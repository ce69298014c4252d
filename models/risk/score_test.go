package risk

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.12g, want %.12g", what, got, want)
	}
}

// Worked by hand. Four pulls: 0.7 and it happened (0.09), 0.3 and it happened (0.49), 1 and it happened (0), 0.5 and it
// did not (0.25): mean 0.2075. The logarithms are −ln 0.7, −ln 0.3, −ln(1−0.01) with the floor, −ln 0.5.
func TestScoresByHand(t *testing.T) {
	f := []Forecast{{0.7, 1, 1}, {0.3, 1, 1}, {1, 1, 1}, {0.5, 1, 0}}
	b, err := Brier(f)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Brier score", b, 0.2075, 1e-15)
	l, err := LogScore(f, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "log score", l, (0.356674943939+1.203972804326+0.010050335854+0.693147180560)/4, 1e-12)
	s, err := Skill(b, 0.25)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "skill", s, 0.17, 1e-15)

	// A forecast of several pulls is that many forecasts of one.
	grouped, err := Brier([]Forecast{{0.2, 5, 2}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Brier score of five pulls", grouped, (2*0.64+3*0.04)/5, 1e-15)
}

// Two bins by hand: [0, 0.2) holds 0.1 (4 pulls, 1 crossed) and 0.15 (1 pull, 0): mean 0.11, share 0.2; [0.2, 1] holds
// 1.0 (5 pulls, 4 crossed) and 0.2 (5 pulls, 2): mean 0.6, share 0.6. The error is (5·0.09 + 10·0)/15.
func TestReliabilityByHand(t *testing.T) {
	bins, err := Reliability([]Forecast{{0.1, 4, 1}, {1, 5, 4}, {0.15, 1, 0}, {0.2, 5, 2}}, []float64{0, 0.2, 1})
	if err != nil {
		t.Fatal(err)
	}
	if len(bins) != 2 || bins[0].Forecasts != 2 || bins[0].Pulls != 5 || bins[0].Crossed != 1 || bins[1].Pulls != 10 ||
		bins[1].Crossed != 6 {
		t.Fatalf("%+v", bins)
	}
	near(t, "mean", bins[0].Mean, 0.11, 1e-15)
	near(t, "share", bins[0].Share, 0.2, 1e-15)
	near(t, "mean", bins[1].Mean, 0.6, 1e-15)
	near(t, "calibration error", CalibrationError(bins), 0.03, 1e-15)
	if !math.IsNaN(CalibrationError(nil)) {
		t.Error("no pull has a calibration error")
	}
}

// Murphy (1973), equation 8: where every forecast of a bin is the same, the score is reliability less resolution plus
// uncertainty.
func TestMurphyPartition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		stated := []float64{0, 0.1, 0.4, 0.9}
		var f []Forecast
		pulls, crossed := 0.0, 0.0
		for range rapid.IntRange(1, 30).Draw(t, "forecasts") {
			n := rapid.IntRange(1, 8).Draw(t, "pulls")
			k := rapid.IntRange(0, n).Draw(t, "crossed")
			f = append(f, Forecast{rapid.SampledFrom(stated).Draw(t, "p"), n, k})
			pulls += float64(n)
			crossed += float64(k)
		}
		b, err := Brier(f)
		if err != nil {
			t.Fatal(err)
		}
		bins, err := Reliability(f, []float64{0, 0.05, 0.2, 0.5, 1})
		if err != nil {
			t.Fatal(err)
		}
		base := crossed / pulls
		want := base * (1 - base)
		for _, bin := range bins {
			w := float64(bin.Pulls) / pulls
			want += w*(bin.Mean-bin.Share)*(bin.Mean-bin.Share) - w*(bin.Share-base)*(bin.Share-base)
		}
		if math.Abs(b-want) > 1e-12 {
			t.Fatalf("score %g, its parts %g", b, want)
		}
	})
}

// Both scores are proper (Gneiting & Raftery 2007): with 40 % crossing, no other statement scores better than 0.4.
func TestProper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		other := rapid.Float64Range(0, 1).Draw(t, "p")
		for _, score := range []func(p float64) (float64, error){
			func(p float64) (float64, error) { return Brier([]Forecast{{p, 10, 4}}) },
			func(p float64) (float64, error) { return LogScore([]Forecast{{p, 10, 4}}, 1e-3) },
		} {
			honest, err := score(0.4)
			if err != nil {
				t.Fatal(err)
			}
			if got, err := score(other); err != nil || got < honest-1e-12 {
				t.Fatalf("stating %g scores %g, the truth %g (%v)", other, got, honest, err)
			}
		}
	})
}

// Against R: qbinom(c(.05,.95), 10, .5) is 2 and 8, pbinom(8,10,.5)-pbinom(1,10,.5) is 0.978515625; qbinom(c(.05,.95),
// 20, .1) is 0 and 4, pbinom(4,20,.1) is 0.9568255047. A uniform probability makes every count equally likely (Bayes
// 1763).
func TestCrossingBand(t *testing.T) {
	var uniform []float64
	for i := range 2000 {
		uniform = append(uniform, (float64(i)+0.5)/2000)
	}
	for _, c := range []struct {
		name      string
		draws     []float64
		pulls     int
		low, high int
		holds     float64
		tolerance float64
	}{
		{"one half", []float64{0.5}, 10, 2, 8, 0.978515625, 1e-9},
		{"one tenth", []float64{0.1}, 20, 0, 4, 0.9568255047, 1e-9},
		{"uniform", uniform, 39, 2, 37, 36.0 / 40, 1e-5},
		{"never", []float64{0}, 7, 0, 0, 1, 1e-12},
		{"always", []float64{1}, 7, 7, 7, 1, 1e-12},
		{"never or always", []float64{0, 1}, 7, 0, 7, 1, 1e-12},
	} {
		b, err := CrossingBand(c.draws, c.pulls)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if b.Low != c.low || b.High != c.high {
			t.Errorf("%s: %d to %d, want %d to %d", c.name, b.Low, b.High, c.low, c.high)
		}
		near(t, c.name, b.Holds, c.holds, c.tolerance)
		if !b.Holding(c.low) || b.Holding(c.high+1) || b.Holding(c.low-1) {
			t.Errorf("%s: the band does not hold what lies in it", c.name)
		}
	}
}

// The band holds a simulated count as often as it says.
func TestCrossingBandHolds(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	draws := []float64{0.02, 0.05, 0.1, 0.3, 0.35, 0.6}
	b, err := CrossingBand(draws, 12)
	if err != nil {
		t.Fatal(err)
	}
	const n = 20000
	inside := 0.0
	for range n {
		p, k := draws[rng.IntN(len(draws))], 0
		for range 12 {
			if rng.Float64() < p {
				k++
			}
		}
		if b.Holding(k) {
			inside++
		}
	}
	near(t, "share held", inside/n, b.Holds, 4*math.Sqrt(b.Holds*(1-b.Holds)/n))
}

// Groups drawn whole: with equal groups the interval is a point; with unequal ones it holds the estimate, and it is the
// same for the same source.
func TestSkillInterval(t *testing.T) {
	low, high, err := SkillInterval([]float64{1, 1, 1}, []float64{4, 4, 4}, 50, rand.New(rand.NewPCG(1, 1)))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "low", low, 0.75, 1e-15)
	near(t, "high", high, 0.75, 1e-15)
	loss, base := []float64{1, 0.2, 3, 0.5, 0}, []float64{2, 1, 2.5, 2, 0}
	low, high, err = SkillInterval(loss, base, 400, rand.New(rand.NewPCG(1, 2)))
	if err != nil {
		t.Fatal(err)
	}
	if whole := 1 - 4.7/7.5; !(low < whole && whole < high) {
		t.Errorf("%g to %g does not hold %g", low, high, whole)
	}
	if l, h, err := SkillInterval(loss, base, 400, rand.New(rand.NewPCG(1, 2))); err != nil || l != low || h != high {
		t.Errorf("again: %g to %g (%v), was %g to %g", l, h, err, low, high)
	}
}

func TestScoreErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	fine := []Forecast{{0.5, 1, 0}}
	for what, call := range map[string]func() error{
		"no forecast":       func() error { _, err := Brier(nil); return err },
		"not a probability": func() error { _, err := Brier([]Forecast{{math.NaN(), 1, 0}}); return err },
		"no pull":           func() error { _, err := LogScore([]Forecast{{0.5, 0, 0}}, 0.01); return err },
		"more than all": func() error {
			_, err := Reliability([]Forecast{{0.5, 1, 2}},
				[]float64{0, 1})
			return err
		},
		"floor":           func() error { _, err := LogScore(fine, 0); return err },
		"edges":           func() error { _, err := Reliability(fine, []float64{0, 0.5}); return err },
		"edges that fall": func() error { _, err := Reliability(fine, []float64{0, 0.5, 0.4, 1}); return err },
		"reference zero":  func() error { _, err := Skill(0.1, 0); return err },
		"one group": func() error {
			_, _, err := SkillInterval([]float64{1}, []float64{1}, 9, rng)
			return err
		},
		"reference all zero": func() error {
			_, _, err := SkillInterval([]float64{1, 1}, []float64{0, 0}, 9, rng)
			return err
		},
		"negative loss": func() error {
			_, _, err := SkillInterval([]float64{-1, 1}, []float64{1, 1}, 9, rng)
			return err
		},
		"no draw":             func() error { _, err := CrossingBand(nil, 3); return err },
		"draw of two":         func() error { _, err := CrossingBand([]float64{2}, 3); return err },
		"band without a pull": func() error { _, err := CrossingBand([]float64{0.1}, 0); return err },
	} {
		if call() == nil {
			t.Errorf("%s was accepted", what)
		}
	}
}
