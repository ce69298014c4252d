package drift

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.8g, want %.8g ± %.2g", what, got, want, tolerance)
	}
}

func columns(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("../../testdata/reference/drift", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float64, len(rows[0]))
	for _, r := range rows[1:] {
		for j, s := range r {
			v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
			if err != nil {
				t.Fatal(err)
			}
			out[j] = append(out[j], v)
		}
	}
	return out
}

// NIST/SEMATECH e-Handbook 6.3.2.4; limits and last five points; data from memory.
func TestEWMAExample(t *testing.T) {
	data := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2,
		52.6, 52.4, 53.6, 52.1}
	z := EWMA(data, 0.3, 50)
	for i, want := range []float64{49.92, 50.73, 51.23, 51.94, 51.99} {
		near(t, fmt.Sprint("ewma ", 15+i), z[15+i], want, 0.006)
	}
	half := 3 * 2.0539 * EWMASD(0.3, 0)
	near(t, "upper limit", 50+half, 52.588, 0.001)
	near(t, "lower limit", 50-half, 47.412, 0.001)
	near(t, "first deviation", EWMASD(0.3, 1), 0.3, 1e-15)
	near(t, "later deviation", EWMASD(0.3, 1000), EWMASD(0.3, 0), 1e-15)
}

// A healthy car's chance of an alarm in one more run settles at one over the published average run length. EWMA: Lucas
// and Saccucci, Technometrics 32 (1990), in Montgomery, Introduction to Statistical Quality Control, table 9.11. CUSUM
// of reference 0.5: Montgomery, table 9.4; NIST/SEMATECH e-Handbook 6.3.2.3. Both from memory. The tables count from
// the start of the chart, where it is furthest from its limit: run lengths are up to 3 % longer, most so for small λ.
func TestAlarmRatePublished(t *testing.T) {
	rate := func(p []float64) float64 {
		n := len(p) - 1
		return (p[n] - p[n-1]) / (1 - p[n-1])
	}
	for _, c := range []struct{ lambda, limit float64 }{{.40, 3.054}, {.25, 2.998}, {.20, 2.962}, {.10, 2.814},
		{.05, 2.615}} {
		near(t, fmt.Sprintf("ewma λ=%g", c.lambda), 1/rate(ewmaAlarm(c.lambda, c.limit, 150)), 500, 15)
	}
	for _, c := range []struct{ threshold, runs float64 }{{4, 168}, {5, 465}} {
		p := cusumAlarm(0.5, c.threshold, 60)
		for i := range p { // one side: twice the run length of both
			p[i] /= 2
		}
		near(t, fmt.Sprintf("cusum h=%g", c.threshold), 1/rate(p), 2*c.runs, 0.02*2*c.runs)
	}
}

// R 4.2.2, testdata/reference/drift/reference.R.
func TestStandardiseAgainstR(t *testing.T) {
	x := append([]float64{3.1, 2.4, 4.0, 2.9}, columns(t, "scores.csv")[0]...)
	for j, fleet := range []Spread{{}, {1.3, 12}} {
		want := columns(t, "scores.csv")[1+j]
		for i, q := range standardise(x, 4, fleet) {
			near(t, fmt.Sprint("score ", i, fleet), q, want[i], 1e-9)
		}
	}
}

func TestAdjustedAgainstR(t *testing.T) {
	c := columns(t, "adjusted.csv")
	got, err := Adjusted(c[0])
	if err != nil {
		t.Fatal(err)
	}
	for i := range got {
		near(t, fmt.Sprint("adjusted ", c[0][i]), got[i], c[1][i], 1e-12)
	}
	if _, err := Adjusted([]float64{0.5, math.NaN()}); err == nil {
		t.Error("NaN accepted")
	}
	if got, err := Adjusted(nil); err != nil || len(got) != 0 {
		t.Errorf("no charts: %v %v", got, err)
	}
}

func normalSeries(rng *rand.Rand, runs int, drift func(run int) float64) Series {
	s := Series{}
	for i := range runs {
		s.Times = append(s.Times, float64(i))
		s.Values = append(s.Values, 12+3*(rng.NormFloat64()+drift(i)))
	}
	return s
}

