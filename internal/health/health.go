// Package health answers what a shop asks of its fleet every few weeks: which cars drift away from their own past and
// from the fleet, what whole platforms do over time, which envelopes moved since the last review that was remembered,
// what the recorded failures (or their absence) prove, and who has not logged for long. It holds no physics: what a car
// was seen to do comes from internal/evidence, what its platform has been shown to run and how strong the car is from
// internal/assess. Charts are those of models/drift, proofs those of models/lifetime; docs/methods.md gives the
// sources. Results are facts; internal/report words them.
package health

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"headroom/internal/assess"
	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// Settings of the health review.
const (
	falseAlarm    = 0.01 // a chart of a healthy car ever passes its threshold with this chance at most
	discoveryRate = 0.10 // share of called charts, or trends, that may be called wrongly
	overdueDays   = 180  // without a log
	coincidence   = 1    // runs between an onset and a change of revision or hardware that may be one event
)

// Review is the periodic health review of a workspace's fleet.
func Review(job *assess.Job) (*Fleet, error) {
	ws := job.Workspace()
	newest := newestRun(ws)
	out := &Fleet{Stamp: job.Stamp("headroom/fleet/1"), NewestRun: newest, Cars: []CarDrift{}, Trends: []Trend{},
		Outcomes: []OutcomeProof{}, Survival: []Survival{}, Comparisons: []RateComparison{},
		OverdueAfter: overdueDays, Overdue: []OverdueCar{}}
	for _, id := range slices.Sorted(maps.Keys(ws.Platforms)) {
		model, err := job.Model(id)
		if err != nil {
			return nil, err
		}
		rows, err := job.Evidence(id)
		if err != nil {
			return nil, err
		}
		if err := out.addPlatform(job, model, id, rows); err != nil {
			return nil, fmt.Errorf("platform %s: %w", id, err)
		}
		out.Overdue = append(out.Overdue, overdue(job, id, rows, newest)...)
	}
	var err error
	if out.Drift, err = callDrift(out.Cars); err != nil {
		return nil, err
	}
	if out.Drift.Smallest, err = smallestDrifts(out.watched, out.Drift.Charts); err != nil {
		return nil, err
	}
	if err := callTrends(out.Trends); err != nil {
		return nil, err
	}
	out.EnvelopeChanges, err = envelopeChanges(job)
	return out, err
}

// addPlatform adds one platform's drift charts, trends and outcomes.
func (f *Fleet) addPlatform(job *assess.Job, model *assess.Model, platform string, rows []evidence.Row) error {
	pulls := evidence.PullRows(rows)
	if err := f.addCharts(platform, pulls, hardwareDates(job)); err != nil {
		return err
	}
	return f.addOutcomes(job, model, platform, pulls)
}

// addCharts adds one platform's drift charts and trends.
func (f *Fleet) addCharts(platform string, pulls []*evidence.Row, hardware map[string]string) error {
	for i, m := range slices.Concat(watchedMetrics, trendMetrics) {
		days, err := dailyResiduals(m, pulls)
		if err != nil {
			return fmt.Errorf("%s: %w", m.name, err)
		}
		if len(days) == 0 {
			continue
		}
		markChanges(days, hardware)
		f.Trends = append(f.Trends, trendOf(platform, m, days))
		if i >= len(watchedMetrics) {
			continue
		}
		cars, w, err := driftOf(standardDesign, platform, m, days)
		if err != nil {
			return fmt.Errorf("%s: %w", m.name, err)
		}
		if w != nil {
			f.watched = append(f.watched, *w)
		}
		f.Cars = append(f.Cars, cars...)
	}
	return nil
}

// newestRun is the date of the newest log in the workspace, the day from which overdue is counted: no clock is read.
func newestRun(ws *workspace.Workspace) string {
	newest := ""
	for i := range ws.Runs {
		newest = max(newest, ws.Runs[i].Date)
	}
	return newest
}

// overdue lists the cars of a platform that have not logged for long. A retired car owes no log.
func overdue(job *assess.Job, platform string, rows []evidence.Row, newest string) []OverdueCar {
	ws := job.Workspace()
	last := map[string]string{}
	for i := range rows {
		last[rows[i].Vehicle] = max(last[rows[i].Vehicle], rows[i].Date)
	}
	var out []OverdueCar
	for _, id := range slices.Sorted(maps.Keys(ws.Vehicles)) {
		if ws.Vehicles[id].Platform != platform || retired(ws, id) != "" {
			continue
		}
		car := OverdueCar{Vehicle: job.Alias(id), Platform: platform, LastRun: last[job.Alias(id)],
			Days: result.Unknown()}
		days, ok := daysBetween(car.LastRun, newest)
		if ok {
			car.Days = result.Number(days)
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
