package envelope

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// k/(k+1) ≥ content: 19 cars for 0.95 (Vovk, Gammerman and Shafer, Algorithmic Learning in a Random World, 2005).
func TestCarsForPrediction(t *testing.T) {
	for _, v := range []struct {
		content float64
		cars    int
	}{{.95, 19}, {.90, 9}, {.99, 99}, {.8, 4}, {.5, 1}, {.1, 1}} {
		k, err := CarsForPrediction(v.content)
		if err != nil || k != v.cars {
			t.Errorf("%g: %d cars (%v), want %d", v.content, k, err, v.cars)
		}
	}
	for _, bad := range []float64{0, 1, math.NaN(), 1 - 1e-12} {
		if k, err := CarsForPrediction(bad); err == nil {
			t.Errorf("%g accepted: %d", bad, k)
		}
	}
}

// With one pull a car it is the ⌈content·(k+1)⌉-th smallest value (split conformal prediction; Vovk and others 2005).
func TestPredictionOfOnePullACar(t *testing.T) {
	for _, v := range []struct {
		cars    int
		content float64
		rank    int
	}{{18, .95, 0}, {19, .95, 19}, {20, .95, 20}, {38, .95, 38}, {39, .95, 38}, {59, .95, 57}, {99, .95, 95},
		{9, .9, 9}, {8, .9, 0}, {19, .9, 18}, {3, .5, 2}} {
		s := &Summary{}
		for c := range v.cars {
			if err := s.Add(fmt.Sprintf("%03d", c*7%v.cars), float64(c+1)); err != nil {
				t.Fatal(err)
			}
		}
		cars := s.Moments()
		upper, lower := predictionLimit(cars, v.content, 1), predictionLimit(cars, v.content, -1)
		if v.rank == 0 {
			if !math.IsNaN(upper) || !math.IsNaN(lower) {
				t.Errorf("%+v: %g, %g from too few cars", v, upper, lower)
			}
			continue
		}
		near(t, fmt.Sprintf("%+v upper", v), upper, float64(v.rank), 0)
		near(t, fmt.Sprintf("%+v lower", v), lower, float64(v.cars+1-v.rank), 0)
	}
}

// Repeated subsampling in full (Dunn, Wasserman and Ramdas 2023): every way of drawing one pull a car gives a conformal
// p-value (1 + cars at or above y)/(k + 1), and the limit is the last y whose mean p-value over all draws passes
// 1 − content. Written separately from the sum of shares.
func TestPredictionIsRepeatedSubsampling(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		k := rapid.IntRange(1, 6).Draw(rt, "cars")
		content := rapid.SampledFrom([]float64{.5, .55, .7, .8, .85}).Draw(rt, "content")
		s, values := &Summary{}, make([][]float64, k)
		var all []float64
		for c := range values {
			for range rapid.IntRange(1, 4).Draw(rt, "pulls") {
				v := float64(rapid.IntRange(-9, 9).Draw(rt, "value"))
				values[c] = append(values[c], v)
				all = append(all, v)
				if err := s.Add(fmt.Sprint(c), v); err != nil {
					rt.Fatal(err)
				}
			}
		}
		want := math.Inf(-1)
		for _, y := range all {
			if p := meanP(values, y, 0, 0); p > 1-content+1e-12 {
				want = math.Max(want, y)
			}
		}
		got := predictionLimit(s.Moments(), content, 1)
		switch p := meanP(values, slices.Max(all)+1, 0, 0); {
		case p > 1-content+1e-12: // nothing is too high to be the next pull
			if !math.IsNaN(got) {
				rt.Errorf("%v at %g: %g, want none", values, content, got)
			}
		case got != want:
			rt.Errorf("%v at %g: %g, want %g", values, content, got, want)
		}
	})
}

// meanP is the mean conformal p-value of y over all draws of one pull a car, of which above have been seen at or above
// y among the first cars.
func meanP(values [][]float64, y float64, car, above int) float64 {
	if car == len(values) {
		return float64(1+above) / float64(car+1)
	}
	sum := 0.0
	for _, v := range values[car] {
		seen := above
		if v >= y {
			seen++
		}
		sum += meanP(values, y, car+1, seen)
	}
	return sum / float64(len(values[car]))
}

