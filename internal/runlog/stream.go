package runlog

import (
	"fmt"
	"io"
	"math"
	"os"

	"headroom/internal/fault"
	"headroom/internal/runlog/source"
	"headroom/models/channel"
)

// DefaultMaxCells bounds the part of a log that Each holds at once when Options does not.
const DefaultMaxCells = 4 << 20

// cutMargin is how many rows beyond a cut are read before it is made: enough to tell whether time starts again there.
const cutMargin = 64

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
	info, err := os.Stat(path)
	if err != nil {
		return nil, 0, cannotOpen(path, err)
	}
	if info.IsDir() {
		return nil, 0, &fault.Fault{File: path, What: "is a directory", Remedy: "name a log file in it"}
	}
	if !info.Mode().IsRegular() {
		return nil, 0, &fault.Fault{File: path, What: "is not a regular file", Remedy: "copy the log to a file first"}
	}
	if info.Size() > limit {
		return nil, 0, fault.Name(source.TooLarge(limit), path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, 0, cannotOpen(path, err)
	}
	return f, info.Size(), nil
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
	cw     *clockwork
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
	rule := opts.ChannelMap.rulesFor(p.name)
	if p.cw, err = settleTime(p.tb, rule, opts, takenBy(rule, p.tb)); err != nil {
		return err
	}
	p.m = mapColumns(p.tb, rule, opts, p.cw)
	for more {
		keep, err := p.handOut(true)
		if err != nil {
			return err
		}
		p.tb.Drop(keep)
		p.cw.drop(keep)
		if more, err = p.rows.Fill(); err != nil {
			return err
		}
		p.number++
		p.cw.extend(p.tb)
		p.m.reread(p.cw)
	}
	if _, err := p.handOut(false); err != nil {
		return err
	}
	if p.runs == 0 {
		return &fault.Fault{Line: p.tb.Dialect.FirstData, What: fmt.Sprintf("the time column %q never advances",
			p.cw.base.Column), Remedy: "name another in channels.yaml, or state a rate"}
	}
	return nil
}

