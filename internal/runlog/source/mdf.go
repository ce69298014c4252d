package source

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/runlog/header"
	"headroom/internal/runlog/source/mdf"
	"headroom/models/unit"
)

const mdfName = "ASAM MDF"

// mdfFormat is the ASAM measurement data format. Its blocks lie in any order, so a packed file or a stream is held as a
// whole.
var mdfFormat = format{name: mdfName, extensions: []string{".mf4"}, begins: []string{mdf.Magic, mdf.Unfinished},
	open: openMDF}

// mdfRows merges the channel groups of a file, each with a time base of its own: each time stamp makes one row, in
// which the channels of other groups are empty. Stamps within a microsecond are one.
type mdfRows struct {
	content *content
	tb      *Table
	lanes   []*mdfLane
	notes   []Note // still to be told
	untimed int    // records without a time since layout was last told
}

// mdfLane is one group on its way in.
type mdfLane struct {
	records  *mdf.Records
	channels []*mdf.Channel
	columns  []*Column // of the channels
	invalid  []int     // readings that the file marks as invalid, since layout was last told
	waits    bool      // a record is in hand, of the time below
	seconds  float64
}

// openMDF reads the file's own description.
func openMDF(c *content) (Rows, error) {
	if c.at == nil {
		data, err := hold(c.r, "is a packed MDF file", maxHeld)
		if err != nil {
			return nil, err
		}
		c.at, c.size = bytes.NewReader(data), int64(len(data))
	}
	file, err := mdf.Open(c.at, c.size, c.limits.Bytes)
	if err != nil {
		return nil, err
	}
	clock := newColumn("time", "s")
	f := &mdfRows{content: c, tb: &Table{Columns: []*Column{clock}, Starts: []int{0}}}
	f.tb.Dialect = Dialect{Encoding: mdfName + " " + file.Version, Compression: c.packing,
		Reason: "MDF says by itself what its channels are; time is its master channel"}
	left := leftOut(file.Groups)
	rows := uint64(0)
	for _, g := range file.Groups {
		if g.Left != "" {
			continue
		}
		if g.Surplus > 0 {
			f.note(1, "%d bytes behind the last record of channel group %s are no part of it and were left out",
				g.Surplus, withoutVIN(g.Name))
		}
		rows += g.Records
	}
	for _, r := range file.Records() {
		f.add(r)
	}
	for _, l := range left {
		f.note(1, "%s", l)
	}
	columns := len(f.tb.Columns)
	switch {
	case len(f.lanes) == 0:
		return nil, nothingTimed(left)
	case columns > maxColumns:
		return nil, &fault.Fault{What: fmt.Sprintf("has %d channels, more than the reader's limit of %d columns",
			columns, maxColumns), Remedy: "export only the channels that are needed"}
	case c.limits.Cells == math.MaxInt && rows > uint64(maxTableCells/(columns+1)):
		return nil, &fault.Fault{What: fmt.Sprintf("has %d records, more than the reader's limit", rows),
			Remedy: "split the log into shorter ones"}
	}
	if len(f.lanes) > 1 {
		f.tb.Dialect.Reason += fmt.Sprintf("; rows are the time stamps of its %d channel groups", len(f.lanes))
	}
	for _, l := range f.lanes {
		if err := f.advance(l); err != nil {
			return nil, err
		}
	}
	return f, nil
}

// leftOut says which groups are not read, one sentence a reason.
func leftOut(groups []*mdf.Group) []string {
	var reasons []string
	named := map[string][]string{}
	for _, g := range groups {
		if g.Left == "" || g.Clock {
			continue
		}
		if named[g.Left] == nil {
			reasons = append(reasons, g.Left)
		}
		named[g.Left] = append(named[g.Left], withoutVIN(g.Name))
	}
	for i, reason := range reasons {
		names, more := named[reason], ""
		if n := len(names) - maxNamed; n > 0 {
			names, more = names[:maxNamed], fmt.Sprintf(" and %d more", n)
		}
		reasons[i] = fmt.Sprintf("channel group %s%s left out: %s", strings.Join(names, ", "), more, reason)
	}
	return reasons
}

// maxNamed is how many groups are named that were left out for one reason.
const maxNamed = 8

// nothingTimed is the fault of a file of which no group is read.
func nothingTimed(left []string) error {
	what := "has no data rows"
	if len(left) > 0 {
		what += ": " + strings.Join(left[:min(3, len(left))], "; ")
	}
	return &fault.Fault{What: what, Remedy: "export the log again, with channels recorded over time"}
}

