package runlog

import (
	"math"
	"math/rand/v2"
	"testing"

	"headroom/models/channel"
)

// laggedRun is an invented signal and a delayed, scaled and noisy copy of it.
func laggedRun(rng *rand.Rand, n int, dt, lag, noise float64) *Run {
	var amp, freq, phase [12]float64
	for k := range amp {
		amp[k], freq[k], phase[k] = rng.NormFloat64(), 0.1+1.4*rng.Float64(), 6.28*rng.Float64()
	}
	signal := func(at float64) float64 {
		s := 0.0
		for k := range amp {
			s += amp[k] * math.Sin(freq[k]*at+phase[k])
		}
		return s
	}
	r := &Run{SampleInterval: dt}
	a, b := make([]float64, n), make([]float64, n)
	for i := range n {
		at := float64(i) * dt
		r.Time = append(r.Time, at)
		a[i] = 1 + 0.05*signal(at)
		b[i] = 1 - 0.04*signal(at-lag) + noise*rng.NormFloat64()
	}
	r.Series = []Series{{Channel: channel.LambdaCommanded, Values: a}, {Channel: channel.Lambda, Values: b}}
	return r
}

// TestLagAgainstKnownDelays simulates known delays: the estimate must be within three stated uncertainties nearly
// always, and close to the truth on average.
func TestLagAgainstKnownDelays(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	inside, n, bias := 0, 0, 0.0
	for range 60 {
		lag := 1.5 * rng.Float64()
		got, err := EstimateLag(laggedRun(rng, 600, 0.1, lag, 0.004), channel.LambdaCommanded, channel.Lambda)
		if err != nil {
			t.Fatal(err)
		}
		n++
		bias += got.Seconds - lag
		if math.Abs(got.Seconds-lag) <= 2*got.Uncertainty {
			inside++
		}
		if got.Correlation > 0 {
			t.Errorf("correlation %v of an inverted copy", got.Correlation)
		}
	}
	t.Logf("%d of %d delays within two standard uncertainties, mean error %.4f s", inside, n, bias/float64(n))
	if inside < 54 || math.Abs(bias/float64(n)) > 0.02 {
		t.Errorf("%d of %d within two standard uncertainties, mean error %v s", inside, n, bias/float64(n))
	}
}

func TestLagRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	r := laggedRun(rng, 400, 0.1, 0.5, 0)
	if _, err := EstimateLag(r, channel.LambdaCommanded, channel.Torque); err == nil {
		t.Error("a channel that is not there has a lag")
	}
	for i := range r.Series[1].Values {
		r.Series[1].Values[i] = rng.NormFloat64()
	}
	if l, err := EstimateLag(r, channel.LambdaCommanded, channel.Lambda); err == nil {
		t.Errorf("noise has a lag: %+v", l)
	}
	if _, err := EstimateLag(laggedRun(rng, 20, 0.1, 0.5, 0), channel.LambdaCommanded, channel.Lambda); err == nil {
		t.Error("20 samples have a lag")
	}
	for i := range r.Series[1].Values {
		r.Series[1].Values[i] = 1
	}
	if _, err := EstimateLag(r, channel.LambdaCommanded, channel.Lambda); err == nil {
		t.Error("a constant has a lag")
	}
}