// handOut hands out the runs of the part in hand; when more rows follow, the last run is kept back, or cut when it is
// the only one. keep is the first row that was not handed out.
func (p *parts) handOut(more bool) (keep int, err error) {
	stretches := p.cw.ranges(p.tb)
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
	var settled []stretch
	for _, r := range stretches {
		if s := p.cw.settle(p.tb, r, p.m.ctx.speed); len(s.time) >= 2 {
			settled = append(settled, s)
		}
	}
	if !more {
		p.tb.Release()
	}
	offset, before := p.offset, p.cut
	p.offset, p.cut = 0, ""
	notes := append(p.held, p.notes()...)
	if p.held = nil; len(settled) == 0 {
		p.held = notes
	}
	for i, s := range settled {
		run, empty := p.m.assemble(p.name, p.cw, s)
		if i == 0 {
			run.Offset = offset
			run.Findings = append(append(run.Findings, notes...), p.continues(before, offset)...)
		}
		run.Findings = append(run.Findings, p.m.notes...)
		if where != "" && i == len(settled)-1 {
			run.Findings = append(run.Findings, p.cutFinding(run, where))
			p.offset = offset + run.Duration() + p.cw.seconds[keep] - p.cw.seconds[s.rows[len(s.rows)-1]]
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

// cutFinding says, in the run before a cut, that the log goes on.
func (p *parts) cutFinding(run *Run, where string) Finding {
	end := run.Duration()
	return Finding{Kind: KindCut, From: end, To: end,
		Detail: fmt.Sprintf("the run is longer than the %d rows that are held at once: it was cut here, %s, and goes "+
			"on in the next", p.tb.Rows, where)}
}

// continues says, in the run after a cut, that it is no beginning.
func (p *parts) continues(where string, offset float64) []Finding {
	if where == "" {
		return nil
	}
	return []Finding{{Kind: KindCut, Detail: fmt.Sprintf("the run was cut off the one before, %s: it starts %.1f s "+
		"after the beginning", where, offset)}}
}

// notes are the findings about the layout of the part in hand and, after the first, about columns that changed since
// channels were settled.
func (p *parts) notes() []Finding {
	var notes []Finding
	for _, n := range p.rows.Notes() {
		notes = append(notes, Finding{Kind: KindLayout, Samples: n.Samples, Detail: n.Detail})
	}
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

// Moments at which a run may be cut, best first. An idling or resting engine and a closed throttle are outside any
// pull.
var cutMoments = []string{"at idle, at rest or in a pause of the log", "with the throttle closed",
	"with the throttle less than half open",
	"within what may be a pull, as no other moment was found"}

// cutAt is the row before which the part in hand is cut, and what happens there: the latest in the second half of the
// part at the best kind of moment. Time must advance there.
func (p *parts) cutAt() (row int, where string) {
	n := p.tb.Rows
	best, row := len(cutMoments), n-cutMargin
	closed := quantile(finite(p.m.ctx.opening), 0.05) + 3
	high, last := math.Inf(-1), 0
	for i := range n - cutMargin {
		v := p.cw.seconds[i]
		if !(v > high) {
			continue
		}
		gap := v - high
		high = v
		if i >= n/2 {
			if kind := p.m.ctx.cutMoment(last, i, gap, closed); kind <= best {
				best, row = kind, i
			}
		}
		last = i
	}
	return row, cutMoments[min(best, len(cutMoments)-1)]
}

// cutMoment is the index into cutMoments of a cut between rows a and b, gap seconds apart.
func (ctx *context) cutMoment(a, b int, gap, closed float64) int {
	slow := func(i int) bool { return i < len(ctx.speed) && ctx.speed[i] < 1150 }
	below := func(i int, limit float64) bool { return i < len(ctx.opening) && ctx.opening[i] <= limit }
	switch {
	case gap > 5 || slow(a) && slow(b):
		return 0
	case below(a, closed) && below(b, closed):
		return 1
	case below(a, 50) && below(b, 50):
		return 2
	}
	return 3
}

// conversion is how the numbers of a column become stored units; later parts of a long log are read by it.
type conversion struct {
	scale, offset float64
	positive      bool    // readings of zero and below are none
	inverse       bool    // the reciprocal is taken
	gauge         bool    // the barometer is added: the logged reading beside it where it is plausible, else barometer
	barometer     float64 // kPa
	floored       bool    // gauge readings below floor with the engine turning are none
	floor         float64 // kPa gauge
}

// apply converts a column. dropped counts the readings that the floor took.
func (cv conversion) apply(raw, baro, speed []float64) (values []float64, dropped int) {
	values = make([]float64, len(raw))
	for i, v := range raw {
		if cv.positive && !(v > 0) {
			v = math.NaN()
		}
		v = cv.scale*v + cv.offset
		if cv.inverse {
			v = 1 / v
		}
		if cv.gauge {
			b := cv.barometer
			if i < len(baro) && channel.BarometricPressure.Plausible(baro[i]) {
				b = baro[i]
			}
			if cv.floored && v < cv.floor && i < len(speed) && speed[i] > 400 {
				dropped++
				b = math.NaN()
			}
			v += b
		}
		values[i] = v
	}
	return values, dropped
}

// origin is one column that a series comes from. A factor and an offset of the user's map come before the conversion;
// preScale 0: none.
type origin struct {
	column              int
	preScale, preOffset float64
	conv                conversion
}

func (o origin) read(tb *source.Table, ctx *context) ([]float64, int) {
	raw := tb.Columns[o.column].Values
	if o.preScale != 0 {
		raw = apply(raw, o.preScale, o.preOffset)
	}
	return o.conv.apply(raw, ctx.baro, ctx.speed)
}

// values are a bid's readings in the table's present rows: the largest of its columns.
func (b bid) values(tb *source.Table, ctx *context) ([]float64, int) {
	out, dropped := b.origins[0].read(tb, ctx)
	for _, o := range b.origins[1:] {
		more, n := o.read(tb, ctx)
		dropped += n
		for i, v := range more {
			out[i] = larger(v, out[i])
		}
	}
	return out, dropped
}

// reread takes the settled series from the table's present rows. Of the notes only the assumptions still hold; what the
// floor of a boost gauge takes is counted again.
func (m *mapper) reread(cw *clockwork) {
	notes := m.notes[:0]
	for _, f := range m.notes {
		if f.Kind == KindAssumption {
			notes = append(notes, f)
		}
	}
	m.notes = notes
	settled := *m.ctx
	m.ctx = &context{opts: settled.opts, seconds: cw.seconds, thermal: settled.thermal,
		kilopascals: settled.kilopascals, imperial: settled.imperial}
	for _, id := range order {
		b, ok := m.series[id]
		if !ok {
			continue
		}
		var dropped int
		b.reading.values, dropped = b.values(m.tb, m.ctx)
		b.reading.notes = nil
		if dropped >= clippedRun {
			b.reading.notes = append(b.reading.notes, noVacuum(dropped))
		}
		b.empty = emptyCells(m.tb.Columns[b.column].Values)
		m.keep(b)
	}
}
