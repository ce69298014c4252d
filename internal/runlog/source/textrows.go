package source

import (
	"fmt"
	"strings"

	"headroom/internal/fault"
)

// textRows is what wide and long tables of text share.
type textRows struct {
	content *content
	lr      *lineReader
	lay     *layout
	tb      *Table
	counts  rowCounts
	told    bool // that lines before the header were skipped

	toldTail bool // that binary data behind the table was cut off
}

// Close implements Rows.
func (f *textRows) Close() { f.content.close() }

// Table implements Rows.
func (f *textRows) Table() *Table { return f.tb }

// full reports whether the table holds as many cells as it may, with so many further columns.
func (f *textRows) full(further int) bool {
	return f.tb.Rows >= MinRows && f.tb.Rows >= f.content.limits.Cells/max(1, len(f.tb.Columns)+further)
}

// record is the next row of cells: one line, or several where a quoted cell has line breaks. ok is false for blank
// lines and those before the data.
func (f *textRows) record(into []string) (l line, fields []string, ok bool, err error) {
	l, err = f.lr.record(f.fits, func(text string) bool {
		fields := splitFields(text, f.lay.delimiter, nil)
		numbers, texts := f.lay.count(fields)
		return f.fits(text) && numbers >= texts
	})
	if err != nil || l.number < f.lay.dialect.FirstData || strings.TrimSpace(l.text) == "" {
		return l, into, false, err
	}
	return l, splitFields(l.text, f.lay.delimiter, into), true, nil
}

// fits reports whether a row has the usual number of cells.
func (f *textRows) fits(text string) bool {
	width := trimmedWidth(splitFields(text, f.lay.delimiter, nil))
	return width == f.lay.fields || width == trimmedWidth(f.lay.header)
}

// finish ends a Fill at the end of the file.
func (f *textRows) finish() (more bool, err error) {
	if f.tb.Rows == 0 {
		return false, &fault.Fault{Line: f.lay.dialect.HeaderLine, What: "has a header but no data rows",
			Remedy: "export the log again"}
	}
	return false, nil
}

// repeatedHeader notes that the rows to come are a run of their own.
func (f *textRows) repeatedHeader() {
	f.counts.repeated++
	if last := f.tb.Starts[len(f.tb.Starts)-1]; f.tb.Rows > last {
		f.tb.Starts = append(f.tb.Starts, f.tb.Rows)
	}
}

// sameFields reports whether a row repeats another, the header or the units row.
func sameFields(fields, names []string) bool {
	n := trimmedWidth(fields)
	if len(names) == 0 || n != trimmedWidth(names) {
		return false
	}
	for i := range n {
		if fields[i] != names[i] {
			return false
		}
	}
	return true
}

// rowCounts collects what did not fit.
type rowCounts struct {
	short, long, text, repeated, truncated int
	firstShort, firstLong, firstText       int
}

func noteFirst(count, first *int, number int) {
	*count++
	if *first == 0 {
		*first = number
	}
}

// Notes implements Rows.
func (f *textRows) Notes() []Note {
	var out []Note
	note := func(samples int, format string, args ...any) {
		out = append(out, Note{Samples: samples, Detail: fmt.Sprintf(format, args...)})
	}
	lay, n := f.lay, f.counts
	if lay.skipped > 0 && !f.told {
		note(lay.skipped, "the header is on line %d; lines before it that were skipped: %d", lay.dialect.HeaderLine,
			lay.skipped)
	}
	if n.short > 0 {
		note(n.short, "%d rows have fewer cells than the usual %d, first on line %d: the missing cells are left empty",
			n.short, lay.fields, n.firstShort)
	}
	if n.long > 0 {
		note(n.long, "%d rows have more cells than the header, first on line %d: the surplus is left out", n.long,
			n.firstLong)
	}
	if n.text > 0 {
		note(n.text, "%d lines of text among or after the data were skipped, first on line %d", n.text, n.firstText)
	}
	if n.repeated > 0 {
		note(n.repeated, "the header is repeated %d times: each starts a run of its own", n.repeated)
	}
	if n.truncated > 0 {
		note(1, "the last line (%d) is cut short and was left out", n.truncated)
	}
	if f.lr.joined > 0 {
		note(f.lr.joined, "%d rows, first on line %d, have line breaks inside quotes: each was read as one row",
			f.lr.joined, f.lr.firstJoined)
	}
	if f.lr.unclosed > 0 {
		note(f.lr.unclosed, "%d lines open a quote that nothing in the row closes, first on line %d: it was read as "+
			"an ordinary character", f.lr.unclosed, f.lr.firstUnclosed)
	}
	if f.lr.tail > 0 && !f.toldTail {
		f.toldTail = true
		note(1, "from line %d on the file is no text: what follows the table was cut off", f.lr.tail)
	}
	for _, c := range f.tb.Columns {
		if c.Private == "" && c.Texts > 0 && c.Filled > 0 {
			note(c.Texts, "column %q has text in %d cells: they are left empty", c.Header, c.Texts)
		}
		c.Texts = 0
	}
	f.told, f.counts, f.lr.joined, f.lr.unclosed = true, rowCounts{}, 0, 0
	return out
}
