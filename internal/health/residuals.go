package health

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"headroom/internal/assess/fleet"
	"headroom/internal/evidence"
	"headroom/models/channel"
	"headroom/models/drift"
	"headroom/models/mixed"
	"headroom/models/value"
)

// watchedMetric is a quantity a healthy car keeps constant once speed, load and place in the run are taken out.
type watchedMetric struct {
	name, unit string
	value      func(r *evidence.Row) float64
	// command is what the calibration asked for there, taken out too; nil for what no table sets directly.
	command        func(r *evidence.Row) float64
	commandChannel channel.ID
}

var watchedMetrics = []watchedMetric{
	{name: "fuel trim, long and short", unit: "%", value: func(r *evidence.Row) float64 {
		return r.LongTermTrim +
			r.ShortTermTrim
	}},
	{name: "lambda error", unit: "lambda", value: func(r *evidence.Row) float64 { return r.LambdaError },
		command: func(r *evidence.Row) float64 { return r.LambdaCommanded }, commandChannel: channel.LambdaCommanded},
	{name: "boost error", unit: "kPa", value: func(r *evidence.Row) float64 { return spoolFree(r, r.BoostError) },
		command:        func(r *evidence.Row) float64 { return r.ManifoldPressureTarget },
		commandChannel: channel.ManifoldPressureTarget},
	{name: "wastegate duty", unit: "%", value: func(r *evidence.Row) float64 { return spoolFree(r, r.WastegateDuty) },
		command:        func(r *evidence.Row) float64 { return r.ManifoldPressureTarget },
		commandChannel: channel.ManifoldPressureTarget},
	{name: "charge temperature rise", unit: "K",
		value: func(r *evidence.Row) float64 { return r.ChargeTemperatureRise }},
	{name: "rail shortfall", unit: "kPa", value: func(r *evidence.Row) float64 { return r.RailShortfall }},
	{name: "knock retard", unit: "deg", value: func(r *evidence.Row) float64 { return r.RetardMax },
		command: func(r *evidence.Row) float64 { return r.SparkCommanded }, commandChannel: channel.SparkCommanded},
}

func spoolFree(r *evidence.Row, v float64) float64 {
	if evidence.Spooling(r.BoostOvershoot) {
		return math.NaN()
	}
	return v
}

// series is one car's daily means of one metric.
type series struct {
	vehicle   string
	dates     []string
	revisions []string // logged last on each day
	changes   []Change // what was new on each day against the day before
	rows      int
	drift.Series
}

// dailyResiduals takes speed, load, heat soak and the commanded value out of a metric and averages what is left by car
// and day. Rows without a date cannot be placed in time and are left out. Where the commanded value was not logged it
// stands at its middle, and the car's own level takes up the difference.
func dailyResiduals(m watchedMetric, rows []*evidence.Row) ([]series, error) {
	var use []*evidence.Row
	var commands []float64
	for _, r := range rows {
		if !value.Known(m.value(r)) || !value.Known(r.Load) || r.Date == "" {
			continue
		}
		use = append(use, r)
		if m.command != nil && value.Known(m.command(r)) {
			commands = append(commands, m.command(r))
		}
	}
	middle := value.Median(commands)
	width := 6
	if m.command != nil {
		width++
	}
	if len(use) <= width {
		return nil, nil // too few rows to take the conditions out of
	}
	nest := evidence.NewNest[mixed.Row]()
	for _, r := range use {
		nest.Add(r, mixed.Row{X: m.conditions(r, middle), Y: m.value(r)})
	}
	prior := mixed.Prior{Mean: make([]float64, width), SD: make([]float64, width)}
	for i := range prior.SD {
		prior.SD[i] = math.Inf(1)
	}
	model, err := mixed.Fit(fleet.MixedCars(nest), prior)
	if err != nil {
		return nil, err
	}
	// What the conditions explain at the fleet's average stays in, so that a baseline reads as a value of the metric.
	level := 0.0
	for _, r := range use {
		level += value.Dot(m.conditions(r, middle), model.Coef) / float64(len(use))
	}
	return meansByDay(m, use, func(r *evidence.Row) float64 {
		return m.value(r) - value.Dot(m.conditions(r, middle), model.Coef) + level
	})
}

// conditions is the design row: level, a bent line over speed, load, the pull's place in the run, commanded value.
func (m *watchedMetric) conditions(r *evidence.Row, middle float64) []float64 {
	k := r.RPM / 1000
	x := []float64{1, k - 4, math.Max(0, k-3), math.Max(0, k-5), r.Load/100 - 1.5, float64(r.Order)}
	if m.command == nil {
		return x
	}
	off := 0.0
	if c := m.command(r); value.Known(c) {
		off = c - middle
	}
	return append(x, off)
}

// meansByDay averages residuals by car and day, both ascending.
func meansByDay(m watchedMetric, rows []*evidence.Row, residual func(r *evidence.Row) float64) ([]series, error) {
	byCar := map[string]map[string][]*evidence.Row{}
	for _, r := range rows {
		if byCar[r.Vehicle] == nil {
			byCar[r.Vehicle] = map[string][]*evidence.Row{}
		}
		byCar[r.Vehicle][r.Date] = append(byCar[r.Vehicle][r.Date], r)
	}
	var out []series
	for _, vehicle := range slices.Sorted(maps.Keys(byCar)) {
		s := series{vehicle: vehicle}
		for _, date := range slices.Sorted(maps.Keys(byCar[vehicle])) {
			t, err := time.Parse(time.DateOnly, date)
			if err != nil {
				return nil, fmt.Errorf("car %s: date %q of a run is not YYYY-MM-DD; mend runs.csv", vehicle, date)
			}
			day := byCar[vehicle][date]
			sum := 0.0
			for _, r := range day {
				sum += residual(r)
			}
			s.dates = append(s.dates, date)
			s.revisions = append(s.revisions, day[len(day)-1].Revision)
			s.rows += len(day)
			s.Times = append(s.Times, float64(t.Unix())/86400)
			s.Values = append(s.Values, sum/float64(len(day)))
		}
		out = append(out, s)
	}
	return out, nil
}
