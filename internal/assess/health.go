package assess

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"headroom/internal/evidence"
	"headroom/models/drift"
	"headroom/models/mixed"
)

// Settings of the health review.
const (
	healthFalseAlarm = 0.01 // a chart of a healthy car passes its threshold with this chance over the days watched
	healthDiscovery  = 0.10 // share of called charts, or trends, that may be called wrongly
	overdueDays      = 180  // without a log
	coincidence      = 1    // runs between an onset and a change of revision or hardware that may be one event
	leastCommanded   = 0.5  // share of a car's rows with the commanded value, below which it cannot take a revision off
)

// healthDesign is how a car's days become a chart.
type healthDesign struct {
	baseline int     // days of logs that make a car's own level; short because cars log rarely
	pooled   int     // first days of each car that tell the fleet's spread
	window   float64 // days on both sides within which other cars tell what the fleet did; 0: not taken off
	chart    func(o drift.Options) (*drift.Monitor, error)
}

// standardDesign was chosen by simulation (TestHealthDesign): 14 demo fleets of 24 cars with 28 faults that build up and
// 1801 charts of healthy cars, as they are, and with a season of 1.5 deviations laid over the whole fleet.
//
//	                                        found   false   found, false with the season
//	EWMA 0.1 (0.2 and 0.3 within one)       26      0       25, 1
//	CUSUM of reference 0.5 / 1              26      1 / 3   26, 2 / 25, 1
//	EWMA 0.1, fleet's movement left in      26      0       21, 1
//	EWMA 0.1, spread from two days a car    25      5       24, 9
//	EWMA 0.1, commanded values left in      26      0       25, 2
//
// The chart matters little on series this short, so the one for the slowest drift is taken. Taking the fleet's movement
// off keeps a season from hiding the faults. The spread needs three days a car: from two, which straddle the first change
// of revision, it is too uncertain. In these fleets every car changes its revision early and once, so taking out the
// commanded values saves only one false call; TestNewTablesAreNotDrift shows what it is for.
var standardDesign = healthDesign{
	baseline: 2, pooled: 3, window: 45,
	chart: func(o drift.Options) (*drift.Monitor, error) { return drift.NewEWMA(0.1, o) },
}

// watchedMetric is a quantity a healthy car keeps constant once speed, load and place in the run are taken out.
type watchedMetric struct {
	name, unit string
	value      func(r *evidence.Row) float64
	// command is what the calibration asked for there, taken out too; nil for what no table sets directly.
	command     func(r *evidence.Row) float64
	commandName string
}

var watchedMetrics = []watchedMetric{
	{name: "fuel trim, long and short", unit: "%", value: func(r *evidence.Row) float64 { return r.LongTermTrim + r.ShortTermTrim }},
	{name: "lambda error", unit: "lambda", value: func(r *evidence.Row) float64 { return r.LambdaError },
		command: func(r *evidence.Row) float64 { return r.LambdaCommanded }, commandName: "commanded lambda"},
	{name: "boost error", unit: "kPa", value: func(r *evidence.Row) float64 { return spoolFree(r, r.BoostError) },
		command: func(r *evidence.Row) float64 { return r.ManifoldPressureTarget }, commandName: "the boost target"},
	{name: "wastegate duty", unit: "%", value: func(r *evidence.Row) float64 { return spoolFree(r, r.WastegateDuty) },
		command: func(r *evidence.Row) float64 { return r.ManifoldPressureTarget }, commandName: "the boost target"},
	{name: "charge temperature rise", unit: "K", value: func(r *evidence.Row) float64 { return r.ChargeTemperatureRise }},
	{name: "rail shortfall", unit: "kPa", value: func(r *evidence.Row) float64 { return r.RailShortfall }},
	{name: "knock retard", unit: "deg", value: func(r *evidence.Row) float64 { return r.RetardMax },
		command: func(r *evidence.Row) float64 { return r.SparkCommanded }, commandName: "commanded spark"},
}

func spoolFree(r *evidence.Row, v float64) float64 {
	if known(r.BoostOvershoot) && !known(onTarget(r.BoostOvershoot)) {
		return math.NaN()
	}
	return v
}

