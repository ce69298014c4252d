package fleet

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/internal/workspace"
	"headroom/models/mixed"
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

	Places *Places `json:"places"` // of ambient temperature; nil where its days do not tell of days to come

	ByCar map[string][]workspace.LoggedDay `json:"by_car"` // the dated days that say how warm they were
}

// weatherOf is the weather of the days that rows were logged on.
func weatherOf(p *state.Platform, rows []evidence.Row) (Weather, error) {
	out := Weather{
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
	days := loggedDays(rows, func(r *evidence.Row) float64 { return r.Ambient }, value.Median)
	out.ByCar = map[string][]workspace.LoggedDay{}
	for _, d := range days {
		if at, err := time.Parse(time.DateOnly, d.date); err == nil {
			out.ByCar[d.car] = append(out.ByCar[d.car],
				workspace.LoggedDay{Month: int(at.Month()) - 1, Ambient: d.value})
		}
	}
	if !out.Ambient.Known() {
		return out, nil
	}
	var err error
	if out.Places, err = placesOf(days); err != nil {
		return out, fmt.Errorf("ambient temperatures of platform %s: %w", p.ID, err)
	}
	return out, nil
}

// loggedDay is what a quantity was on one day of a car.
type loggedDay struct {
	car   string
	date  string // YYYY-MM-DD, "" where it is not known
	value float64
}

// loggedDays are the days of rows, in their order, each the given summary of its cells.
func loggedDays(rows []evidence.Row, read func(r *evidence.Row) float64, of func([]float64) float64) []loggedDay {
	days := evidence.NewIndex[string]()
	var out []loggedDay
	var values [][]float64
	for i := range rows {
		r := &rows[i]
		v := read(r)
		if !value.Known(v) {
			continue
		}
		k := days.Of(dayKey(r))
		if k == len(out) {
			out, values = append(out, loggedDay{car: r.Vehicle, date: r.Date}), append(values, nil)
		}
		values[k] = append(values[k], v)
	}
	for k := range out {
		out[k].value = of(values[k])
	}
	return out
}

// daysOf are a quantity's values by car and day, each the given summary of the day's cells.
func daysOf(rows []evidence.Row, read func(r *evidence.Row) float64, of func([]float64) float64) Days {
	days, cars := loggedDays(rows, read, of), map[string]bool{}
	out := Days{Count: len(days)}
	for _, d := range days {
		cars[d.car] = true
		out.Values = append(out.Values, d.value)
	}
	out.Cars = len(cars)
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

// Places are the ambient temperatures of the fleet's logged days as days of places, one a car: a level of the fleet, a
// deviation of each car's place, one of each day and, where dates tell, a yearly wave.
type Places struct {
	Model *mixed.Model `json:"model"` // °C, one row a day
	Year  bool         `json:"year"`  // it has the yearly wave, so that a level is that of a whole year
}

// The yearly wave is fitted where logged days, dated and whichever the year, are yearDays or more and no stretch
// between one and the next is longer than longestGap. Common practice, no source: the wave has two coefficients, and
// two thirds of the year hold more than its half.
const (
	yearDays   = 12
	longestGap = 1.0 / 3 // of a year
)

// placesOf fits the places of logged days. Days without a date are left out where there is a yearly wave.
func placesOf(days []loggedDay) (*Places, error) {
	var dated []loggedDay
	var parts []float64
	for _, d := range days {
		if at := partOfYear(d.date); value.Known(at) {
			dated, parts = append(dated, d), append(parts, at)
		}
	}
	out := &Places{Year: coversYear(parts)}
	if out.Year {
		days = dated
	}
	cars := evidence.NewIndex[string]()
	var nested []mixed.Car
	for i, d := range days {
		k := cars.Of(d.car)
		if k == len(nested) {
			nested = append(nested, mixed.Car{ID: d.car})
		}
		row := mixed.Row{X: []float64{1}, Y: d.value}
		if out.Year {
			row.X = wave(parts[i])
		}
		nested[k].Days = append(nested[k].Days, mixed.Day{Pulls: []mixed.Pull{{Rows: []mixed.Row{row}}}})
	}
	var err error
	out.Model, err = mixed.Fit(nested, mixed.Prior{})
	return out, err
}

// coversYear reports whether parts of the year, 0–1, tell a yearly wave.
func coversYear(parts []float64) bool {
	if len(parts) < yearDays {
		return false
	}
	at := slices.Sorted(slices.Values(parts))
	gap := at[0] + 1 - at[len(at)-1]
	for i := 1; i < len(at); i++ {
		gap = math.Max(gap, at[i]-at[i-1])
	}
	return gap <= longestGap
}

// partOfYear is where in its year a date (YYYY-MM-DD) lies, 0–1; NaN where it is none.
func partOfYear(date string) float64 {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return math.NaN()
	}
	return float64(d.YearDay()-1) / 366
}

// wave is the design row of a yearly wave: level, cosine and sine (the first harmonic; Bliss, Periodic Regression in
// Biology and Climatology, 1958; from memory).
func wave(partOfYear float64) []float64 {
	sin, cos := math.Sincos(2 * math.Pi * partOfYear)
	return []float64{1, cos, sin}
}

const (
	partsOfYear = 12  // that days to come are spread over
	daysAPart   = 100 // evenly likely ones of each
)

// DaysOf are the days that a car will meet, °C: evenly likely days about the level of its place, in all parts of the
// year where there is a yearly wave. The place is known from the car's own logged days as far as they tell it, and else
// by how places differ (best linear unbiased prediction: Robinson, Statistical Science 6, 1991); what is not known of
// it is in the spread, like what days differ by. A car without logged days has a place like any other.
func (p *Places) DaysOf(car string) (Days, error) {
	out := Days{Cars: p.Model.Cars, Count: p.Model.Days}
	designs := [][]float64{{1}}
	if p.Year {
		designs = designs[:0]
		for k := range partsOfYear {
			designs = append(designs, wave((float64(k)+0.5)/partsOfYear))
		}
	}
	for _, x := range designs {
		mean, _, sd, err := p.Model.Predict(car, x)
		if err != nil {
			return out, err
		}
		for k := range daysAPart {
			out.Values = append(out.Values, mean+sd*distuv.UnitNormal.Quantile((float64(k)+0.5)/daysAPart))
		}
	}
	slices.Sort(out.Values)
	return out, nil
}

// OwnDays is how many logged days of the car are among them.
func (p *Places) OwnDays(car string) int {
	for i := range p.Model.Effects {
		if p.Model.Effects[i].ID == car {
			return p.Model.Effects[i].Days
		}
	}
	return 0
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
		x, y := m.Predictor(f.Platform, s), m.Fine(f.Platform, s)
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
