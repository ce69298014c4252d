package runlog

import (
	"sort"

	"headroom/internal/runlog/samples"
	"headroom/internal/runlog/timebase"
	"headroom/models/channel"
)

// assemble cuts one run out of the settled columns, and says which cells the file leaves empty.
func (m *mapper) assemble(name string, axis *timebase.Axis, s timebase.Stretch) (*Run, map[channel.ID][]bool) {
	empty := map[channel.ID][]bool{}
	run := &Run{Source: name, Time: s.Time, Dialect: m.tb.Dialect, TimeBase: axis.Base, Rows: len(s.Rows),
		Findings: timeFindings(s)}
	m.surround(run)
	run.Columns = append(run.Columns, m.columns...)
	run.SampleInterval, run.TimeBase.Rate = rateOf(s.Time)
	run.Unread = m.unread(axis, s)
	for id, b := range m.series {
		series := Series{Channel: id, Column: b.header, Lag: b.lag, Values: b.reading.Values}
		if len(s.Rows) != m.tb.Rows {
			series.Values = make([]float64, len(s.Rows))
			for i, row := range s.Rows {
				series.Values[i] = b.reading.Values[row]
			}
		}
		run.Series = append(run.Series, series)
		if b.empty != nil {
			empty[id] = make([]bool, len(s.Rows))
			for i, row := range s.Rows {
				empty[id][i] = b.empty[row]
			}
		}
	}
	sort.Slice(run.Series, func(i, j int) bool {
		return channel.Order(run.Series[i].Channel) < channel.Order(run.Series[j].Channel)
	})
	return run, empty
}

// surround says what is stated, and what was assumed, of the air around the log.
func (m *mapper) surround(run *Run) {
	switch {
	case m.ctx.Barometer > 0:
		run.Barometer = m.ctx.Barometer
	case m.ctx.Standard > 0:
		run.Barometer = m.ctx.Standard
	}
	for id, b := range m.series {
		if b.reading.Air.KPa > 0 { // the same for all
			run.Assumed, run.Barometer = b.reading.Air, b.reading.Air.KPa
			run.ManifoldAssumed = run.ManifoldAssumed || id == channel.ManifoldPressure ||
				id == channel.ManifoldPressureTarget
		}
	}
}

// unread are the numbers of the columns that are left out, where they were asked for.
func (m *mapper) unread(axis *timebase.Axis, s timebase.Stretch) []Unread {
	if !m.keepUnread {
		return nil
	}
	var out []Unread
	for i := range m.columns {
		c := m.tb.Columns[i]
		if m.columns[i].Channel != "" || i == axis.Column || c.Private != "" || c.Filled == 0 {
			continue
		}
		u := Unread{Column: i, Values: make([]float64, len(s.Rows))}
		for k, row := range s.Rows {
			u.Values[k] = c.Values[row]
		}
		out = append(out, u)
	}
	return out
}

// rateOf is the median sampling rate of a time axis, 0 for fewer than two samples.
func rateOf(t []float64) (interval, rate float64) {
	if len(t) < 2 {
		return 0, 0
	}
	steps := make([]float64, len(t)-1)
	for i := range steps {
		steps[i] = t[i+1] - t[i]
	}
	interval = samples.Median(steps)
	if interval <= 0 {
		return 0, 0
	}
	return interval, 1 / interval
}
