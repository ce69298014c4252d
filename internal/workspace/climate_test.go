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
		days := c.Days(c.Shares(nil))
		return days[int(share*float64(len(days)))].Ambient
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

// A car's logged days say how much of its time each place has: of three places whose days do not overlap, days split
// eight to two to none come to (1+8)/13, (1+2)/13 and 1/13, each place counting as one day beforehand (the posterior
// mean of shares of known places under a uniform prior: Laplace's rule of succession). Days come in these shares.
func TestClimateShares(t *testing.T) {
	at := func(mean float64) []float64 {
		out := make([]float64, 12)
		for i := range out {
			out[i] = mean
		}
		return out
	}
	c := Climate{{Name: "ridge", Ambient: at(-20), DayToDay: 2}, {Name: "valley", Ambient: at(10), DayToDay: 2},
		{Name: "coast", Ambient: at(40), DayToDay: 2}}
	var days []LoggedDay
	for i := range 8 {
		days = append(days, LoggedDay{Month: i, Ambient: -20 + float64(i%3)})
	}
	days = append(days, LoggedDay{3, 11}, LoggedDay{11, 9})
	shares := c.Shares(days)
	for k, want := range []float64{9.0 / 13, 3.0 / 13, 1.0 / 13} {
		if math.Abs(shares[k]-want) > 1e-6 {
			t.Errorf("share of %s %.4f, want %.4f", c[k].Name, shares[k], want)
		}
	}
	below := 0.0
	all := c.Days(shares)
	for _, v := range all {
		if v.Ambient < 0 {
			below += 1 / float64(len(all))
		}
	}
	if math.Abs(below-9.0/13) > 0.01 {
		t.Errorf("%.3f of days on the ridge, want %.3f", below, 9.0/13)
	}
	if got := c.Shares([]LoggedDay{{0, 900}}); math.Abs(got[0]-1.0/3) > 1e-9 || math.IsNaN(got[1]) {
		t.Errorf("a day like none of the places: %v", got)
	}
}
