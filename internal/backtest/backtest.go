// Package backtest keeps the estimator's own record: had it been asked before each past revision was first driven, what
// would it have said, and what did the revision's own pulls then do? It holds time order (which rows were known when),
// outcomes (which pulls crossed) and scores; predictions come from internal/assess, which is shown nothing of the day
// or later. Scores are those of models/risk (Brier 1950; methods and sources in docs/methods.md). The record is facts;
// internal/report words them.
package backtest

import (
	"maps"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/parallel"
	"headroom/internal/result"
)

// Choices of the backtest; common practice, no source.
const (
	// RefitGrowth: a platform is fitted anew once this many times as many pulls are known as at the last fit.
	RefitGrowth = 1.25
	// LogScoreFloor: probabilities nearer to 0 or 1 count as this far away: rarer than a fleet's logs can show.
	LogScoreFloor = 1e-3

	skillResamples = 1000
	fewRevisions   = 10 // below this the scores of a hazard say little
)

// reliabilityEdges are closer where most revisions lie and where the verdict turns.
var reliabilityEdges = []float64{0, 0.01, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1}

// Run predicts every revision that has pulls of its own from the rows dated before its first own log, and scores the
// predictions. The record does not depend on jobs; done is called after each fit and prediction, from any goroutine.
func Run(job *assess.Job, jobs int, done func(finished, total int)) (*Record, error) {
	out := &Record{
		Stamp:   job.Stamp("headroom/backtest/1"),
		Hazards: []Score{}, Predictions: []Prediction{}, Fits: []Fit{}, NotScored: []Unscored{},
	}
	var all []*plan
	for _, id := range slices.Sorted(maps.Keys(job.Workspace().Platforms)) {
		rows, err := job.Evidence(id)
		if err != nil {
			return nil, err
		}
		p := planOf(job, id, rows)
		all = append(all, p)
		out.Revisions += len(p.tasks)
		out.UndatedRows += p.undated
	}
	work, fits := tasksOf(all), fitsOf(all)
	total := len(fits) + len(work)
	parallel.Each(len(fits), jobs, func(n, _ int) { done(n, total) }, func(i int) { fits[i].learn(job) })
	made, left := make([][]Prediction, len(work)), make(result.Reasons, len(work))
	parallel.Each(len(work), jobs, func(n, _ int) { done(len(fits)+n, total) },
		func(i int) { made[i], left[i] = work[i].predict(job) })
	for i, t := range work {
		if left[i] != nil {
			out.NotScored = append(out.NotScored, Unscored{Revision: t.rev.ID, Reasons: result.Reasons{left[i]}})
			continue
		}
		out.Predicted++
		out.Predictions = append(out.Predictions, made[i]...)
	}
	for _, p := range all {
		out.Fits = append(out.Fits, p.fitList()...)
	}
	if err := out.score(job); err != nil {
		return nil, err
	}
	out.Notes = out.notes()
	return out, nil
}

// notes are what this record cannot show.
func (r *Record) notes() result.Reasons {
	var out result.Reasons
	if r.Predicted == 0 {
		out = append(out, NoRecord{})
	}
	if r.UndatedRows > 0 {
		out = append(out, UndatedRows{Rows: r.UndatedRows})
	}
	if r.Predicted > 0 && r.Predicted < fewRevisions {
		out = append(out, ShortRecord{Revisions: r.Predicted})
	}
	if r.Predicted > 0 {
		out = append(out, MilderRevisions{})
	}
	return out
}
