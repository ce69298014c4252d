package assess

import (
	"slices"

	"headroom/internal/assess/footprint"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// tableNotes are what looks wrong in the revision's own tables by themselves, and their new spikes.
func tableNotes(rev *workspace.Revision, f *footprint.Footprint) result.Reasons {
	var out result.Reasons
	for i := range rev.Tables {
		if t := &rev.Tables[i]; t.Table != nil {
			for _, d := range lintDoubts(t) {
				out = append(out, d)
			}
		}
	}
	return append(out, newSpikes(f)...)
}

// newSpikes are those that the parent's tables do not have: the footprint lists them all.
func newSpikes(f *footprint.Footprint) (out result.Reasons) {
	for i := range f.Spikes {
		if f.Spikes[i].New {
			out = append(out, NewSpike{Spike: f.Spikes[i]})
		}
	}
	return out
}

// notes are what a reader must know about how a platform's numbers came about; a metric without a limit gives none.
func (m *Model) notes() result.Reasons {
	var out result.Reasons
	if m.Cycle == nil {
		out = append(out, NoCycle{Lack: m.cycleLack()})
	}
	out = append(out, m.weakened()...)
	out = append(out, m.fileNotes()...)
	if m.Knock != nil {
		for _, w := range m.Knock.Warnings {
			out = append(out, FitWarning{Metric: metric.KnockMargin, Note: w})
		}
	}
	for _, q := range metric.All() {
		fit, ok := m.Margins[q.ID]
		if !ok || !slices.ContainsFunc(m.Limits, func(l workspace.Limit) bool { return l.Metric == q.ID }) {
			continue
		}
		for _, w := range fit.Model.Warnings {
			out = append(out, FitWarning{Metric: q.ID, Note: w})
		}
	}
	return out
}

// weakened are the settings by which the workspace lets more pass than is usual.
func (m *Model) weakened() (out result.Reasons) {
	for _, h := range hazard.All() {
		if s := m.severity(h); s.Weight() < h.Severity.Weight() {
			out = append(out, LowerSeverity{Hazard: h.ID, Severity: s, Usual: h.Severity})
		}
	}
	d, usual := m.decision(), workspace.Defaults().Decision
	for _, severity := range []hazard.Severity{hazard.Catastrophic, hazard.Major} {
		for _, t := range []struct {
			stress         bool
			allowed, usual map[hazard.Severity]float64
		}{{false, d.HoldProbability, usual.HoldProbability}, {true, d.StressProbability, usual.StressProbability}} {
			if t.allowed[severity] > t.usual[severity] {
				out = append(out, LaxThreshold{Severity: severity, Stress: t.stress,
					Allowed: result.Number(t.allowed[severity]), Usual: result.Number(t.usual[severity])})
			}
		}
	}
	return out
}

// cycleLack is why the platform has no cycle model.
func (m *Model) cycleLack() result.Lack {
	return result.Lack{Missing: []result.Missing{}, Fault: m.CycleWhy}
}
