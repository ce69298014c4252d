package report

import (
	"fmt"
	"slices"
	"strings"

	"headroom/internal/backtest"
	"headroom/internal/metric"
	"headroom/internal/result"
)

// rules say how the numbers of a record are made.
var rules = []string{
	"A revision counts when its car (for a revision meant for the fleet: any car) has pulls logged on it. Its date " +
		"is that of its first own log, steady stretches included, whichever car made it. All its own pulls count, " +
		"however much later: faults and wear that came since are in them.",
	"The prediction uses only rows dated before that day; rows of logs without a date are left out of both sides. " +
		"Limits, fuels and calibration tables are those the workspace holds today.",
	fmt.Sprintf("Going forward in time, a platform is fitted anew at a revision's date once the pulls known before "+
		"it are %g times those of the last fit; until then the last fit serves. So a later log cannot move an "+
		"earlier prediction. The pulls the revision is judged on are picked up to its own date.", backtest.RefitGrowth),
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
			"bin.", backtest.LogScoreFloor),
	"Count bands: the number of own pulls that crossed lies between the 5 and the 95 % quantile of the binomial " +
		"counts mixed over the uncertainty of the probability. Counts are whole, so such bands should hold more " +
		"often than 90 %: how often is stated.",
	"Margin bands: the smallest margin of each own pull lies in the 90 % band given for the smallest margin of a " +
		"pull. Knock has none, because a log shows how much retard was taken and not how far the limit was.",
	"Pulls of one day share fuel and weather, so the pulls of a revision are not independent: intervals that count " +
		"pulls are too narrow, those over revisions are not.",
}

func wordedRecord(r *backtest.Record, w words) *backtest.Record {
	out := *r
	out.Rules = rules
	out.Cautions = append(w.list(r.Notes), StandingCautions...)
	out.Overall.Why = w.joined(r.Overall.Reasons)
	out.Hazards = slices.Clone(r.Hazards)
	for i := range out.Hazards {
		out.Hazards[i].Why = w.joined(r.Hazards[i].Reasons)
	}
	out.NotScored = slices.Clone(r.NotScored)
	for i := range out.NotScored {
		out.NotScored[i].Error = w.joined(r.NotScored[i].Reasons)
	}
	return &out
}

// recordReason says what a record cannot show and why.
func recordReason(r result.Reason) string {
	for _, say := range []func(result.Reason) string{scoreReason, unscoredReason, recordCaution} {
		if s := say(r); s != "" {
			return s
		}
	}
	return ""
}

// scoreReason says why a score is not there, or says less than it seems to.
func scoreReason(r result.Reason) string {
	switch r := r.(type) {
	case backtest.NothingPredicted:
		return "no revision was predicted"
	case backtest.NoneCrossed:
		return `no pull crossed: skill is not defined, because every rule that says "never" is right`
	case backtest.AllCrossed:
		return `every pull crossed: skill is not defined, because every rule that says "always" is right`
	case backtest.SkillOrLuck:
		return count(r.Revisions, "revision") + ": too few to tell skill from luck"
	case backtest.HazardsMixed:
		return "hazards that hardly ever cross lift the skill of all together: read it hazard by hazard"
	case backtest.NoKnock:
		return "no own pull of a predicted revision has knock retard, or no knock model could be fitted before one"
	case backtest.NotMeasurable:
		return metricNames(r.Metrics) + ": no log can measure it, so a prediction cannot be held against one"
	case backtest.NoLimits:
		return "no platform file has a limit for it"
	case backtest.NeverBoth:
		return metricNames(r.Metrics) + ": no revision has it both predicted from earlier logs and measured in its " +
			"own pulls where the limit applies"
	}
	return ""
}

func metricNames(ids []metric.ID) string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = plain(id)
	}
	return strings.Join(out, ", ")
}

// unscoredReason says why a revision with own pulls was not predicted.
func unscoredReason(r result.Reason) string {
	switch r := r.(type) {
	case backtest.NothingBefore:
		return fmt.Sprintf("no pull of platform %s is dated before its first own log on %s", r.Platform, r.Date)
	case backtest.NoFit:
		return fmt.Sprintf("no fit to what was known before %s: %s", r.Before, r.Fault)
	case backtest.NothingInCommon:
		return "no hazard was both predicted and measured in its own pulls"
	case backtest.NotPredicted:
		return r.Fault
	}
	return ""
}

// recordCaution says what a reader must know of a record.
func recordCaution(r result.Reason) string {
	switch r := r.(type) {
	case backtest.NoRecord:
		return "Nothing could be scored: the estimator has no record on this workspace yet."
	case backtest.UndatedRows:
		return count(r.Rows, "row") + " of evidence left out because their logs have no date: name them in runs.csv " +
			"or begin the file name with YYYY-MM-DD."
	case backtest.ShortRecord:
		return count(r.Revisions, "revision") + ": too few for a record."
	case backtest.MilderRevisions:
		return "Revisions that were thought too dangerous were not logged, so the record is of the milder ones; it " +
			"says less about a proposal beyond them."
	}
	return ""
}