func healthy(int) float64 { return 0 }

var monitors = sync.OnceValue(func() []*Monitor {
	var out []*Monitor
	for _, alarm := range []float64{0.05, 0.01} {
		o := Options{Baseline: 8, Horizon: 50, FalseAlarm: alarm}
		e, err1 := NewEWMA(0.2, o)
		c, err2 := NewCUSUM(0.5, o)
		if err1 != nil || err2 != nil {
			panic(fmt.Sprint(err1, err2))
		}
		out = append(out, e, c)
	}
	return out
})

// The false-alarm rate must be what is promised, within four Monte Carlo deviations; the CUSUM adds both sides'
// chances, which costs at most α²/4 and is conservative. The charts watch the same cars, standardised once; Watch
// must say of a car what its path says.
func TestFalseAlarmRate(t *testing.T) {
	const cars, baseline = 6000, 8
	for k, fleet := range []Spread{{}, {3, 1e4}} {
		rng := rand.New(rand.NewPCG(uint64(k), 50))
		series, scores := make([]Series, cars), make([][]float64, cars)
		for c := range cars {
			series[c] = normalSeries(rng, baseline+50, healthy)
			scores[c] = standardise(series[c].Values, baseline, fleet)
		}
		for _, m := range monitors() {
			for _, runs := range []int{12, 50} {
				signals, small := 0, 0
				for c, q := range scores {
					largest := 0.0
					for _, v := range m.path(q[:runs]) {
						largest = math.Max(largest, math.Abs(v))
					}
					p := m.pvalue(largest, runs)
					signal := largest > m.threshold[runs-1]
					if signal {
						signals++
					}
					if p < 0.02 {
						small++
					}
					if signal != (p <= m.options.FalseAlarm*(1+1e-6)) {
						t.Fatalf("signal %v but p %g", signal, p)
					}
					if c < 100 {
						requireSameVerdict(t, m, series[c], baseline+runs, fleet, p, signal)
					}
				}
				a := m.options.FalseAlarm
				what := fmt.Sprintf("%s α=%g fleet %v runs %d", m.kind, a, fleet, runs)
				near(t, what, float64(signals)/cars, a, 4*math.Sqrt(a*(1-a)/cars)+a*a/4)
				near(t, what+" p<0.02", float64(small)/cars, 0.02, 4*math.Sqrt(.02*.98/cars)+.0001)
			}
		}
	}
}

// requireSameVerdict charts the first runs of a series by Watch.
func requireSameVerdict(t *testing.T, m *Monitor, s Series, runs int, fleet Spread, p float64, signal bool) {
	t.Helper()
	c, err := m.Watch(Series{Times: s.Times[:runs], Values: s.Values[:runs]}, fleet)
	if err != nil {
		t.Fatal(err)
	}
	if c.PValue != p || c.Signal != signal {
		t.Fatalf("%s: Watch says p %g, signal %v; the path says %g, %v", m.kind, c.PValue, c.Signal, p, signal)
	}
}

// With one run after the baseline an EWMA is one normal value, and a CUSUM what is over the reference.
func TestOneRun(t *testing.T) {
	for _, m := range monitors()[:2] {
		near(t, m.kind, m.threshold[0]+m.reference, 1.959964, 5e-4) // interpolated in the table
	}
}

