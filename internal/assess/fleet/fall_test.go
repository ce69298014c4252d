package fleet

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// path draws what a channel does over one visit to a cell, at steps of fineStep.
type path func(rng *rand.Rand, out []float64)

const (
	fineStep = 0.05 // s
	inCell   = 32   // steps
)

// walkPath is a random walk of deviation 1 over a second.
func walkPath(rng *rand.Rand, out []float64) {
	v := 0.0
	for i := range out {
		out[i] = v
		v += math.Sqrt(fineStep) * rng.NormFloat64()
	}
}

// revertingPath is an Ornstein–Uhlenbeck process of deviation 1 and time constant 0.4 s, by its exact transition.
func revertingPath(rng *rand.Rand, out []float64) {
	const fade = 0.8824969025845955 // exp(−0.05/0.4)
	v := rng.NormFloat64()
	for i := range out {
		out[i] = v
		v = fade*v + math.Sqrt(1-fade*fade)*rng.NormFloat64()
	}
}

// noisePath is independent noise.
func noisePath(rng *rand.Rand, out []float64) {
	for i := range out {
		out[i] = rng.NormFloat64()
	}
}

// risingPath rises by 1 a second.
func risingPath(_ *rand.Rand, out []float64) {
	for i := range out {
		out[i] = fineStep * float64(i)
	}
}

// thinnedMax is the largest of every so many values from one on.
func thinnedMax(of []float64, from, every int) float64 {
	most := math.Inf(-1)
	for i := from; i < len(of); i += every {
		most = math.Max(most, of[i])
	}
	return most
}

// expectedFall is how far the mean extreme of a path falls from steps of fineStep to larger ones, over 100 000 paths.
func expectedFall(p path, every int) float64 {
	rng := rand.New(rand.NewPCG(99, uint64(every)))
	const n = 100_000
	values := make([]float64, inCell)
	sum := 0.0
	for range n {
		p(rng, values)
		sum += thinnedMax(values, 0, 1) - thinnedMax(values, rng.IntN(every), every)
	}
	return sum / n
}

// shownBy are rows of 20 cars whose logs, one sample each base steps, were thinned to one of three intervals.
func shownBy(p path, base int, thin ...int) (out []fallShown) {
	rng := rand.New(rand.NewPCG(7, uint64(base)))
	values := make([]float64, inCell)
	for i := range 4000 {
		p(rng, values)
		every := thin[i%len(thin)]
		from := rng.IntN(base)
		out = append(out, fallShown{car: fmt.Sprint(i % 20), from: float64(base) * fineStep,
			to:   float64(every) * fineStep,
			fall: thinnedMax(values, from, base) - thinnedMax(values, from+base*rng.IntN(every/base), every)})
	}
	return out
}

// The fall of extremes with the interval between samples, learned from thinned logs, is what simulation of the process
// says it is, for a process that wanders, one that reverts, noise and a trend; for the trend it is half the interval.
func TestFall(t *testing.T) {
	for name, p := range map[string]path{"walk": walkPath, "reverting": revertingPath, "noise": noisePath,
		"rising": risingPath} {
		f := fitFall(shownBy(p, 1, 2, 4, 10), 0)
		if f.Cars != 20 || f.Rows != 4000 {
			t.Errorf("%s: %+v", name, f)
		}
		for _, every := range []int{2, 4, 10} {
			want, got := expectedFall(p, every), f.At(float64(every)*fineStep)
			if math.Abs(got-want) > 0.12*want+0.02 {
				t.Errorf("%s, every %d: %.4f, simulated %.4f (%+v)", name, every, got, want, f)
			}
		}
		if f.At(fineStep) != 0 || f.At(0.01) != 0 || f.At(math.NaN()) != 0 {
			t.Errorf("%s: a fine log misses something", name)
		}
	}
	f := fitFall(shownBy(risingPath, 1, 2, 4, 10), 0)
	if got, want := f.At(0.5), (0.5-fineStep)/2; math.Abs(got-want) > 0.1*want {
		t.Errorf("a trend: %.4f, is %.4f", got, want)
	}
}

// What is published of a walk is what simulation shows between its ends (see walkGap).
func TestWalkGap(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	values := make([]float64, 32*inCell+1)
	sum := 0.0
	const n = 10_000
	for range n {
		walkPath(rng, values)
		sum += thinnedMax(values, 0, 1) - thinnedMax(values, 0, 4)
	}
	if got, want := sum/n, walkGap*(math.Sqrt(4*fineStep)-math.Sqrt(fineStep)); math.Abs(got-want) > 0.05*want {
		t.Errorf("%.4f, published %.4f", got, want)
	}
}

// A fleet without a fast log tells the fall from its slow logs thinned further, and errs towards more, two and a half
// times at most: 2 Hz logs thinned to 1 Hz. Where hardly a car tells, the walk that steps between cells make stands,
// and more where that is shown.
func TestFallOfSlowFleets(t *testing.T) {
	for name, p := range map[string]path{"walk": walkPath, "reverting": revertingPath, "noise": noisePath,
		"rising": risingPath} {
		want, got := expectedFall(p, 10), fitFall(shownBy(p, 10, 20), 0).At(0.5)
		if got < 0.85*want || got > 2.5*want {
			t.Errorf("%s: %.4f, simulated %.4f", name, got, want)
		}
	}
	walked := math.Sqrt(0.5) - math.Sqrt(fineStep)
	if f := fitFall(nil, walkGap); f.At(0.5) != walkGap*walked || f.Cars != 0 || f.Car == 0 {
		t.Errorf("from steps: %+v", f)
	}
	one := shownBy(walkPath, 1, 10)
	for i := range one {
		one[i].car = "one"
	}
	if f := fitFall(one, 0.01); f.Cars != 0 || f.At(0.5) < 0.2 {
		t.Errorf("one car: %+v", f)
	}
	if f := fitFall(one, 5); f.At(0.5) != 5*walked {
		t.Errorf("one car and long steps: %+v", f)
	}
}
