package fleet

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/models/value"
)

// Days are what a quantity was on the days that cars were logged: one value a car and day.
type Days struct {
	Cars   int       `json:"cars"`
	Values []float64 `json:"values"` // rising; at most keptDays, evenly spaced over the days
	Count  int       `json:"count"`  // days behind them
}

const (
	fewDays  = 8   // days below which they say nothing of the days to come; common practice, no source
	fewCars  = 2   // that they must be of
	keptDays = 201 // values that are kept
)

// Known reports whether there are days enough to speak of days to come.
func (d *Days) Known() bool { return d.Count >= fewDays && d.Cars >= fewCars }

// Quantile is the value that a share of the days stays below, 0–1: linear between the days, which stand at the middle
// of equal shares (Hyndman and Fan, The American Statistician 50, 1996, definition 5).
func (d *Days) Quantile(share float64) float64 {
	n := len(d.Values)
	at := share*float64(n) - 0.5
	i := int(math.Floor(at))
	switch {
	case i < 0:
		return d.Values[0]
	case i >= n-1:
		return d.Values[n-1]
	}
	return d.Values[i] + (at-float64(i))*(d.Values[i+1]-d.Values[i])
}

// Weather is what the fleet met of it.
type Weather struct {
	Ambient   Days `json:"ambient"`   // °C
	Barometer Days `json:"barometer"` // kPa
	Blends    Days `json:"blends"`    // logged ethanol less that of the blend's name, % by volume
	Overshoot Days `json:"overshoot"` // the most that boost stood over its target, kPa
}

// weatherOf is the weather of the days that rows were logged on.
func weatherOf(p *state.Platform, rows []evidence.Row) Weather {
	return Weather{
		Blends: daysOf(rows, func(r *evidence.Row) float64 {
			if _, named, ok := p.Sensitivity(r.Fuel); ok && 100*named >= state.EthanolBlend {
				return r.Ethanol - 100*named
			}
			return math.NaN()
		}, value.Median),
		Ambient:   daysOf(rows, func(r *evidence.Row) float64 { return r.Ambient }, value.Median),
		Barometer: daysOf(rows, func(r *evidence.Row) float64 { return r.Barometer }, value.Median),
		Overshoot: daysOf(rows, func(r *evidence.Row) float64 { return r.BoostOvershoot }, slices.Max[[]float64]),
	}
}

// daysOf are a quantity's values by car and day, each the given summary of the day's cells.
func daysOf(rows []evidence.Row, read func(r *evidence.Row) float64, of func([]float64) float64) Days {
	byDay, cars := map[string][]float64{}, map[string]bool{}
	for i := range rows {
		r := &rows[i]
		if v := read(r); value.Known(v) {
			key := dayKey(r)
			byDay[key] = append(byDay[key], v)
			cars[r.Vehicle] = true
		}
	}
	out := Days{Cars: len(cars), Count: len(byDay)}
	for _, v := range byDay {
		out.Values = append(out.Values, of(v))
	}
	slices.Sort(out.Values)
	if n := len(out.Values); n > keptDays {
		kept := make([]float64, keptDays)
		for i := range kept {
			kept[i] = out.Values[i*(n-1)/(keptDays-1)]
		}
		out.Values = kept
	}
	return out
}

// dayKey names a car's day: its run where the day is not known.
func dayKey(r *evidence.Row) string {
	if r.Date == "" {
		return r.Vehicle + "\x00" + r.Run
	}
	return r.Vehicle + "\x00" + r.Date
}

// ChargeDays is how far the charge of each car's day of some logged states lay from what the fleet's model expects of
// the car on a common day, K, and the deviation of days about that: best linear unbiased prediction of the day's
// effect (Robinson, Statistical Science 6, 1991). ok is false where charge temperature was not measured, or its days
// do not differ.
func (f *Fleet) ChargeDays(states []*state.State) (by map[string]float64, sd float64, ok bool) {
	m := QuantityOf(metric.ChargeTemperature)
	fit, measured := f.Margins[m.ID]
	if !measured || !(fit.Model.DayVar > 0) {
		return nil, 0, false
	}
	left, pulls := map[string][]float64{}, map[string]map[string]bool{}
	means := map[string][]float64{}
	for _, s := range states {
		x, y := m.Predictor(f.Platform, s), m.Measured(f.Platform, s)
		if !value.Known(x) || !value.Known(y) {
			continue
		}
		mean, met := means[s.Car]
		if !met {
			mean, _ = fit.Model.Joint(s.Car)
			means[s.Car] = mean
		}
		d, err := fit.Design(f.Platform, s, x)
		if err != nil {
			continue
		}
		key := dayKey(s.Row)
		left[key] = append(left[key], y-value.Dot(d, mean))
		if pulls[key] == nil {
			pulls[key] = map[string]bool{}
		}
		pulls[key][s.Pull] = true
	}
	by = map[string]float64{}
	for key, e := range left {
		noise := fit.Model.PullVar/float64(len(pulls[key])) + (fit.Between+fit.Within)/float64(len(e))
		by[key] = stat.Mean(e, nil) * fit.Model.DayVar / (fit.Model.DayVar + noise)
	}
	return by, math.Sqrt(fit.Model.DayVar), true
}

// DayOf names the day of a logged state in ChargeDays.
func DayOf(s *state.State) string { return dayKey(s.Row) }
