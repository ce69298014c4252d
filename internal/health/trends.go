package health

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/models/drift"
	"headroom/models/value"
)

// Settings of the platform trends; common practice, no source.
const (
	trendUnit     = 100 // days a slope is stated over
	trendFewest   = 5   // cars logged on two days or more, below which nothing is said
	trendOneCycle = 730 // days of history, below which a slope cannot be told from the season
)

// trendMetrics are watched on the platform as a whole only: on one car they follow the weather.
var trendMetrics = []watchedMetric{
	{name: "charge temperature", unit: "K", value: func(r *evidence.Row) float64 { return r.ChargeTemperature }},
	{name: "ambient temperature", unit: "K", value: func(r *evidence.Row) float64 { return r.Ambient },
		weather: true},
}

// trendOf is the slope over time, within cars, of a platform's daily residuals. Cars are clusters: days of one car
// share its faults and its driver. The variance is the jackknife over cars (CV3: Bell and McCaffrey, Survey Methodology
// 28, 2002). The interval is Student's t with one degree of freedom less than the effective number of cars, which is
// smaller than the number of cars when few of them carry most of the days (Carter, Schnepel and Steigerwald, Rev. Econ.
// Statist. 99, 2017; from memory). TestTrendCoverage measures what that holds.
func trendOf(platform string, m watchedMetric, all []series) Trend {
	nan := result.Unknown()
	out := Trend{Platform: platform, Metric: m.name, Unit: m.unit, Status: result.NotAssessed,
		SlopePer100Days: nan, Interval95: result.Span{nan, nan}, PValue: nan, AdjustedP: nan}
	sums := withinCars(all, &out)
	if out.Cars < trendFewest {
		out.Reasons = result.Reasons{FewCars{Cars: out.Cars, Wanted: trendFewest}}
		return out
	}
	slope, se, effective := jackknifeSlope(sums)
	if !value.Known(slope) || !value.Known(se) || !(effective > 1) {
		out.Reasons = result.Reasons{NoSlope{}}
		return out
	}
	t := distuv.StudentsT{Sigma: 1, Nu: effective - 1}
	half := t.Quantile(0.975) * se
	out.Status = result.Assessed
	out.SlopePer100Days, out.Interval95 = result.Number(trendUnit*slope),
		result.Span{result.Number(trendUnit * (slope - half)), result.Number(trendUnit * (slope + half))}
	out.PValue = 1
	if slope != 0 {
		out.PValue = result.Number(2 * t.Survival(math.Abs(slope)/se))
	}
	return out
}

// carSums are a car's sums about its own means: Σ t·y and Σ t².
type carSums struct{ ty, tt float64 }

// withinCars sums each car with two days or more on the same tables and parts about the means of those days, and notes
// what was used: what a revision moves is no trend.
func withinCars(all []series, out *Trend) []carSums {
	var sums []carSums
	for i := range all {
		s := &all[i]
		var c carSums
		from := 0
		for to := 1; to <= len(s.Values); to++ {
			if to < len(s.Values) && (len(s.Breaks) == 0 || s.Breaks[to] == drift.NoBreak) {
				continue
			}
			if to-from > 1 {
				c.add(s.Times[from:to], s.Values[from:to])
				out.Days += to - from
				if out.From == "" || s.dates[from] < out.From {
					out.From = s.dates[from]
				}
				out.To = max(out.To, s.dates[to-1])
			}
			from = to
		}
		if c.tt > 0 {
			sums = append(sums, c)
			out.Cars++
		}
	}
	return sums
}

// add takes in days on the same tables and parts.
func (c *carSums) add(times, values []float64) {
	meanT, _ := value.Moments(times)
	meanY, _ := value.Moments(values)
	for k := range values {
		c.ty += (times[k] - meanT) * (values[k] - meanY)
		c.tt += (times[k] - meanT) * (times[k] - meanT)
	}
}

// jackknifeSlope is the least-squares slope within cars, its deviation from leaving out one car at a time, and the
// effective number of cars (Σ t²)² / Σ (t²)², sums by car.
func jackknifeSlope(cars []carSums) (slope, se, effective float64) {
	var all carSums
	squares := 0.0
	for _, c := range cars {
		all.ty += c.ty
		all.tt += c.tt
		squares += c.tt * c.tt
	}
	slope = all.ty / all.tt
	ss := 0.0
	for _, c := range cars {
		d := (all.ty-c.ty)/(all.tt-c.tt) - slope
		ss += d * d
	}
	n := float64(len(cars))
	return slope, math.Sqrt(ss * (n - 1) / n), all.tt * all.tt / squares
}

// callTrends corrects for the number of trends watched, calls those that stand out and puts them first.
func callTrends(trends []Trend) error {
	var p []float64
	var at []int
	for i := range trends {
		if trends[i].Status == result.Assessed {
			p = append(p, float64(trends[i].PValue))
			at = append(at, i)
		}
	}
	adjusted, err := drift.Adjusted(p)
	if err != nil {
		return err
	}
	for k, i := range at {
		trends[i].AdjustedP = result.Number(adjusted[k])
		trends[i].Signal = adjusted[k] <= discoveryRate
		trends[i].Reasons = unclear(&trends[i])
	}
	key := func(t Trend) float64 { return value.Or(float64(t.PValue), 2) }
	slices.SortStableFunc(trends, func(a, b Trend) int {
		switch d := key(a) - key(b); {
		case d < 0:
			return -1
		case d > 0:
			return 1
		}
		return 0
	})
	return nil
}

// unclear is what a called trend cannot tell apart.
func unclear(t *Trend) result.Reasons {
	if days, ok := daysBetween(t.From, t.To); t.Signal && ok && days < trendOneCycle {
		return result.Reasons{SeasonOrAgeing{DaysWanted: trendOneCycle}}
	}
	return nil
}