// Fleet is the periodic health review: cars that drift against their own past and the fleet, what the platforms do as
// a whole, which envelopes moved since the last review that was remembered, what the outcomes prove, overdue cars.
func (j *Job) Fleet() (*Fleet, error) {
	newest := j.newestRun()
	out := &Fleet{Stamp: j.stamp("headroom/fleet/1"), NewestRun: newest, Cars: []FleetCar{}, Trends: []FleetTrend{},
		Outcomes: []OutcomeProof{}, Survival: []Survival{}, Comparisons: []RateComparison{},
		OverdueAfter: overdueDays, Overdue: []OverdueCar{}, Cautions: []string{}}
	for _, id := range slices.Sorted(maps.Keys(j.ws.Platforms)) {
		p, f, rows, err := j.fitted(id)
		if err != nil {
			return nil, err
		}
		if err := j.platformHealth(out, p, f, rows); err != nil {
			return nil, fmt.Errorf("platform %s: %w", id, err)
		}
		out.Overdue = append(out.Overdue, j.overdue(id, rows, newest)...)
	}
	var err error
	if out.Drift, err = callDrift(out.Cars); err != nil {
		return nil, err
	}
	if err := callTrends(out.Trends); err != nil {
		return nil, err
	}
	if out.EnvelopeChanges, err = j.envelopeChanges(); err != nil {
		return nil, err
	}
	out.Cautions = append(append(out.Cautions, healthCautions...), StandingCautions...)
	return out, nil
}

var healthCautions = []string{
	"Drift says that a car changed, not why: a sensor, its fuel or its driver can move a number as well as a fault. Look at the car.",
	"A car that is not called may still be failing: few logs see only large changes, and what is not logged is not watched.",
}

// platformHealth adds one platform's drift charts, trends and outcomes.
func (j *Job) platformHealth(out *Fleet, p *platform, f *platformFit, rows []evidence.Row) error {
	pulls := pullRows(rows)
	for _, m := range watchedMetrics {
		days, err := dailyResiduals(m, pulls)
		if err != nil {
			return fmt.Errorf("%s: %w", m.name, err)
		}
		j.markChanges(days)
		cars, err := driftOf(standardDesign, p.ID, m, days)
		if err != nil {
			return fmt.Errorf("%s: %w", m.name, err)
		}
		out.Cars = append(out.Cars, cars...)
	}
	for _, m := range slices.Concat(watchedMetrics, trendMetrics) {
		days, err := dailyResiduals(m, pulls)
		if err != nil {
			return fmt.Errorf("%s: %w", m.name, err)
		}
		if len(days) > 0 {
			out.Trends = append(out.Trends, trendOf(p.ID, m, days))
		}
	}
	return j.outcomes(out, p, f, pulls)
}

// series is one car's daily means of one metric.
type series struct {
	vehicle   string
	dates     []string
	revisions []string // logged last on each day
	changes   []string // what was new on each day against the day before: "" for nothing
	rows      int
	commanded float64 // share of rows with the commanded value
	drift.Series
}

// driftOf charts one metric for every car of a platform.
func driftOf(d healthDesign, platform string, m watchedMetric, all []series) ([]FleetCar, error) {
	if len(all) == 0 {
		return nil, nil
	}
	plain := make([]drift.Series, len(all))
	for i := range all {
		plain[i] = all[i].Series
	}
	if d.window > 0 {
		var err error
		if plain, _, err = drift.AgainstFleet(plain, d.baseline, d.window); err != nil {
			return nil, err
		}
	}
	spread, err := drift.Pooled(plain, d.pooled)
	if err != nil {
		return nil, nil //nolint:nilerr // no car has two days with a difference between them: nothing to watch yet
	}
	monitor, err := d.chart(drift.Options{Baseline: d.baseline, Horizon: longest(plain), FalseAlarm: healthFalseAlarm})
	if err != nil {
		return nil, err
	}
	var cars []FleetCar
	for i := range all {
		c, err := monitor.Watch(plain[i], spread)
		if err != nil {
			return nil, fmt.Errorf("car %s: %w", all[i].vehicle, err)
		}
		if c.Status == drift.StatusWatched {
			cars = append(cars, fleetCar(platform, m, &all[i], &c))
		}
	}
	return cars, nil
}

// longest is the largest number of days any car was logged.
func longest(all []drift.Series) int {
	n := 1
	for i := range all {
		n = max(n, len(all[i].Values))
	}
	return n
}