// A planted step and a planted ramp must be found, on the right side and near the right run; BH over the fleet must
// keep its promise.
func TestDetection(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 33))
	for _, m := range monitors()[2:] {
		found, onset, discoveries, wrong := 0, 0.0, 0, 0
		const fleets = 40
		for range fleets {
			var p []float64
			for car := range 30 {
				c, err := m.Watch(normalSeries(rng, 48, func(i int) float64 {
					if car < 3 && i >= 28 {
						return -2
					}
					return 0
				}), Spread{3, 500})
				if err != nil {
					t.Fatal(err)
				}
				p = append(p, c.PValue)
				if car < 3 && c.Signal && c.Direction < 0 && c.SignalIndex >= 28 {
					found++
					onset += float64(c.OnsetIndex)
					if c.Level > c.Baseline || math.Abs(c.Level-c.Baseline+6) > 6 {
						t.Errorf("level %g from %g, want about 6 down", c.Level, c.Baseline)
					}
				}
			}
			adjusted, err := Adjusted(p)
			if err != nil {
				t.Fatal(err)
			}
			for car, rate := range adjusted {
				if rate <= 0.1 {
					discoveries++
					if car >= 3 {
						wrong++
					}
				}
			}
		}
		if share := float64(found) / (3 * fleets); share < 0.95 {
			t.Errorf("%s: found %.2f of 2-deviation steps", m.kind, share)
		}
		near(t, m.kind+" mean onset", onset/float64(found), 28, 0.6)
		if share := float64(wrong) / float64(discoveries); share > 0.1*0.9+4*math.Sqrt(.1*.9/float64(discoveries)) {
			t.Errorf("%s: %.3f of discoveries wrong, promised 0.1", m.kind, share)
		}
	}
}

func TestWatchEdges(t *testing.T) {
	m := monitors()[0]
	nan := math.NaN()
	short := Series{Times: []float64{1, 2, 3}, Values: []float64{1, nan, 2}}
	c, err := m.Watch(short, Spread{})
	if err != nil || c.Status != StatusNotEnoughRuns || c.RunsNeeded != 7 || c.PValue != 1 || c.Signal ||
		!math.IsNaN(c.FalseAlarm) {
		t.Errorf("short: %+v %v", c, err)
	}
	flat := normalSeries(rand.New(rand.NewPCG(1, 1)), 20, healthy)
	for i := range flat.Values {
		flat.Values[i] = 0
		if i > 12 {
			flat.Values[i] = 5
		}
	}
	c, err = m.Watch(flat, Spread{})
	if err != nil || c.Status != StatusNoSpread || c.PValue != 1 || !math.IsNaN(c.FalseAlarm) {
		t.Errorf("flat: %+v %v", c, err)
	}
	c, err = m.Watch(flat, Spread{SD: 1, DF: 100})
	if err != nil || !c.Signal || c.OnsetIndex != 13 || c.Direction != 1 || c.Level != 5 || c.Baseline != 0 {
		t.Errorf("flat, fleet's spread: %+v %v", c, err)
	}
	// a value that was not measured changes nothing but the index
	a := normalSeries(rand.New(rand.NewPCG(5, 5)), 30, func(i int) float64 {
		if i > 15 {
			return 4
		}
		return 0
	})
	b := Series{}
	for i := range a.Values {
		b.Times = append(b.Times, a.Times[i], a.Times[i])
		b.Values = append(b.Values, nan, a.Values[i])
	}
	ca, _ := m.Watch(a, Spread{})
	cb, _ := m.Watch(b, Spread{})
	if !ca.Signal || cb.OnsetIndex != 2*ca.OnsetIndex+1 || cb.SignalIndex != 2*ca.SignalIndex+1 {
		t.Errorf("gaps: onset %d and %d", ca.OnsetIndex, cb.OnsetIndex)
	}
	cb.OnsetIndex, cb.SignalIndex = ca.OnsetIndex, ca.SignalIndex
	if diff := cmp.Diff(ca, cb); diff != "" {
		t.Error(diff)
	}
	for name, s := range map[string]Series{
		"lengths":  {Times: []float64{1}, Values: nil},
		"unsorted": {Times: []float64{2, 1}, Values: []float64{1, 1}},
		"infinite": {Times: []float64{1}, Values: []float64{math.Inf(1)}},
		"long":     normalSeries(rand.New(rand.NewPCG(1, 1)), 59, healthy),
	} {
		if _, err := m.Watch(s, Spread{}); err == nil {
			t.Errorf("%s accepted", name)
		}
	}
	if _, err := m.Watch(a, Spread{SD: -1, DF: 1}); err == nil {
		t.Error("negative spread accepted")
	}
}

