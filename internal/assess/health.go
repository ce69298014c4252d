package assess

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/drift"
	"headroom/models/lifetime"
	"headroom/models/mixed"
)

// Settings of the health review. Lambda 0.2 is common practice for slow drift (NIST/SEMATECH e-Handbook 6.3.2.4); the
// baseline is short because cars log rarely, which is why the deviation is pooled over the fleet.
const (
	healthBaseline   = 2    // days of logs that make a car's own level
	healthLambda     = 0.2  // of the EWMA
	healthFalseAlarm = 0.01 // a chart of a healthy car signals with this chance over the days watched
	healthDiscovery  = 0.10 // share of called cars that may be called wrongly, over all charts
	overdueDays      = 180  // without a log
)

// watched are the quantities whose drift is followed: what a healthy car keeps constant once speed, load and place in
// the run are taken out.
type watchedMetric struct {
	name, unit string
	value      func(r *evidence.Row) float64
}

var watchedMetrics = []watchedMetric{
	{"fuel trim, long and short", "%", func(r *evidence.Row) float64 { return r.LongTermTrim + r.ShortTermTrim }},
	{"lambda error", "lambda", func(r *evidence.Row) float64 { return r.LambdaError }},
	{"boost error", "kPa", func(r *evidence.Row) float64 { return spoolFree(r, r.BoostError) }},
	{"wastegate duty", "%", func(r *evidence.Row) float64 { return spoolFree(r, r.WastegateDuty) }},
	{"charge temperature rise", "K", func(r *evidence.Row) float64 { return r.ChargeTemperatureRise }},
	{"rail shortfall", "kPa", func(r *evidence.Row) float64 { return r.RailShortfall }},
	{"knock retard", "deg", func(r *evidence.Row) float64 { return r.RetardMax }},
}

func spoolFree(r *evidence.Row, v float64) float64 {
	if known(r.BoostOvershoot) && !known(onTarget(r.BoostOvershoot)) {
		return math.NaN()
	}
	return v
}

// Fleet is the periodic health review: cars that drift against their own past, what the outcomes prove, overdue cars.
func (j *Job) Fleet() (*Fleet, error) {
	out := &Fleet{Stamp: j.stamp("headroom/fleet/1"), Cars: []FleetCar{}, Outcomes: []OutcomeProof{}, Overdue: []OverdueCar{}, Cautions: []string{}}
	newest := j.newestRun()
	var p []float64
	for _, id := range slices.Sorted(maps.Keys(j.ws.Platforms)) {
		_, _, rows, err := j.fitted(id)
		if err != nil {
			return nil, err
		}
		for _, m := range watchedMetrics {
			cars, ps, err := driftOf(id, m, pullRows(rows))
			if err != nil {
				return nil, fmt.Errorf("platform %s, %s: %w", id, m.name, err)
			}
			out.Cars = append(out.Cars, cars...)
			p = append(p, ps...)
		}
		proof, err := j.outcomeProof(id, pullRows(rows))
		if err != nil {
			return nil, err
		}
		out.Outcomes = append(out.Outcomes, proof)
		out.Overdue = append(out.Overdue, j.overdue(id, rows, newest)...)
	}
	if err := callDrift(out.Cars, p); err != nil {
		return nil, err
	}
	out.Cautions = append(out.Cautions, StandingCautions...)
	return out, nil
}

// series is one car's daily means of one metric.
type series struct {
	vehicle string
	dates   []string
	rows    int
	drift.Series
}

