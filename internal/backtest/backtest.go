// Package backtest keeps the estimator's own record: had it been asked before each past revision was first driven, what
// would it have said, and what did the revision's own pulls then do? It holds time order (which rows were known when),
// outcomes (which pulls crossed) and scores; what is foreseen comes from internal/assess, which is shown nothing of the
// day or later. Scores are those of models/risk (Brier 1950; methods and sources in docs/methods.md).
package backtest

import (
	"fmt"
	"maps"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/parallel"
	"headroom/internal/say"
)

// Choices of the backtest; common practice, no source.
const (
	refitGrowth    = 1.25 // a platform is fitted anew once this many times as many pulls are known as at the last fit
	logScoreFloor  = 1e-3 // probabilities nearer to 0 or 1 count as this far away: rarer than a fleet's logs can show
	skillResamples = 1000
	fewRevisions   = 10 // below this the scores of a hazard say little
)

// reliabilityEdges are closer where most revisions lie and where the verdict turns.
var reliabilityEdges = []float64{0, 0.01, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1}

// rules are printed with the record.
var rules = []string{
	"A revision counts when its car (for a revision meant for the fleet: any car) has pulls logged on it. Its date " +
		"is that of its first own log, steady stretches included, whichever car made it. All its own pulls count, " +
		"however much later: faults and wear that came since are in them.",
	"The prediction uses only rows dated before that day; rows of logs without a date are left out of both sides. " +
		"Limits, fuels and calibration tables are those the workspace holds today.",
	fmt.Sprintf("Going forward in time, a platform is fitted anew at a revision's date once the pulls known before "+
		"it are %g times those of the last fit; until then the last fit serves. So a later log cannot move an "+
		"earlier prediction. The pulls the revision is judged on are picked up to its own date.", refitGrowth),
	"A pull crosses a hazard when a measured metric passes its limit in any cell, for knock when total retard passes " +
		"the tolerated retard. The probability is that of the worst of the hazard's measured limits.",
	"Base rate: share of the platform's pulls known before that crossed the hazard, (crossed + ½) / (pulls + 1) " +
		"(Jeffreys' prior). Naive rule: every pull will be as the car's last log before, outside when any pull of it " +
		"crossed, smoothed likewise with the pulls of that log; the base rate where the car has no log of the hazard " +
		"and for a revision meant for the fleet.",
	"Brier score: mean over pulls of (probability − outcome)². Skill: 1 − score / score of the rule compared with; " +
		"its 90 % interval resamples whole revisions. " +
		fmt.Sprintf("Log score: mean of −ln of the probability given to what happened, probabilities kept %g away "+
			"from 0 and 1. Calibration error: mean over pulls of the distance between stated and seen in the pull's "+
			"bin.", logScoreFloor),
	"Count bands: the number of own pulls that crossed lies between the 5 and the 95 % quantile of the binomial " +
		"counts mixed over the uncertainty of the probability. Counts are whole, so such bands should hold more " +
		"often than 90 %: how often is stated.",
	"Margin bands: the smallest margin of each own pull lies in the 90 % band given for the smallest margin of a " +
		"pull. Knock has none, because a log shows how much retard was taken and not how far the limit was.",
	"Pulls of one day share fuel and weather, so the pulls of a revision are not independent: intervals that count " +
		"pulls are too narrow, those over revisions are not.",
}

// Run predicts every revision that has pulls of its own from the rows dated before its first own log, and scores the
// predictions. The record does not depend on jobs; done is called after each fit and prediction, from any goroutine.
func Run(job *assess.Job, jobs int, done func(finished, total int)) (*Record, error) {
	out := &Record{
		Stamp:   job.Stamp("headroom/backtest/1"),
		Hazards: []Score{}, Predictions: []Prediction{}, Fits: []Fit{}, NotScored: []Unscored{},
		Rules: rules, Cautions: []string{},
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
	made, left := make([][]Prediction, len(work)), make([]error, len(work))
	parallel.Each(len(work), jobs, func(n, _ int) { done(len(fits)+n, total) },
		func(i int) { made[i], left[i] = work[i].predict(job) })
	for i, t := range work {
		if left[i] != nil {
			out.NotScored = append(out.NotScored, Unscored{Revision: t.rev.ID, Error: left[i].Error()})
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
	out.Cautions = out.cautions()
	return out, nil
}

// cautions are what this record cannot show.
func (r *Record) cautions() []string {
	var out []string
	if r.Predicted == 0 {
		out = append(out, "Nothing could be scored: the estimator has no record on this workspace yet.")
	}
	if r.UndatedRows > 0 {
		out = append(out, fmt.Sprintf("%s of evidence left out because their logs have no date: name them in "+
			"runs.csv or begin the file name with YYYY-MM-DD.", say.Count(r.UndatedRows, "row")))
	}
	if r.Predicted > 0 && r.Predicted < fewRevisions {
		out = append(out, fmt.Sprintf("%s: too few for a record.", say.Count(r.Predicted, "revision")))
	}
	if r.Predicted > 0 {
		out = append(out, "Revisions that were thought too dangerous were not logged, so the record is of the milder "+
			"ones; it says less about a proposal beyond them.")
	}
	return out
}
