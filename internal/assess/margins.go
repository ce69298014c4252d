package assess

import (
	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/models/value"
)

// PullMargins is the smallest measured margin of each pull (see evidence.PullID) to the limits of a hazard on one
// metric, in the metric's unit, positive inside. Pulls in which it was not measured, or met no limit, are not in it.
// For metric.KnockMargin it is what was left of the tolerated retard, degrees: a log shows how much was taken, not how
// far the limit was. An exhaust temperature is the one that the probe would settle at.
func (m *Model) PullMargins(h hazard.ID, id metric.ID, rows []*evidence.Row) map[string]float64 {
	return m.pullMargins(m.Platform, h, id, rows)
}

// pullMargins is PullMargins with measurements as a platform reads them.
func (m *Model) pullMargins(read *state.Platform, h hazard.ID, id metric.ID, rows []*evidence.Row) map[string]float64 {
	out := map[string]float64{}
	note := func(r *evidence.Row, margin float64) {
		if !value.Known(margin) {
			return
		}
		pull := evidence.PullID(r)
		if old, ok := out[pull]; !ok || margin < old {
			out[pull] = margin
		}
	}
	if id == metric.KnockMargin {
		for _, r := range rows {
			if m.KnockControl != nil && r.KnockLogged {
				note(r, m.KnockControl.ToleratedRetardDeg-r.RetardMax)
			}
		}
		return out
	}
	q := fleet.QuantityOf(id)
	if q == nil || q.Measured == nil {
		return out
	}
	for _, l := range m.LimitsFor(h) {
		if l.Metric != id {
			continue
		}
		for _, r := range rows {
			s := m.Read(r)
			note(r, q.Margin(read, &s, l.At))
		}
	}
	return out
}
