package runlog

import (
	"headroom/internal/runlog/reading"
	"headroom/internal/runlog/samples"
	"headroom/internal/runlog/source"
	"headroom/internal/runlog/timebase"
)

// origin is one column that a series comes from. A factor and an offset of the user's map come before the conversion;
// preScale 0: none.
type origin struct {
	column              int
	preScale, preOffset float64
	conv                reading.Conversion
}

// read converts the column's present rows; floored counts what a boost gauge that stops at zero took.
func (o origin) read(tb *source.Table, ctx *reading.Context) (values []float64, floored int) {
	raw := tb.Columns[o.column].Values
	if o.preScale != 0 {
		raw = samples.Scaled(raw, o.preScale, o.preOffset)
	}
	return o.conv.Apply(ctx, raw)
}

// values are a bid's readings in the table's present rows: the largest of its columns.
func (b bid) values(tb *source.Table, ctx *reading.Context) (out []float64, floored int) {
	out, floored = b.origins[0].read(tb, ctx)
	for _, o := range b.origins[1:] {
		more, n := o.read(tb, ctx)
		floored += n
		for i, v := range more {
			out[i] = larger(v, out[i])
		}
	}
	return out, floored
}

// reread takes the settled series from the table's present rows. Of the notes only the assumptions still hold; what the
// floor of a boost gauge takes is counted again.
func (m *mapper) reread(axis *timebase.Axis) {
	notes := m.notes[:0]
	for _, f := range m.notes {
		if f.Kind == KindAssumption {
			notes = append(notes, f)
		}
	}
	m.notes = notes
	m.ctx = m.ctx.Further(axis.Seconds)
	for _, id := range order {
		b, ok := m.series[id]
		if !ok {
			continue
		}
		b.reading.Values, b.reading.Floored = b.values(m.tb, m.ctx)
		b.reading.Assumptions = nil
		b.empty = emptyCells(m.tb.Columns[b.column].Values)
		m.keep(b)
	}
}
