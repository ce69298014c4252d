package evidence

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"headroom/models/channel"
)

// The trend of a straight line is its slope, whatever the spacing of samples and which of them are missing (least
// squares is exact on a line); with one reading there is none.
func TestTrendOfALine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		slope, level := rapid.Float64Range(-80, 80).Draw(t, "slope"), rapid.Float64Range(300, 950).Draw(t, "level")
		steps := rapid.SliceOfN(rapid.Float64Range(0.02, 1.5), 4, 40).Draw(t, "steps")
		var time, values []float64
		now := 0.0
		for _, step := range steps {
			now += step
			time, values = append(time, now), append(values, level+slope*now)
		}
		at := rapid.IntRange(1, len(time)-2).Draw(t, "at")
		values[rapid.IntRange(0, len(time)-1).Filter(func(i int) bool { return i != at }).Draw(t, "missing")] = nan
		if got := trend(time, values, at); math.Abs(got-slope) > 1e-6 {
			t.Fatalf("trend %v of a line of %v", got, slope)
		}
	})
	if got := trend([]float64{0, 1, 2}, []float64{nan, 700, nan}, 1); !math.IsNaN(got) {
		t.Errorf("trend of one reading: %v", got)
	}
}

// A first-order probe trails gas that climbs along a pull, and what it reads with its lag times the trend of that is
// the gas (T + τ·dT/dt, the lag's own equation), to a few kelvin in fast logs and slow ones. The mean that a probe
// forms since the pull began is up to 60 K off there.
func TestTrendUndoesALag(t *testing.T) {
	const lag = 1.8
	gasAt := func(t float64) float64 { return 930 - 170*math.Exp(-(t-2)/2.2) }
	for _, interval := range []float64{0.05, 0.1, 0.5} {
		n := int(12/interval) + 1
		shapes := pullShapes()
		probe, reads, gas := 700.0, make([]float64, n), make([]float64, n)
		const steps = 200
		for i := range n {
			reads[i], gas[i] = probe, gasAt(math.Max(float64(i)*interval, 2))
			for k := range steps {
				now := gasAt(math.Max((float64(i)+float64(k)/steps)*interval, 2))
				probe += (now - probe) * interval / steps / lag
			}
		}
		shapes[channel.ExhaustTemperature] = func(i int, _ float64) float64 { return reads[i] }
		rows, _ := Rows(trace(n, interval, shapes), setup())
		seen := 0
		for i := range rows {
			r := &rows[i]
			if r.Kind != KindPull || r.RPM < 2500 || r.RPM > 5500 {
				continue
			}
			seen++
			at := int(math.Round((2 + r.Into) / interval)) // it climbs, so that the largest reading is the last
			near(t, "gas", r.ExhaustTemperature+lag*r.ExhaustRate, gas[at], 6)
		}
		if seen < 5 {
			t.Errorf("%v s: %d cells", interval, seen)
		}
	}
}
