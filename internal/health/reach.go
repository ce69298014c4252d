package health

import (
	"fmt"
	"math"
	"slices"

	"headroom/internal/result"
	"headroom/models/drift"
)

// Settings of the smallest drift that would be called; common practice, no source.
const (
	reachShare = 0.9 // of the cars
	reachCars  = 20  // of a platform that a drift is planted in, spread over the list
	reachFrom  = 1   // smallest size tried, deviations over the usual history
	reachSteps = 13  // sizes tried, each √2 times the one before: to 64 deviations
)

// watched is a platform's days of one metric as they were charted, kept to plant drifts in.
type watched struct {
	platform string
	metric   watchedMetric
	cars     []drift.Series
	laws     *drift.Laws
	ratio    drift.Ratio
}

// smallestDrifts finds, for each metric watched, the smallest steady drift that nine in ten of its cars would be called
// for, alone among all charts: drifts are planted in the cars' own days.
func smallestDrifts(all []watched, charts int) ([]SmallestDrift, error) {
	chance := math.Min(falseAlarm, discoveryRate/float64(max(1, charts)))
	out := []SmallestDrift{}
	for i := range all {
		d, err := all[i].smallest(chance)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", all[i].metric.name, err)
		}
		out = append(out, d)
	}
	return out, nil
}

func (w *watched) smallest(chance float64) (SmallestDrift, error) {
	out := SmallestDrift{Platform: w.platform, Metric: w.metric.name, Unit: w.metric.unit, Per100Days: result.Unknown()}
	var cars []int
	var laws [][]drift.Law
	stride := max(1, len(w.cars)/reachCars)
	for i := 0; i < len(w.cars); i += stride {
		if len(w.cars[i].Values) >= w.ratio.Fewest {
			cars, laws = append(cars, i), append(laws, w.laws.Without(i))
		}
	}
	out.Cars = len(cars)
	if len(cars) == 0 {
		return out, nil
	}
	sd := drift.Likeliest(w.laws.Without(-1)).SD
	size := func(step int) float64 { return reachFrom * sd * math.Pow(2, float64(step)/2) }
	low, high := -1, reachSteps // low is too small, high is enough or past the end
	for high-low > 1 {
		step, found := (low+high)/2, 0
		for k, i := range cars {
			c, err := w.ratio.Watch(planted(w.cars[i], size(step)*float64(1-2*(k%2)), w.ratio.Span), laws[k])
			if err != nil {
				return out, err
			}
			if c.PValue <= chance {
				found++
			}
		}
		if float64(found) >= reachShare*float64(len(cars)) {
			high = step
		} else {
			low = step
		}
	}
	if high < reachSteps {
		out.Per100Days = result.Number(size(high) / w.ratio.Span * trendUnit)
	}
	return out, nil
}

// planted is the series with a ramp from its first day that moves it by size in span.
func planted(s drift.Series, size, span float64) drift.Series {
	s.Values = slices.Clone(s.Values)
	for i := range s.Values {
		s.Values[i] += size * (s.Times[i] - s.Times[0]) / span
	}
	return s
}
