package assess

import (
	"math"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// Measurable reports whether a log can show a limited metric at all; for the others there is only what physics
// computes.
func Measurable(metric string) bool {
	m := metricNamed(metric)
	return m != nil && m.measured != nil
}

// PullMargins is the smallest measured margin of each pull (see evidence.PullID) to the limits of a hazard on one
// metric, in the metric's unit, positive inside. Pulls in which it was not measured, or met no limit, are not in it.
// For KnockMargin it is what was left of the tolerated retard, degrees: a log shows how much was taken, not how far the
// limit was.
func (m *Model) PullMargins(hazard, metric string, rows []*evidence.Row) map[string]float64 {
	p := m.platform
	out := map[string]float64{}
	note := func(r *evidence.Row, margin float64) {
		if !value.Known(margin) {
			return
		}
		id := evidence.PullID(r)
		if old, ok := out[id]; !ok || margin < old {
			out[id] = margin
		}
	}
	if metric == KnockMargin {
		for _, r := range rows {
			if p.KnockControl != nil && r.KnockLogged {
				note(r, p.KnockControl.ToleratedRetardDeg-r.RetardMax)
			}
		}
		return out
	}
	of := metricNamed(metric)
	if of == nil || of.measured == nil {
		return out
	}
	for _, l := range p.LimitsFor(hazard) {
		if l.Metric != metric {
			continue
		}
		for _, r := range rows {
			note(r, p.measuredMargin(of, l, r))
		}
	}
	return out
}

// measuredMargin is the smallest measured margin of a row to a limit, positive inside; NaN where the metric was not
// measured or the limit does not apply.
func (p *platform) measuredMargin(m *metric, l *workspace.Limit, r *evidence.Row) float64 {
	smallest := math.NaN()
	look := func(rpm, load, v float64) {
		limit, applies := l.At(rpm, load)
		if margin := m.side * (limit - v); applies && value.Known(margin) && !(margin >= smallest) {
			smallest = margin
		}
	}
	if m.sample == nil {
		rpm := r.RPM
		if m.place != nil {
			rpm = value.Or(m.place(r), r.RPM)
		}
		look(rpm, r.Load, m.measured(p, r))
		return smallest
	}
	for _, at := range r.Kept() {
		look(at.RPM, at.Load, m.sample(p, at))
	}
	return smallest
}