// A car that logs ten times as much counts once.
func TestPredictionCountsCars(t *testing.T) {
	once, often := &Summary{}, &Summary{}
	for c := range 40 {
		for v := range 3 {
			x := float64(c*5 + v)
			for range 10 {
				if err := often.Add(fmt.Sprint(c), x); err != nil {
					t.Fatal(err)
				}
				if c != 7 {
					break
				}
			}
			if err := once.Add(fmt.Sprint(c), x); err != nil {
				t.Fatal(err)
			}
		}
	}
	a, b := predictionLimit(once.Moments(), .95, 1), predictionLimit(often.Moments(), .95, 1)
	near(t, "with one car logged ten times as often", b, a, 0)
	near(t, "of forty cars", a, 5*38+2, 0) // 38.95 shares: all of 38 cars and all three of the 39th's
}

// What has been run is never past the most extreme value seen, never past any limit there is, and one of them; mirrored
// it swaps sides.
func TestShownIsSeen(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s, m := &Summary{}, &Summary{}
		low, high := math.Inf(1), math.Inf(-1)
		for c := range rapid.IntRange(1, 45).Draw(rt, "cars") {
			for range rapid.IntRange(1, 4).Draw(rt, "pulls") {
				v := math.Round(100*rapid.Float64Range(-30, 30).Draw(rt, "value")) / 100
				low, high = math.Min(low, v), math.Max(high, v)
				if s.Add(fmt.Sprint(c), v) != nil || m.Add(fmt.Sprint(c), -v) != nil {
					rt.Fatal(v)
				}
			}
		}
		content := rapid.SampledFrom([]float64{.5, .9, .95}).Draw(rt, "content")
		hi, err := s.Upper(content, .95)
		if err != nil {
			rt.Fatal(err)
		}
		lo, _ := s.Lower(content, .95)
		mirrored, _ := m.Lower(content, .95)
		if hi.Status != StatusAssessed {
			if !math.IsNaN(hi.Shown) {
				rt.Errorf("not assessed and shown %g", hi.Shown)
			}
			return
		}
		if hi.Shown > high || lo.Shown < low || hi.Shown > hi.Value || hi.Shown > hi.Prediction {
			rt.Errorf("shown %g to %g, seen %g to %g: %+v", lo.Shown, hi.Shown, low, high, hi)
		}
		if hi.Shown != hi.Value && hi.Shown != hi.Prediction && hi.Shown != hi.Extreme {
			rt.Errorf("shown %g is none of %+v", hi.Shown, hi)
		}
		if math.Abs(mirrored.Shown+hi.Shown) > 1e-9*(1+math.Abs(hi.Shown)) {
			rt.Errorf("upper %g, mirrored lower %g", hi.Shown, mirrored.Shown)
		}
	})
}

// The case that was met on the demo fleet: four cars near 80 °C and a normal-theory limit some thirty degrees past the
// hottest of them.
func TestFewCarsAreNarrow(t *testing.T) {
	s := summary(t, map[string][]float64{"a": {72.1, 74}, "b": {79.8, 83.6}, "c": {75.5}, "d": {69.9, 71}})
	l, err := s.Upper(.95, .95)
	if err != nil {
		t.Fatal(err)
	}
	if !(l.Value > 95) || l.Shown != 83.6 || l.ShownBy != MethodSeen || !math.IsNaN(l.Prediction) ||
		l.PredictionCars != 19 {
		t.Errorf("%+v", l)
	}
}

// shape is a fleet to draw from: a car, then its pulls.
type shape struct {
	name string
	car  func(rng *rand.Rand) func() float64
}

// shapes have a variance between cars as large as within, where they have one.
var shapes = []shape{
	{"normal", func(rng *rand.Rand) func() float64 {
		u := rng.NormFloat64()
		return func() float64 { return u + rng.NormFloat64() }
	}},
	{"skewed cars", func(rng *rand.Rand) func() float64 { // lognormal
		u := math.Exp(rng.NormFloat64())
		return func() float64 { return u + 0.5*rng.NormFloat64() }
	}},
	{"5 % faulty cars", func(rng *rand.Rand) func() float64 { // five of a pull's deviations off
		u := rng.NormFloat64()
		if rng.Float64() < 0.05 {
			u += 5 * math.Sqrt2
		}
		return func() float64 { return u + rng.NormFloat64() }
	}},
	{"heavy tails", func(rng *rand.Rand) func() float64 { // Student's t with 3 degrees of freedom, both
		u := student3(rng)
		return func() float64 { return u + student3(rng) }
	}},
}

func student3(rng *rand.Rand) float64 {
	a, b, c := rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()
	return rng.NormFloat64() / math.Sqrt((a*a+b*b+c*c)/3)
}

// truth is a large sample of one pull of as many cars, ascending.
func (s shape) truth(n int, rng *rand.Rand) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = s.car(rng)()
	}
	slices.Sort(x)
	return x
}

