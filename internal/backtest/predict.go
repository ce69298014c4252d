package backtest

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/risk"
)

// predict is what would have been said of the revision the day before its first own log, hazard by hazard, beside what
// its own pulls did; else why there is nothing.
func (t *task) predict(job *assess.Job) ([]Prediction, result.Reason) {
	if t.fit == nil {
		return nil, NothingBefore{Platform: t.plan.platform, Date: t.date}
	}
	if err := t.fit.err; err != nil {
		return nil, NoFit{Before: t.fit.before, Fault: err.Error()}
	}
	out, err := t.predictHazards(job)
	if err != nil {
		return nil, NotPredicted{Fault: err.Error()}
	}
	if len(out) == 0 {
		return nil, NothingInCommon{}
	}
	return out, nil
}

// predictHazards predicts each hazard that the own pulls measured.
func (t *task) predictHazards(job *assess.Job) ([]Prediction, error) {
	before := t.plan.rowsBefore(t.date)
	forecasts, err := t.fit.model.Predict(t.rev, t.car, t.hardwareKnown(job.Workspace()), before)
	if err != nil {
		return nil, err
	}
	known := evidence.PullRows(before)
	var out []Prediction
	for _, h := range hazard.All() {
		of := slices.DeleteFunc(slices.Clone(forecasts), func(f assess.Forecast) bool { return f.Hazard != h.ID })
		p, ok, err := t.compare(h.ID, of, known)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", h.ID, err)
		}
		if ok {
			p.Vehicle = job.Alias(t.rev.Vehicle)
			out = append(out, p)
		}
	}
	return out, nil
}

// hardwareKnown is the day of the car's last hardware change, "" when there is none or when it came after the
// revision's date and was not known then.
func (t *task) hardwareKnown(ws *workspace.Workspace) string {
	v := ws.Vehicles[t.rev.Vehicle]
	if v == nil || v.HardwareDate > t.date {
		return ""
	}
	return v.HardwareDate
}

// compare sets the forecasts of a hazard beside the own pulls, before being the pulls known at the time; ok is false
// when nothing was both predicted and measured.
func (t *task) compare(h hazard.ID, forecasts []assess.Forecast, before []*evidence.Row) (
	out Prediction, ok bool, err error) {
	model := t.fit.model
	seen := map[metric.ID]map[string]float64{}
	worst := (*assess.Forecast)(nil)
	for i := range forecasts {
		f := &forecasts[i]
		margins := model.PullMargins(h, f.Metric, t.own)
		if len(margins) == 0 {
			continue
		}
		seen[f.Metric] = margins
		if worst == nil || f.Probability > worst.Probability {
			worst = f
		}
	}
	if worst == nil {
		return out, false, nil
	}
	out = Prediction{
		Revision: t.rev.ID, Platform: t.plan.platform, Date: t.date, FitBefore: t.fit.before, Hazard: h,
		Status: result.Assessed,
		Cars:   worst.Cars, KnownPulls: worst.Pulls, ProbabilityPerPull: result.Number(worst.Probability),
		Interval90: spanOf(worst.Interval90), Margins: []Margin{},
	}
	if worst.Thin {
		out.Status = result.Thin
	}
	metrics := slices.Sorted(maps.Keys(seen))
	out.Pulls, out.Crossed = tally(crossings(seen))
	base := smoothed(tally(outcomes(model, h, metrics, before)))
	out.BaseRate = result.Number(base)
	out.Naive = result.Number(naive(model, t.car, h, metrics, before, base))
	band, err := risk.CrossingBand(worst.Draws, out.Pulls)
	if err != nil {
		return out, false, err
	}
	out.Band90, out.Inside, out.expected = [2]int{band.Low, band.High}, band.Holding(out.Crossed), band.Holds
	for i := range forecasts {
		f := &forecasts[i]
		if margins := seen[f.Metric]; len(margins) > 0 && f.Metric != metric.KnockMargin {
			out.Margins = append(out.Margins, heldMargins(f, margins))
		}
	}
	return out, true, nil
}

func spanOf(v [2]float64) result.Span { return result.Span{result.Number(v[0]), result.Number(v[1])} }

// heldMargins counts the pulls whose smallest margin lies in the band.
func heldMargins(f *assess.Forecast, margins map[string]float64) Margin {
	low, high := f.Worst90[0], f.Worst90[1]
	out := Margin{
		Metric: f.Metric, Unit: f.Unit, Band90: spanOf(f.Worst90),
		Seen: spanOf([2]float64{math.Inf(1), math.Inf(-1)}), Pulls: len(margins),
	}
	for _, m := range margins {
		out.Seen[0], out.Seen[1] = min(out.Seen[0], result.Number(m)), max(out.Seen[1], result.Number(m))
		switch {
		case m < low:
			out.Below++
		case m <= high:
			out.Held++
		}
	}
	return out
}
