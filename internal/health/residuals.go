package health

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

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
	weather        bool // it is the weather itself
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
	{name: "torque at its load", unit: "Nm", value: torqueAtLoad,
		command: func(r *evidence.Row) float64 { return r.SparkCommanded }, commandChannel: channel.SparkCommanded},
}

// torqueAtLoad is the mean of the kept samples' torque, each moved in proportion to the row's mean load: power lost
// with the same charge.
func torqueAtLoad(r *evidence.Row) float64 {
	sum, n := 0.0, 0.0
	for _, at := range r.Kept() {
		if v := at.Torque / at.Load * r.Load; value.Known(v) && at.Load > 0 {
			sum += v
			n++
		}
	}
	return sum / n
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
	// of each day
	pulls, cells []int
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
	about := conditions{command: value.Median(commands), ambient: middleAmbient(m, use)}
	width := len(m.conditions(&evidence.Row{}, about))
	if len(use) <= width {
		return nil, nil // too few rows to take the conditions out of
	}
	nest := evidence.NewNest[mixed.Row]()
	for _, r := range use {
		nest.Add(r, mixed.Row{X: m.conditions(r, about), Y: m.value(r)})
	}
	prior := mixed.Prior{Mean: make([]float64, width), SD: make([]float64, width)}
	strays := spread(m, use)
	for i := range prior.SD {
		prior.SD[i] = freeSlope * strays
	}
	prior.SD[0] = math.Inf(1)
	model, err := mixed.Fit(fleet.MixedCars(nest), prior)
	if err != nil {
		return nil, err
	}
	// What the conditions explain at the fleet's average stays in, so that a baseline reads as a value of the metric.
	level := 0.0
	for _, r := range use {
		level += value.Dot(m.conditions(r, about), model.Coef) / float64(len(use))
	}
	days, err := meansByDay(use, func(r *evidence.Row) float64 {
		return m.value(r) - value.Dot(m.conditions(r, about), model.Coef) + level
	})
	widen(days, model.Estimated)
	return days, err
}

// freeSlope is how far a condition of usual size may move a metric, in deviations of the metric: no bound to what rows
// can tell, and none is told by conditions that lie on a line (all speeds above a bend). Common practice, no source.
const freeSlope = 100

// spread is the deviation of a metric over rows, 1 where it is none.
func spread(m watchedMetric, rows []*evidence.Row) float64 {
	v := make([]float64, len(rows))
	for i, r := range rows {
		v[i] = m.value(r)
	}
	if sd := stat.StdDev(v, nil); sd > 0 {
		return sd
	}
	return 1
}

// widen notes how far a day's mean strays against that of a usual day: one of few pulls strays farther.
func widen(days []series, v mixed.Components) {
	var all []float64
	for i := range days {
		s := &days[i]
		for k := range s.Values {
			s.Wide = append(s.Wide, math.Sqrt(v.Day+v.Pull/float64(s.pulls[k])+v.Residual/float64(s.cells[k])))
		}
		all = append(all, s.Wide...)
	}
	usual := value.Median(all)
	for i := range days {
		for k := range days[i].Wide {
			days[i].Wide[k] = math.Max(narrowest, days[i].Wide[k]/usual)
		}
		if !(usual > 0) {
			days[i].Wide = nil
		}
	}
}

// narrowest is the least that a day of many pulls is believed to stray, of a usual one. Common practice, no source.
const narrowest = 0.5

// conditions are the middles about which conditions are taken out; NaN for one that is not.
type conditions struct{ command, ambient float64 }

// middleAmbient is the middle of the ambient temperatures, where most rows have one: weather of days that none is known
// of stays in.
func middleAmbient(m watchedMetric, rows []*evidence.Row) float64 {
	var known []float64
	for _, r := range rows {
		if value.Known(r.Ambient) {
			known = append(known, r.Ambient)
		}
	}
	if m.weather || len(known) == 0 || 2*len(known) < len(rows) ||
		slices.Max(known)-slices.Min(known) < leastWeather {
		return math.NaN()
	}
	return value.Median(known)
}

// leastWeather is the range of ambient temperatures, K, below which they tell nothing. Common practice, no source.
const leastWeather = 5

// conditions is the design row: level, a bent line over speed, load, the pull's place in the run, commanded value and
// ambient temperature. What is not known of a row stands at its middle.
func (m *watchedMetric) conditions(r *evidence.Row, about conditions) []float64 {
	k := r.RPM / 1000
	x := []float64{1, k - 4, math.Max(0, k-3), math.Max(0, k-5), r.Load/100 - 1.5, float64(r.Order)}
	if m.command != nil {
		x = append(x, value.Or(m.command(r)-about.command, 0))
	}
	if value.Known(about.ambient) {
		x = append(x, value.Or((r.Ambient-about.ambient)/10, 0))
	}
	return x
}

// meansByDay averages residuals by car and day, both ascending.
func meansByDay(rows []*evidence.Row, residual func(r *evidence.Row) float64) ([]series, error) {
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
			s.pulls, s.cells = append(s.pulls, evidence.CountPulls(day)), append(s.cells, len(day))
			s.Times = append(s.Times, float64(t.Unix())/86400)
			s.Values = append(s.Values, sum/float64(len(day)))
		}
		out = append(out, s)
	}
	return out, nil
}
