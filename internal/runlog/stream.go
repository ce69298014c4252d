package runlog

import (
	"errors"
	"fmt"
	"io"
	"os"

	"headroom/internal/fault"
	"headroom/internal/plainfile"
	"headroom/internal/runlog/channelmap"
	"headroom/internal/runlog/source"
	"headroom/internal/runlog/timebase"
)

// DefaultMaxCells bounds the part of a log that Each holds at once when Options does not.
const DefaultMaxCells = 4 << 20

// Each reads a log of any length in bounded memory and calls fn with each of its runs, in file order. It stops at the
// first error, of the log or of fn; fn's error is returned as it is. A log that turns out bad further on gives the
// error after the runs before it: what fn kept of them belongs to a log that is not whole.
//
// Layout, time base, channels and units are settled on the first Options.MaxCells cells and hold for the whole file: a
// log with no more cells is read exactly as Read does. In a longer one each run that fits is handed out whole; a longer
// run is cut into several, with a finding of kind "cut" on both sides, at the latest moment in the second half of the
// part at which the engine idles or rests, else the throttle is closed, else it is less than half open, else anywhere.
// The quality gate works within each part. At its peak Each holds less than 80 bytes a cell and 8 MiB besides: 350 MB
// with the default bound, whatever the length of the log. Parquet pages come on top, one a column; a zip archive or a
// packed Parquet file that does not come from a regular file is held as a whole, up to 512 MiB.
func Each(path string, opts Options, fn func(*Run) error) error {
	f, size, err := open(path, opts.maxBytes())
	if err != nil {
		return err
	}
	defer f.Close()
	return each(source.Input{Reader: f, At: f, Size: size}, path, opts, opts.maxCells(), fn)
}

// EachFrom is Each from a stream; name is its own in runs and errors, and what channel-map patterns are matched with.
func EachFrom(r io.Reader, name string, opts Options, fn func(*Run) error) error {
	return each(source.Input{Reader: r}, name, opts, opts.maxCells(), fn)
}

// open opens a log file, or says what is wrong with the path.
func open(path string, limit int64) (*os.File, int64, error) {
	f, size, err := plainfile.Open(path, limit)
	var refused *fault.Fault
	switch {
	case errors.As(err, &refused):
		return nil, 0, fault.Name(err, path)
	case err != nil:
		return nil, 0, cannotOpen(path, err)
	}
	return f, size, nil
}

// stop carries an error of the caller's function past the wording of errors.
type stop struct{ err error }

func (s stop) Error() string { return s.err.Error() }

// each reads a log in parts of at most maxCells cells.
func each(in source.Input, name string, opts Options, maxCells int, fn func(*Run) error) error {
	p := &parts{name: name, fn: fn}
	err := p.read(in, opts, maxCells)
	if s, ok := err.(stop); ok {
		return s.err
	}
	if err != nil {
		return asFault(err, name)
	}
	return nil
}

// parts is a log on its way through the reader.
type parts struct {
	name string
	fn   func(*Run) error

	rows   source.Rows
	tb     *source.Table
	axis   *timebase.Axis
	m      *mapper
	number int     // of the part in hand, from 0
	runs   int     // handed out
	offset float64 // seconds from the start of a run that was cut to the part in hand
	cut    string  // where the part in hand was cut off the one before, "" when it starts a run
	late   map[int]bool
	held   []Finding // of parts without a run, for the next one
}

func (p *parts) read(in source.Input, opts Options, maxCells int) error {
	var err error
	if p.rows, err = source.Open(in, source.Limits{Bytes: opts.maxBytes(), Cells: maxCells}); err != nil {
		return err
	}
	defer p.rows.Close()
	more, err := p.rows.Fill()
	if err != nil {
		return err
	}
	p.tb = p.rows.Table()
	rule := opts.ChannelMap.For(p.name, headersOf(p.tb))
	if p.axis, err = timebase.Settle(p.tb, rule, opts.Rate); err != nil {
		return err
	}
	p.m = mapColumns(p.tb, rule, opts, p.axis)
	if len(p.m.series) == 0 {
		return p.nothing()
	}
	for more {
		keep, err := p.handOut(true)
		if err != nil {
			return err
		}
		p.tb.Drop(keep)
		p.axis.Drop(keep)
		if more, err = p.rows.Fill(); err != nil {
			return err
		}
		p.number++
		p.axis.Extend(p.tb)
		p.m.reread(p.axis)
	}
	if _, err := p.handOut(false); err != nil {
		return err
	}
	if p.runs == 0 {
		return &fault.Fault{Line: p.tb.Dialect.FirstData, What: fmt.Sprintf("the time column %q never advances",
			p.axis.Base.Column), Remedy: "name another in channels.yaml, or state a rate"}
	}
	return nil
}

// headersOf are the headers of a table.
func headersOf(tb *source.Table) []string {
	out := make([]string, len(tb.Columns))
	for i, c := range tb.Columns {
		out[i] = c.Header
	}
	return out
}

