package state

import (
	"math"
	"testing"

	"headroom/internal/workspace"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// withBurn is the example platform with another burn section.
func withBurn(t *testing.T, burn *workspace.Burn, change func(p *workspace.Platform)) *Platform {
	t.Helper()
	ws, err := workspace.Open("../../workspace/testdata/good")
	if err != nil {
		t.Fatal(err)
	}
	p := *ws.Platforms["kestrel-20t"]
	p.Burn = burn
	change(&p)
	return NewPlatform(ws, &p)
}

func burnAt(lag, duration float64, known workspace.Known) *workspace.Burn {
	return &workspace.Burn{SpeedRPM: 3000, AbsoluteLoad: 150, Lambda: 0.88, SparkDeg: 8, IgnitionLagDeg: lag,
		DurationDeg: duration, Known: known}
}

func asIs(*workspace.Platform) {}

// Measured angles stand as they are stated; others are drawn towards a usual engine's, the more the less they are known
// (precision-weighted means: Gelman and others, Bayesian Data Analysis, 2013, eq. 2.10); without a section the usual
// engine's stand with their whole spread. The reference point is the usual one, so no scaling enters.
func TestBelievedBurn(t *testing.T) {
	usual := usualBurn(workspace.Engine{Injection: "direct", Induction: "turbo"})
	for _, c := range []struct {
		known         workspace.Known
		lag, duration float64 // share of the file's say
		lagSD         float64
	}{
		{workspace.Measured, 1, 1, 0.5},
		{workspace.Handbook, 0.5, 0.5, 3 / math.Sqrt2},
		{workspace.Guess, 9 / (9 + 36.0), 81.0 / (81 + 324), 1 / math.Sqrt(1/9.0+1/36.0)},
		{"", 9 / (9 + 36.0), 81.0 / (81 + 324), 1 / math.Sqrt(1/9.0+1/36.0)},
	} {
		a := withBurn(t, burnAt(4, 40, c.known), asIs).Angles
		lag := c.lag*4 + (1-c.lag)*usual.IgnitionLagDeg
		duration := c.duration*40 + (1-c.duration)*usual.DurationDeg
		if math.Abs(a.Lag-lag) > 1e-6 || math.Abs(a.Duration-duration) > 1e-6 || math.Abs(a.LagSD-c.lagSD) > 1e-9 {
			t.Errorf("%q: %+v, want %g and %g", c.known, a, lag, duration)
		}
	}
	none := withBurn(t, nil, asIs)
	if none.Cycle == nil || none.Angles.Lag != usual.IgnitionLagDeg || none.Angles.LagSD != usualSpread.LagSD ||
		none.Angles.DurationSD != usualSpread.DurationSD {
		t.Errorf("without a burn section: %+v", none.Angles)
	}
}

// One deviation of a loose number changes combustion as a platform file does that states the number so much higher or
// lower.
func TestLoosened(t *testing.T) {
	s := loggedState()
	s.Fuel = "pump-91"
	p := withBurn(t, burnAt(8, 50, workspace.Measured), func(p *workspace.Platform) {
		p.Engine.Known = workspace.Guess
	})
	p.Simulate(&s)
	if !(s.Simulated.PeakKPa > 0) {
		t.Fatalf("not simulated: %+v", s)
	}
	moved := func(lag, duration, ratio float64) float64 {
		at := s
		withBurn(t, burnAt(lag, duration, workspace.Measured), func(p *workspace.Platform) {
			p.Engine.CompressionRatio += ratio
		}).Simulate(&at)
		return at.Simulated.PeakKPa
	}
	want := [NumLoose]float64{
		(moved(8.5, 50, 0) - moved(7.5, 50, 0)) / 2, (moved(8, 52, 0) - moved(8, 48, 0)) / 2,
		(moved(8, 50, 1) - moved(8, 50, -1)) / 2, 0,
	}
	for k, got := range p.Loosened(&s) {
		if math.Abs(got.PeakKPa-want[k]) > 1e-6*math.Abs(want[k]) {
			t.Errorf("number %d: %g kPa, want %g", k, got.PeakKPa, want[k])
		}
	}
	if !(want[0] < 0 && want[1] < 0 && want[2] > 0) {
		t.Errorf("later or slower burning, or less compression, does not lower peak pressure: %v", want)
	}
	for k, got := range withBurn(t, burnAt(8, 50, workspace.Measured), asIs).Loosened(&s) {
		if k >= 2 && got != (Simulated{}) {
			t.Errorf("number %d of a handbook engine changes combustion by %+v", k, got)
		}
	}
}

// Burn angles given an observation are those of the textbook's conditional normal distribution, here by matrices
// (Bishop, Pattern Recognition and Machine Learning, 2006, eq. 2.81 and 2.82).
func TestBurnAnglesGiven(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(low, high float64, name string) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		a := BurnAngles{Lag: 12, Duration: 55, LagSD: draw(0.1, 4, "lag sd"), DurationSD: draw(0.5, 12, "duration sd"),
			Correlation: draw(-0.9, 0.9, "correlation")}
		h := [NumLoose]float64{draw(-0.1, 0.1, "h0"), draw(-0.1, 0.1, "h1"), draw(-0.1, 0.1, "h2"), 0}
		y, variance := draw(-0.1, 0.1, "y"), draw(0.001, 0.1, "variance")
		prior := mat.NewSymDense(3, []float64{1, a.Correlation, 0, a.Correlation, 1, 0, 0, 0, 1})
		hv := mat.NewVecDense(3, h[:3])
		var ph mat.VecDense
		ph.MulVec(prior, hv)
		total := mat.Dot(hv, &ph) + variance
		var outer mat.Dense
		outer.Outer(1/total, &ph, &ph)
		var post mat.Dense
		post.Sub(prior, &outer)
		got := a.Given(y, h, variance)
		near := func(what string, got, want float64) {
			if math.Abs(got-want) > 1e-9 {
				t.Errorf("%s is %g, want %g", what, got, want)
			}
		}
		near("lag", got.Lag, a.Lag+ph.AtVec(0)/total*y*a.LagSD)
		near("duration", got.Duration, a.Duration+ph.AtVec(1)/total*y*a.DurationSD)
		near("deviation of the lag", got.LagSD, a.LagSD*math.Sqrt(post.At(0, 0)))
		near("deviation of the duration", got.DurationSD, a.DurationSD*math.Sqrt(post.At(1, 1)))
		near("correlation", got.Correlation, post.At(0, 1)/math.Sqrt(post.At(0, 0)*post.At(1, 1)))
	})
}