// dailyResiduals takes speed, load, heat soak and the commanded value out of a metric and averages what is left by car
// and day. Rows without a date cannot be placed in time and are left out. Where the commanded value was not logged it
// stands at its middle, and the car's own level takes up the difference.
func dailyResiduals(m watchedMetric, rows []*evidence.Row) ([]series, error) {
	var use []*evidence.Row
	var commands []float64
	for _, r := range rows {
		if !known(m.value(r)) || !known(r.Load) || r.Date == "" {
			continue
		}
		use = append(use, r)
		if m.command != nil && known(m.command(r)) {
			commands = append(commands, m.command(r))
		}
	}
	middle := median(commands)
	width := 6
	if m.command != nil {
		width++
	}
	if len(use) <= width {
		return nil, nil // too few rows to take the conditions out of
	}
	nest := newNest[mixed.Row]()
	for _, r := range use {
		nest.add(r, mixed.Row{X: m.conditions(r, middle), Y: m.value(r)})
	}
	prior := mixed.Prior{Mean: make([]float64, width), SD: make([]float64, width)}
	for i := range prior.SD {
		prior.SD[i] = math.Inf(1)
	}
	model, err := mixed.Fit(mixedCars(nest), prior)
	if err != nil {
		return nil, err
	}
	// What the conditions explain at the fleet's average stays in, so that a baseline reads as a value of the metric.
	level := 0.0
	for _, r := range use {
		level += dot(m.conditions(r, middle), model.Coef) / float64(len(use))
	}
	return meansByDay(m, use, func(r *evidence.Row) float64 {
		return m.value(r) - dot(m.conditions(r, middle), model.Coef) + level
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
	if c := m.command(r); known(c) {
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
		commanded := 0
		for _, date := range slices.Sorted(maps.Keys(byCar[vehicle])) {
			t, err := time.Parse(time.DateOnly, date)
			if err != nil {
				return nil, fmt.Errorf("car %s: date %q of a run is not YYYY-MM-DD; mend runs.csv", vehicle, date)
			}
			day := byCar[vehicle][date]
			sum := 0.0
			for _, r := range day {
				sum += residual(r)
				if m.command != nil && known(m.command(r)) {
					commanded++
				}
			}
			s.dates = append(s.dates, date)
			s.revisions = append(s.revisions, day[len(day)-1].Revision)
			s.rows += len(day)
			s.Times = append(s.Times, float64(t.Unix())/86400)
			s.Values = append(s.Values, sum/float64(len(day)))
		}
		s.commanded = float64(commanded) / float64(s.rows)
		out = append(out, s)
	}
	return out, nil
}

const changeOfRevision = "revision "

// markChanges notes on which days a car came with another revision, or the first time after its hardware changed.
func (j *Job) markChanges(all []series) {
	hardware := map[string]string{}
	for id, v := range j.ws.Vehicles {
		hardware[j.alias(id)] = v.HardwareDate
	}
	for i := range all {
		s := &all[i]
		s.changes = make([]string, len(s.dates))
		for k := 1; k < len(s.dates); k++ {
			since := hardware[s.vehicle]
			switch {
			case since > s.dates[k-1] && since <= s.dates[k]:
				s.changes[k] = "hardware of " + since
			case s.revisions[k] != s.revisions[k-1]:
				s.changes[k] = changeOfRevision + s.revisions[k]
			}
		}
	}
}

// changeNear is the change of revision or hardware nearest to a day, within the coincidence; "" without one.
func (s *series) changeNear(day int) string {
	for off := 0; off <= coincidence; off++ {
		for _, k := range []int{day - off, day + off} {
			if k >= 0 && k < len(s.changes) && s.changes[k] != "" {
				return s.changes[k]
			}
		}
	}
	return ""
}

func fleetCar(platform string, m watchedMetric, s *series, c *drift.Chart) FleetCar {
	out := FleetCar{
		Vehicle: s.vehicle, Platform: platform, Metric: m.name, Unit: m.unit, Chart: c.Kind,
		Baseline: Number(c.Baseline), Latest: Number(c.Level), Shift: Number(c.Level - c.Baseline),
		Statistic: Number(c.Statistic), Threshold: Number(c.Threshold), PValue: Number(c.PValue), Signal: c.Signal,
		Runs: len(s.Values), Rows: s.rows, FalseAlarm: c.FalseAlarm, commandName: m.commandName,
	}
	if c.OnsetIndex >= 0 {
		out.Onset = s.dates[c.OnsetIndex]
		out.Coincides = s.changeNear(c.OnsetIndex)
		out.HeldBack = m.command != nil && strings.HasPrefix(out.Coincides, changeOfRevision) && s.commanded < leastCommanded
	}
	return out
}

// callDrift ranks the charts, calls those that stand out among all of them and says how far the calls can be trusted.
func callDrift(cars []FleetCar) (DriftCalls, error) {
	out := DriftCalls{Charts: len(cars), FalseAlarm: healthFalseAlarm, DiscoveryRate: healthDiscovery}
	if len(cars) > 0 {
		out.Chart = cars[0].Chart
	}
	p := make([]float64, len(cars))
	for i := range cars {
		p[i] = float64(cars[i].PValue)
	}
	adjusted, err := drift.Adjusted(p)
	if err != nil {
		return out, err
	}
	called := map[string]bool{}
	for i := range cars {
		c := &cars[i]
		c.AdjustedP = Number(adjusted[i])
		stands := c.Signal && adjusted[i] <= healthDiscovery
		c.HeldBack = c.HeldBack && stands
		c.Signal = stands && !c.HeldBack
		if !stands {
			c.Onset, c.Coincides = "", ""
		}
		if c.Signal {
			out.Called++
			called[c.Vehicle] = true
		}
		c.Say = driftSentence(c)
	}
	out.Cars = len(called)
	out.ExpectedFalse = Number(min(healthDiscovery*float64(out.Called), healthFalseAlarm*float64(out.Charts)))
	slices.SortStableFunc(cars, func(a, b FleetCar) int {
		return cmp.Or(cmp.Compare(callOrder(a), callOrder(b)), cmp.Compare(a.PValue, b.PValue), cmp.Compare(b.Statistic/b.Threshold, a.Statistic/a.Threshold),
			cmp.Compare(a.Vehicle, b.Vehicle), cmp.Compare(a.Metric, b.Metric))
	})
	for i := range cars {
		cars[i].Rank = i + 1
	}
	return out, nil
}

// callOrder puts signals first, then what was held back, then the rest.
func callOrder(c FleetCar) int {
	switch {
	case c.Signal:
		return 0
	case c.HeldBack:
		return 1
	}
	return 2
}

func driftSentence(c *FleetCar) string {
	if !c.Signal && !c.HeldBack {
		return fmt.Sprintf("%s has not moved by more than chance explains over %s of logs.", capital(c.Metric), count(c.Runs, "day"))
	}
	direction := "risen"
	if c.Shift < 0 {
		direction = "fallen"
	}
	moved := fmt.Sprintf("%s has %s by %s %s since %s", capital(c.Metric), direction, short(Number(math.Abs(float64(c.Shift)))), c.Unit, c.Onset)
	switch {
	case c.HeldBack:
		return fmt.Sprintf("%s, together with %s. The car does not log %s, so new tables cannot be told from drift: not called.", moved, c.Coincides, c.commandName)
	case c.Coincides != "" && c.commandName != "":
		return fmt.Sprintf("%s. It begins within a run of %s; %s is already taken out. Look at the car, and at that change, before its next revision.", moved, c.Coincides, c.commandName)
	case c.Coincides != "":
		return fmt.Sprintf("%s. It begins within a run of %s, which may be the cause. Look at the car, and at that change, before its next revision.", moved, c.Coincides)
	}
	return moved + ": look at the car before its next revision."
}

// newestRun is the date of the newest log in the workspace, the day from which overdue is counted: no clock is read.
func (j *Job) newestRun() string {
	newest := ""
	for i := range j.ws.Runs {
		newest = max(newest, j.ws.Runs[i].Date)
	}
	return newest
}

// overdue lists the cars of a platform that have not logged for long. A retired car owes no log.
func (j *Job) overdue(platform string, rows []evidence.Row, newest string) []OverdueCar {
	last := map[string]string{}
	for i := range rows {
		last[rows[i].Vehicle] = max(last[rows[i].Vehicle], rows[i].Date)
	}
	var out []OverdueCar
	for _, id := range slices.Sorted(maps.Keys(j.ws.Vehicles)) {
		if j.ws.Vehicles[id].Platform != platform || j.retired(id) != "" {
			continue
		}
		car := OverdueCar{Vehicle: j.alias(id), Platform: platform, LastRun: last[j.alias(id)], Days: Number(math.NaN())}
		days, ok := daysBetween(car.LastRun, newest)
		if ok {
			car.Days = Number(days)
		}
		if !ok || days > overdueDays {
			out = append(out, car)
		}
	}
	return out
}

func daysBetween(from, to string) (float64, bool) {
	a, errA := time.Parse(time.DateOnly, from)
	b, errB := time.Parse(time.DateOnly, to)
	if errA != nil || errB != nil {
		return 0, false
	}
	return b.Sub(a).Hours() / 24, true
}
