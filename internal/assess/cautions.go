package assess

import (
	"slices"

	"headroom/internal/assess/footprint"
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

// cycleLack is why the platform has no cycle model.
func (m *Model) cycleLack() result.Lack {
	return result.Lack{Missing: []result.Missing{}, Fault: m.CycleWhy}
}