func TestOptions(t *testing.T) {
	ok := Options{Baseline: 5, Horizon: 10, FalseAlarm: .01}
	for name, o := range map[string]Options{
		"baseline": {0, 10, .01}, "horizon": {5, 0, .01}, "far horizon": {5, 5001, .01}, "alarm": {5, 10, 0},
		"alarm 1": {5, 10, 1},
	} {
		if _, err := NewEWMA(.2, o); err == nil {
			t.Errorf("ewma: %s accepted", name)
		}
		if _, err := NewCUSUM(.5, o); err == nil {
			t.Errorf("cusum: %s accepted", name)
		}
	}
	if _, err := NewEWMA(0, ok); err == nil {
		t.Error("lambda 0 accepted")
	}
	if _, err := NewCUSUM(0, ok); err == nil {
		t.Error("reference 0 accepted")
	}
	m, err := NewEWMA(.2, Options{Baseline: 2, Horizon: 10, FalseAlarm: .01})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Watch(Series{Times: []float64{1}, Values: []float64{1}}, Spread{}); err == nil {
		t.Error("two baseline runs without the fleet's spread accepted")
	}
}

// The chart does not depend on the metric's unit, and mirrors with it.
func TestEquivariance(t *testing.T) {
	m := monitors()[1]
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(9, 40).Draw(rt, "runs")
		scale := rapid.Float64Range(-50, 50).Filter(func(v float64) bool { return math.Abs(v) > 0.01 }).Draw(rt,
			"scale")
		a, b := Series{}, Series{}
		for i := range n {
			v := rapid.Float64Range(-1, 1).Draw(rt, "value") + 0.01*float64(i%7)
			a.Times, b.Times = append(a.Times, float64(i)), append(b.Times, float64(i))
			a.Values, b.Values = append(a.Values, v), append(b.Values, 100+scale*v)
		}
		ca, err := m.Watch(a, Spread{})
		if err != nil {
			rt.Fatal(err)
		}
		cb, _ := m.Watch(b, Spread{})
		if ca.SD < 1e-3 {
			return // rounding against the shift
		}
		if math.Abs(ca.Statistic-cb.Statistic) > 1e-6*(1+ca.Statistic) || math.Abs(ca.PValue-cb.PValue) > 1e-5 {
			rt.Errorf("statistic %g p %g; rescaled %g p %g", ca.Statistic, ca.PValue, cb.Statistic, cb.PValue)
		}
	})
}

func TestPooledAndFleet(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	var cars []Series
	for car := range 40 {
		s := normalSeries(rng, 30, func(i int) float64 {
			season := 0.0
			if i >= 15 {
				season = 3 // the whole fleet moves
			}
			return season + float64(car)
		})
		cars = append(cars, s)
	}
	spread, err := Pooled(cars, 10)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pooled deviation", spread.SD, 3, 4*3/math.Sqrt(2*spread.DF))
	near(t, "degrees of freedom", spread.DF, 360, 0)
	free, alone, err := AgainstFleet(cars, 0.5)
	if err != nil || alone != 0 {
		t.Fatal(alone, err)
	}
	signals := [2]int{}
	m := monitors()[2]
	for i := range cars {
		for j, s := range []Series{cars[i], free[i]} {
			c, err := m.Watch(s, spread)
			if err != nil {
				t.Fatal(err)
			}
			if c.Signal {
				signals[j]++
			}
		}
	}
	if signals[0] < 35 || signals[1] > 4 {
		t.Errorf("a fleet-wide move: %d of 40 signal as logged, %d against the fleet", signals[0], signals[1])
	}
	same, alone, err := AgainstFleet(cars[:1], 0.5)
	if err != nil || alone != 30 || !cmp.Equal(same[0], cars[0]) {
		t.Errorf("a fleet of one: alone %d %v", alone, err)
	}
	if _, err := Pooled(nil, 10); err == nil {
		t.Error("no cars accepted")
	}
	if _, err := Pooled(cars, 1); err == nil {
		t.Error("baseline of 1 accepted")
	}
	if _, err := Pooled([]Series{{Times: []float64{1, 2}, Values: []float64{3, 3}}}, 2); err == nil {
		t.Error("no spread accepted")
	}
	if _, _, err := AgainstFleet(cars, 0); err == nil {
		t.Error("window 0 accepted")
	}
}
