package workspace

import (
	"math"
	"testing"
)

// A climate of one place whose months are alike is a normal distribution: its 0.975 quantile lies 1.96 standard
// deviations above the mean (any table of the normal distribution). Twelve months evenly between two means have their
// mean as median.
func TestClimateQuantiles(t *testing.T) {
	alike := make([]float64, 12)
	for i := range alike {
		alike[i] = 12
	}
	c := Climate{{Name: "valley", Ambient: alike, DayToDay: 5}}
	quantile := func(c Climate, share float64) float64 {
		days := c.Days()
		return days[int(share*float64(len(days)))]
	}
	for share, want := range map[float64]float64{0.5: 12, 0.975: 12 + 1.96*5, 0.025: 12 - 1.96*5} {
		if got := quantile(c, share); math.Abs(got-want) > 0.2 {
			t.Errorf("%g quantile %.2f, want %.2f", share, got, want)
		}
	}
	two := Climate{{Name: "coast", Ambient: []float64{0, 0, 0, 0, 0, 0, 20, 20, 20, 20, 20, 20}, DayToDay: 1}}
	if low, high := quantile(two, 0.25), quantile(two, 0.75); math.Abs(low) > 0.1 || math.Abs(high-20) > 0.1 {
		t.Errorf("quartiles %.2f and %.2f of six months about 0 and six about 20", low, high)
	}
	if !math.IsNaN(c.LowestPressure()) || (Climate{{BaroKPa: 99}, {BaroKPa: 84}, {}}).LowestPressure() != 84 {
		t.Error("the lowest pressure is that of the highest place that gives one")
	}
}
