package assess

import (
	"slices"

	"headroom/internal/assess/footprint"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/calmap"
)

// tableNotes are what looks wrong in the revision's own tables. Of the spikes those that the parent does not have: the
// footprint lists them all.
func tableNotes(rev *workspace.Revision, f *footprint.Footprint) result.Reasons {
	var out result.Reasons
	for _, t := range rev.Tables {
		if t.Table == nil {
			continue
		}
		for _, n := range t.Table.Lint(t.Role) {
			if n.Kind != calmap.NoteSpike {
				out = append(out, tableDoubt(&t, n))
			}
		}
	}
	for i := range f.Spikes {
		if f.Spikes[i].New {
			out = append(out, NewSpike{Spike: f.Spikes[i]})
		}
	}
	return out
}

// tableDoubt is a note on a table as a fact.
func tableDoubt(t *workspace.TableRef, n calmap.Note) TableDoubt {
	out := TableDoubt{Kind: n.Kind, File: t.File, Role: t.Role, At: []footprint.AxisValue{},
		Value: result.Number(n.Value), Range: result.UnknownSpan(), LooksLike: n.LooksLike}
	if n.Kind == calmap.NoteShape {
		out.Fault = n.Say
		return out
	}
	if r, ok := calmap.RangeOf(t.Role); ok {
		out.Unit, out.Range = r.Unit, result.Span{result.Number(r.Low), result.Number(r.High)}
	}
	if n.Kind == calmap.NoteRange {
		out.At = footprint.Breakpoint(t, n.X, n.Y)
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