// nothing says that no column of the log is a channel, and which came nearest.
func (p *parts) nothing() error {
	f := &fault.Fault{Line: p.tb.Dialect.HeaderLine, What: fmt.Sprintf("none of its %d columns is read as a channel",
		len(p.tb.Columns)), Remedy: "see why with headroom inspect, and name the columns in channels.yaml (inspect " +
		"--write " +
		"starts one)"}
	for _, c := range p.m.columns {
		if c.RunnerUp != "" {
			f.What += fmt.Sprintf("; nearest is %q as %s", c.Header, c.RunnerUp)
			break
		}
	}
	return f
}

// Preview reads the beginning of a log as far as it goes: layout and columns with their reasons, without readings, also
// of a log that Read refuses for want of a time column or of channels. Settled units may miss what time would tell. The
// error is a *fault.Fault where not even a table was found.
func Preview(path string, opts Options) (*Run, error) {
	f, size, err := open(path, opts.maxBytes())
	if err != nil {
		return nil, err
	}
	defer f.Close()
	rows, err := source.Open(source.Input{Reader: f, At: f, Size: size}, source.Limits{Bytes: opts.maxBytes(),
		Cells: opts.maxCells()})
	if err != nil {
		return nil, asFault(err, path)
	}
	defer rows.Close()
	if _, err := rows.Fill(); err != nil {
		return nil, asFault(err, path)
	}
	tb := rows.Table()
	rule := opts.ChannelMap.For(path, headersOf(tb))
	axis, untimed := timebase.Settle(tb, rule, opts.Rate)
	if untimed != nil { // columns can still be told by their names, and by values without time
		if axis, err = timebase.Settle(tb, channelmap.FileRule{Columns: rule.Columns}, 1); err != nil {
			return nil, asFault(err, path)
		}
		axis.Base = timebase.Base{Reason: untimed.Error()}
	}
	m := mapColumns(tb, rule, opts, axis)
	run := &Run{Source: path, Columns: m.columns, Dialect: tb.Dialect, TimeBase: axis.Base, Rows: tb.Rows,
		Findings: append(layoutFindings(rows.Notes()), m.notes...)}
	m.surround(run)
	return run, nil
}

// handOut hands out the runs of the part in hand; when more rows follow, the last run is kept back, or cut when it is
// the only one. keep is the first row that was not handed out.
func (p *parts) handOut(more bool) (keep int, err error) {
	stretches := p.axis.Ranges(p.tb)
	keep = p.tb.Rows
	where := ""
	if more {
		last := stretches[len(stretches)-1]
		if keep = last[0]; keep > 0 {
			stretches = stretches[:len(stretches)-1]
		} else {
			keep, where = p.cutAt()
			stretches = [][2]int{{0, keep}}
		}
	}
	var settled []timebase.Stretch
	for _, r := range stretches {
		if s := p.axis.Stretch(p.tb, r, p.m.ctx.Speed); len(s.Time) >= 2 {
			settled = append(settled, s)
		}
	}
	if !more && !p.m.keepUnread {
		p.tb.Release()
	}
	offset, before := p.offset, p.cut
	p.offset, p.cut = 0, ""
	notes := append(p.held, p.notes()...)
	if p.held = nil; len(settled) == 0 {
		p.held = notes
	}
	for i, s := range settled {
		run, empty := p.m.assemble(p.name, p.axis, s)
		if i == 0 {
			run.Offset = offset
			run.Findings = append(append(run.Findings, notes...), p.continues(before, offset)...)
		}
		run.Findings = append(run.Findings, p.m.notes...)
		if where != "" && i == len(settled)-1 {
			run.Findings = append(run.Findings, p.cutFinding(run, where))
			p.offset = offset + run.Duration() + p.axis.Seconds[keep] - p.axis.Seconds[s.Rows[len(s.Rows)-1]]
			p.cut = where
		}
		applyQuality(run, empty)
		p.runs++
		if err := p.fn(run); err != nil {
			return 0, stop{err}
		}
	}
	return keep, nil
}

// notes are the findings about the layout of the part in hand and, after the first, about columns that changed since
// channels were settled.
func (p *parts) notes() []Finding {
	notes := layoutFindings(p.rows.Notes())
	if p.number == 0 {
		return notes
	}
	if p.late == nil {
		p.late = map[int]bool{}
	}
	for i, c := range p.tb.Columns {
		switch {
		case p.late[i] || c.Filled == 0 && c.Private == "":
			continue
		case i >= len(p.m.columns):
			notes = append(notes, Finding{Kind: KindMissing, Detail: fmt.Sprintf("%q appears only after the first %d "+
				"rows, on which the channels were settled: it was left out", c.Header, p.m.sample)})
		case c.Private != "" && !p.m.private[i]:
			notes = append(notes, Finding{Kind: KindPrivacy, Removed: true, Detail: fmt.Sprintf("column %d was "+
				"dropped from here on: %s", i+1, c.Private)})
		case c.Private == "" && p.m.unfilled[i] && len(p.m.claims[i]) > 0:
			notes = append(notes, Finding{Kind: KindMissing, Channel: p.m.claims[i][0].Channel,
				Detail: fmt.Sprintf("column %q has readings only after the first %d rows, on which the channels were "+
					"settled: it was left out", c.Header, p.m.sample)})
		default:
			continue
		}
		p.late[i] = true
	}
	return notes
}