// driftOf charts one metric for every car of a platform. Rows without a date cannot be placed in time and are left out.
func driftOf(platform string, m watchedMetric, rows []*evidence.Row) ([]FleetCar, []float64, error) {
	all, err := dailyResiduals(m, rows)
	if err != nil || len(all) == 0 {
		return nil, nil, err
	}
	plain := make([]drift.Series, len(all))
	for i := range all {
		plain[i] = all[i].Series
	}
	spread, err := drift.Pooled(plain, healthBaseline)
	if err != nil {
		return nil, nil, nil //nolint:nilerr // no car has two days with a difference between them: nothing to watch yet
	}
	monitor, err := drift.NewEWMA(healthLambda, drift.Options{Baseline: healthBaseline, Horizon: longest(all), FalseAlarm: healthFalseAlarm})
	if err != nil {
		return nil, nil, err
	}
	var cars []FleetCar
	var p []float64
	for i := range all {
		c, err := monitor.Watch(all[i].Series, spread)
		if err != nil {
			return nil, nil, fmt.Errorf("car %s: %w", all[i].vehicle, err)
		}
		if c.Status != drift.StatusWatched {
			continue
		}
		cars = append(cars, fleetCar(platform, m, &all[i], &c))
		p = append(p, c.PValue)
	}
	return cars, p, nil
}

// longest is the largest number of days any car was logged.
func longest(all []series) int {
	n := 1
	for i := range all {
		n = max(n, len(all[i].Values))
	}
	return n
}

// dailyResiduals takes speed, load and heat soak out of a metric and averages what is left by car and day.
func dailyResiduals(m watchedMetric, rows []*evidence.Row) ([]series, error) {
	var use []*evidence.Row
	nest := newNest[mixed.Row]()
	for _, r := range rows {
		if y := m.value(r); known(y) && known(r.Load) && r.Date != "" {
			use = append(use, r)
			nest.add(r, mixed.Row{X: conditionCovariates(r), Y: y})
		}
	}
	if len(use) == 0 {
		return nil, nil
	}
	inf := math.Inf(1)
	model, err := mixed.Fit(mixedCars(nest), mixed.Prior{Mean: make([]float64, 6), SD: []float64{inf, inf, inf, inf, inf, inf}})
	if err != nil {
		return nil, err
	}
	type day struct {
		sum float64
		n   int
	}
	byCar := map[string]map[string]*day{}
	for _, r := range use {
		days := byCar[r.Vehicle]
		if days == nil {
			days = map[string]*day{}
			byCar[r.Vehicle] = days
		}
		if days[r.Date] == nil {
			days[r.Date] = &day{}
		}
		level := model.Coef[0] // keep the fleet's level, so that baselines read in the metric's own unit
		days[r.Date].sum += m.value(r) - dot(conditionCovariates(r), model.Coef) + level
		days[r.Date].n++
	}
	var out []series
	for _, vehicle := range slices.Sorted(maps.Keys(byCar)) {
		s := series{vehicle: vehicle}
		for _, date := range slices.Sorted(maps.Keys(byCar[vehicle])) {
			t, err := time.Parse(time.DateOnly, date)
			if err != nil {
				return nil, fmt.Errorf("car %s: date %q of a run is not YYYY-MM-DD; mend runs.csv", vehicle, date)
			}
			d := byCar[vehicle][date]
			s.dates = append(s.dates, date)
			s.rows += d.n
			s.Times = append(s.Times, float64(t.Unix())/86400)
			s.Values = append(s.Values, d.sum/float64(d.n))
		}
		out = append(out, s)
	}
	return out, nil
}

func conditionCovariates(r *evidence.Row) []float64 {
	k := r.RPM / 1000
	return []float64{1, k - 4, math.Max(0, k-3), math.Max(0, k-5), r.Load/100 - 1.5, float64(r.Order)}
}

func fleetCar(platform string, m watchedMetric, s *series, c *drift.Chart) FleetCar {
	out := FleetCar{
		Vehicle: s.vehicle, Platform: platform, Metric: m.name, Unit: m.unit, Chart: c.Kind,
		Baseline: Number(c.Baseline), Latest: Number(c.Level), Shift: Number(c.Level - c.Baseline),
		Statistic: Number(c.Statistic), Threshold: Number(c.Threshold), Signal: c.Signal,
		Runs: len(s.Values), Rows: s.rows, FalseAlarm: c.FalseAlarm,
	}
	if c.OnsetIndex >= 0 {
		out.Onset = s.dates[c.OnsetIndex]
	}
	return out
}