// kept is what one kind of limit came to over many fleets.
type kept struct {
	fleets     int     // that had a limit
	content    float64 // mean share of pulls on unseen cars that it holds
	sd         float64 // Monte Carlo standard error of content
	confidence float64 // share of fleets whose limit holds 0.95 of pulls
	size       float64 // mean of limit over the true 95 % point
}

// tally adds up what limits hold.
type tally struct{ n, sum, squares, hits, size float64 }

func (a *tally) add(limit float64, truth []float64) {
	if math.IsNaN(limit) {
		return
	}
	at, _ := slices.BinarySearch(truth, math.Nextafter(limit, math.Inf(1)))
	content := float64(at) / float64(len(truth))
	point := truth[len(truth)*95/100]
	a.n++
	a.sum += content
	a.squares += content * content
	a.size += limit / point
	if limit >= point {
		a.hits++
	}
}

func (a *tally) kept() kept {
	mean := a.sum / a.n
	return kept{int(a.n), mean, math.Sqrt((a.squares/a.n - mean*mean) / a.n), a.hits / a.n, a.size / a.n}
}

// compared is what the limits of one kind of fleet came to.
type compared struct {
	tolerance, prediction, shown kept
	past                         float64 // share of fleets whose tolerance limit lies past all they showed
}

// compare draws fleets of a shape and holds their 0.95/0.95 limits against the truth.
func (s shape) compare(layout scenario, repetitions int, truth []float64, rng *rand.Rand) (compared, error) {
	var tolerance, prediction, shown tally
	past := 0.0
	for range repetitions {
		sum := &Summary{}
		for c, n := range layout.sizes() {
			pull := s.car(rng)
			for range n {
				if err := sum.Add(fmt.Sprintf("%03d", c), pull()); err != nil {
					return compared{}, err
				}
			}
		}
		l, err := sum.Upper(.95, .95)
		if err != nil {
			return compared{}, err
		}
		tolerance.add(l.Value, truth)
		prediction.add(l.Prediction, truth)
		shown.add(l.Shown, truth)
		if l.Value > l.Extreme {
			past += 1 / float64(repetitions)
		}
	}
	return compared{tolerance.kept(), prediction.kept(), shown.kept(), past}, nil
}

// Fewer cars bring the limit nearer and send the tolerance limit farther off, whatever the spread.
func TestFewCarsNarrowTheLimit(t *testing.T) {
	for i, s := range shapes {
		rng := rand.New(rand.NewPCG(310, uint64(i)))
		truth := s.truth(20_000, rng)
		four, err := s.compare(scenario{cars: 4, pulls: 3}, 300, truth, rng)
		if err != nil {
			t.Fatal(err)
		}
		twelve, err := s.compare(scenario{cars: 12, pulls: 3}, 300, truth, rng)
		if err != nil {
			t.Fatal(err)
		}
		if !(four.shown.size < 0.85*twelve.shown.size) || !(four.tolerance.size > 1.2*twelve.tolerance.size) {
			t.Errorf("%s: limit %.2f with four cars and %.2f with twelve, tolerance limit %.2f and %.2f", s.name,
				four.shown.size, twelve.shown.size, four.tolerance.size, twelve.tolerance.size)
		}
	}
}

// TestPredictionCoverage is the small version of TestProofCoverage's second table. The promise is 0.95 on average; with
// one pull a car and no ties it is ⌈0.95·(k+1)⌉/(k+1) exactly, and never above 0.95 + 2/(k+1) (Lee, Barber and Willett,
// theorem on hierarchical conformal prediction, number not looked up).
func TestPredictionCoverage(t *testing.T) {
	const repetitions, truths = 250, 100_000
	for i, s := range shapes {
		rng := rand.New(rand.NewPCG(300, uint64(i)))
		truth := s.truth(truths, rng)
		for _, layout := range []scenario{{cars: 19, pulls: 1}, {cars: 25, pulls: 1},
			{cars: 22, pulls: 4, unbalanced: true}, {cars: 45, pulls: 2, unbalanced: true}} {
			got, err := s.compare(layout, repetitions, truth, rng)
			if err != nil {
				t.Fatal(err)
			}
			k := float64(layout.cars)
			low, high := .95, .95+2/(k+1)
			if layout.pulls == 1 {
				low = math.Ceil(.95*(k+1)-1e-9) / (k + 1)
				high = low
			}
			slack := 4*got.prediction.sd + 4*math.Sqrt(.95*.05/truths)
			if c := got.prediction.content; c < low-slack || c > high+slack {
				t.Errorf("%s, %+v: holds %.4f of pulls, want %.4f to %.4f ± %.4f", s.name, layout, c, low, high, slack)
			}
		}
	}
}