// add makes columns of a group's channels.
func (f *mdfRows) add(r *mdf.Records) {
	l := &mdfLane{records: r}
	for _, ch := range r.Group.Channels {
		name := heading(ch.Name, ch.Unit)
		c := newColumn(name, ch.Unit)
		f.tb.Columns = append(f.tb.Columns, c)
		if c.Private == "" {
			c.Private = ch.Left
		}
		l.channels, l.columns = append(l.channels, ch), append(l.columns, c)
	}
	l.invalid = make([]int, len(l.channels))
	f.lanes = append(f.lanes, l)
}

// heading is a channel's name without a unit in brackets other than the stated one, which is what counts. A number in
// brackets is an index.
func heading(name, stated string) string {
	u, _, err := unit.ParseMarked(stated)
	way := header.Units(name, "")[0]
	switch {
	case stated == "" || err != nil || u == unit.One || !way.Known || way.Unit == u:
		return name
	case allDigits(way.Text):
		return way.Name + " " + way.Text
	}
	return way.Name
}

// advance takes the group's next record that has a time.
func (f *mdfRows) advance(l *mdfLane) (err error) {
	for {
		if l.waits, err = l.records.Next(); !l.waits || err != nil {
			return err
		}
		if l.seconds = l.records.Seconds(); !math.IsNaN(l.seconds) && !math.IsInf(l.seconds, 0) {
			return nil
		}
		f.untimed++
	}
}

// Close implements Rows.
func (f *mdfRows) Close() { f.content.close() }

// Table implements Rows.
func (f *mdfRows) Table() *Table { return f.tb }

// Fill implements Rows.
func (f *mdfRows) Fill() (more bool, err error) {
	room := max(MinRows, f.content.limits.Cells/len(f.tb.Columns))
	for f.tb.Rows < room {
		first := f.first()
		if first == nil && f.tb.Rows == 0 {
			return false, &fault.Fault{What: "has no data rows", Remedy: "export the log again"}
		}
		if first == nil {
			return false, nil
		}
		if err := f.row(first.seconds); err != nil {
			return false, err
		}
	}
	return f.first() != nil, nil
}

// first is the group with the earliest record, nil behind the last.
func (f *mdfRows) first() *mdfLane {
	var first *mdfLane
	for _, l := range f.lanes {
		if l.waits && (first == nil || l.seconds < first.seconds) {
			first = l
		}
	}
	return first
}

// sameTime is how far time stamps of different groups may lie apart in one row, seconds: they are rounded differently,
// and no quantity of an engine moves within it.
const sameTime = 1e-6

// row appends the records of one time stamp, of each group one at most.
func (f *mdfRows) row(seconds float64) error {
	f.tb.Columns[0].addNumber(seconds)
	for _, l := range f.lanes {
		here := l.waits && l.seconds <= seconds+sameTime
		for i, c := range l.columns {
			if !here || c.Private != "" {
				c.Values = append(c.Values, math.NaN())
				continue
			}
			number, text, valid := l.records.Value(l.channels[i])
			if !valid {
				l.invalid[i]++
			}
			if text != "" {
				c.add(text, '.')
			} else {
				c.addNumber(number)
			}
		}
		if !here {
			continue
		}
		if err := f.advance(l); err != nil {
			return err
		}
	}
	f.tb.Rows++
	return nil
}

func (f *mdfRows) note(samples int, format string, args ...any) {
	f.notes = append(f.notes, Note{Samples: samples, Detail: fmt.Sprintf(format, args...)})
}

// Notes implements Rows.
func (f *mdfRows) Notes() []Note {
	if f.untimed > 0 {
		f.note(f.untimed, "%d records have no time and were left out", f.untimed)
		f.untimed = 0
	}
	for _, l := range f.lanes {
		for i, c := range l.columns {
			if n := l.invalid[i]; n > 0 && c.Private == "" {
				f.note(n, "column %q has %d readings that the file marks as invalid: they are left empty", c.Header, n)
			}
			if c.Private == "" && c.Texts > 0 {
				f.note(c.Texts, "column %q has %d readings that stand for text: they are left empty", c.Header, c.Texts)
			}
			l.invalid[i], c.Texts = 0, 0
		}
	}
	notes := slices.Clone(f.notes)
	f.notes = f.notes[:0]
	return notes
}