// callDrift ranks the charts and calls those that stand out among all of them.
func callDrift(cars []FleetCar, p []float64) error {
	if len(cars) == 0 {
		return nil
	}
	adjusted, err := drift.Adjusted(p)
	if err != nil {
		return err
	}
	for i := range cars {
		c := &cars[i]
		c.adjusted = adjusted[i]
		c.Signal = c.Signal && adjusted[i] <= healthDiscovery
		c.Say = driftSentence(c)
	}
	slices.SortStableFunc(cars, func(a, b FleetCar) int {
		return cmp.Or(cmp.Compare(a.adjusted, b.adjusted), cmp.Compare(b.Statistic/b.Threshold, a.Statistic/a.Threshold),
			cmp.Compare(a.Vehicle, b.Vehicle), cmp.Compare(a.Metric, b.Metric))
	})
	for i := range cars {
		cars[i].Rank = i + 1
	}
	return nil
}

func driftSentence(c *FleetCar) string {
	if !c.Signal {
		return fmt.Sprintf("%s has not moved by more than chance explains over %s of logs.", capital(c.Metric), count(c.Runs, "day"))
	}
	direction := "risen"
	if c.Shift < 0 {
		direction = "fallen"
	}
	return fmt.Sprintf("%s has %s by %s %s since %s: look at the car before its next revision.",
		capital(c.Metric), direction, short(Number(math.Abs(float64(c.Shift)))), c.Unit, c.Onset)
}

// outcomeProof says what the recorded failures of a platform, or their absence, prove about its logged cars.
func (j *Job) outcomeProof(platform string, rows []*evidence.Row) (OutcomeProof, error) {
	cars, pulls := countCars(rows), countPulls(rows)
	failed := map[string]bool{}
	logged := map[string]bool{}
	for _, r := range rows {
		logged[r.Vehicle] = true
	}
	for _, o := range j.ws.Outcomes {
		if v := j.ws.Vehicles[o.Vehicle]; v != nil && v.Platform == platform && o.Event == workspace.EventFailure && logged[j.alias(o.Vehicle)] {
			failed[o.Vehicle] = true
		}
	}
	out := OutcomeProof{Platform: platform, Cars: cars, Failures: len(failed), Pulls: pulls,
		RateUpper: Number(math.NaN()), PullsUpper: Number(math.NaN())}
	if cars == 0 {
		out.Say = "No car of this platform has logged a pull: nothing is proven."
		return out, nil
	}
	share, err := lifetime.ShareUpper(len(failed), cars, 0.95)
	if err != nil {
		return out, err
	}
	rate, err := lifetime.RateUpper(len(failed), float64(pulls), 0.95)
	if err != nil {
		return out, err
	}
	out.RateUpper, out.PullsUpper = Number(share), Number(rate)
	out.Say = fmt.Sprintf("%d of %d logged cars failed in %d logged pulls; the evidence still allows up to %s of such cars to fail (95 %% one-sided), over the mileage seen and not beyond.",
		len(failed), cars, pulls, percent(Number(share)))
	return out, nil
}

// newestRun is the date of the newest log in the workspace, the day from which overdue is counted: no clock is read.
func (j *Job) newestRun() string {
	newest := ""
	for i := range j.ws.Runs {
		newest = max(newest, j.ws.Runs[i].Date)
	}
	return newest
}

func (j *Job) overdue(platform string, rows []evidence.Row, newest string) []OverdueCar {
	last := map[string]string{}
	for i := range rows {
		last[rows[i].Vehicle] = max(last[rows[i].Vehicle], rows[i].Date)
	}
	var out []OverdueCar
	for _, id := range slices.Sorted(maps.Keys(j.ws.Vehicles)) {
		if j.ws.Vehicles[id].Platform != platform {
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
