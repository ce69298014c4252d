package runlog

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"headroom/internal/fault"
)

// column is one column of the file as numbers: clock times as seconds of the day, date-times as seconds since 1970.
type column struct {
	header     string
	unitsRow   string // cell of the units row, "" without one
	values     []float64
	kind       cellKind // of the first cell that was not missing
	clockParts int
	stamp      int // layout of the last stamp
	filled     int // cells with a value
	texts      int // cells with text where a value was expected
	private    string
}

// table is a log as columns of numbers. Rows are those of the file in order; starts holds the row at which each
// repeated header begins a new run (always with 0 first).
type table struct {
	columns []*column
	rows    int
	starts  []int
	dialect Dialect
}

// rowCounts collects what did not fit.
type rowCounts struct {
	short, long, text, repeated, truncated int
	firstShort, firstLong, firstText       int
}

// feed opens whatever the source holds.
func (src *source) feed(maxCells int) (feed, error) {
	if src.parquet != nil {
		return openParquet(src, maxCells)
	}
	lr := &lineReader{r: src.text, newline: src.newline}
	head, err := lr.peek(sniffLines, sniffBytes)
	if err != nil {
		return nil, err
	}
	lay, err := sniffLayout(head)
	if err != nil {
		return nil, err
	}
	lay.dialect.Encoding, lay.dialect.Compression = src.encoding, src.compression
	if shape, ok := sniffLong(lay.header); ok {
		return newLongFeed(lr, lay, shape), nil
	}
	tb, err := newTable(lay)
	if err != nil {
		return nil, err
	}
	return &wideFeed{textFeed{lr: lr, lay: lay, tb: tb}}, nil
}

// textFeed is what wide and long tables of text share.
type textFeed struct {
	lr     *lineReader
	lay    *layout
	tb     *table
	counts rowCounts
	told   bool // that lines before the header were skipped
}

func (f *textFeed) table() *table { return f.tb }

// record is the next row of cells: one line, or several where a quoted cell has line breaks. ok is false for blank
// lines and those before the data.
func (f *textFeed) record(into []string) (l line, fields []string, ok bool, err error) {
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
func (f *textFeed) fits(text string) bool {
	width := trimmedWidth(splitFields(text, f.lay.delimiter, nil))
	return width == f.lay.fields || width == trimmedWidth(f.lay.header)
}

// finish ends a fill at the end of the file.
func (f *textFeed) finish() (more bool, err error) {
	if f.tb.rows == 0 {
		return false, &fault.Fault{Line: f.lay.dialect.HeaderLine, What: "has a header but no data rows",
			Remedy: "export the log again"}
	}
	return false, nil
}

// repeatedHeader notes that the rows to come are a run of their own.
func (f *textFeed) repeatedHeader() {
	f.counts.repeated++
	if last := f.tb.starts[len(f.tb.starts)-1]; f.tb.rows > last {
		f.tb.starts = append(f.tb.starts, f.tb.rows)
	}
}

// wideFeed reads one row a sample.
type wideFeed struct{ textFeed }

// newTable makes the columns of a layout; a trailing delimiter's empty column is not one.
func newTable(lay *layout) (*table, error) {
	names := lay.header
	width := lay.fields
	if w := trimmedWidth(names); w > width {
		width = w
	}
	if width > maxColumns {
		return nil, &fault.Fault{Line: lay.dialect.HeaderLine, What: fmt.Sprintf("has %d columns, more than the "+
			"reader's limit of %d", width, maxColumns),
			Remedy: "export only the channels that are needed"}
	}
	tb := &table{starts: []int{0}, dialect: lay.dialect}
	for i := range width {
		c := &column{stamp: -1}
		if i < len(names) {
			c.header = withoutVIN(names[i])
			if c.header != names[i] {
				c.private = "its header holds a vehicle identification number"
			}
		}
		if i < len(lay.units) {
			c.unitsRow = strings.Trim(lay.units[i], " ()[]{}")
		}
		if c.private == "" {
			c.private = privateHeader(c.header)
		}
		tb.columns = append(tb.columns, c)
	}
	return tb, nil
}

func (f *wideFeed) fill(maxCells int) (more bool, err error) {
	var fields []string
	for !f.tb.full(maxCells, 0) {
		var l line
		var ok bool
		l, fields, ok, err = f.record(fields)
		switch {
		case errors.Is(err, io.EOF):
			return f.finish()
		case err != nil:
			return false, err
		case ok:
			f.add(l, fields)
		}
	}
	return true, nil
}

// add takes one row, or counts why not.
func (f *wideFeed) add(l line, fields []string) {
	lay, tb, counts := f.lay, f.tb, &f.counts
	width := trimmedWidth(fields)
	switch {
	case sameFields(fields, lay.header):
		f.repeatedHeader()
		return
	case lay.units != nil && sameFields(fields, lay.units):
		return
	case !l.hasEnd && width < lay.fields:
		counts.truncated = l.number
		return
	}
	if !lay.isData(fields, width) {
		noteFirst(&counts.text, &counts.firstText, l.number)
		return
	}
	if width < lay.fields {
		noteFirst(&counts.short, &counts.firstShort, l.number)
	}
	if width > len(tb.columns) {
		noteFirst(&counts.long, &counts.firstLong, l.number)
	}
	tb.addRow(fields, lay.decimal)
}

// isData reports whether a row carries readings: a number or time in it and, in a row much narrower than usual, no
// text.
func (lay *layout) isData(fields []string, width int) bool {
	if _, _, ok := parseNumber(fields[0], lay.decimal); ok && 2*width >= lay.fields {
		return true
	}
	numbers, texts := lay.count(fields)
	return numbers > 0 && (2*width >= lay.fields || texts == 0)
}

func noteFirst(count, first *int, number int) {
	*count++
	if *first == 0 {
		*first = number
	}
}

// sameFields reports whether a row repeats the header or the units row.
func sameFields(fields, header []string) bool {
	n := trimmedWidth(fields)
	if len(header) == 0 || n != trimmedWidth(header) {
		return false
	}
	for i := range n {
		if fields[i] != header[i] {
			return false
		}
	}
	return true
}

// addRow appends one cell to every column.
func (tb *table) addRow(fields []string, decimal byte) {
	for i, c := range tb.columns {
		cell := ""
		if i < len(fields) {
			cell = fields[i]
		}
		c.add(cell, decimal)
	}
	tb.rows++
}

// add appends one cell. Private columns and text keep nothing.
func (c *column) add(cell string, decimal byte) {
	v := math.NaN()
	if c.private == "" {
		v = c.parse(cell, decimal)
	}
	if !math.IsNaN(v) {
		c.filled++
	}
	c.values = append(c.values, v)
}

// parse reads a cell as what the column's first filled cell was; anything else in it is text.
func (c *column) parse(cell string, decimal byte) float64 {
	if c.kind <= cellNumber && decimal == '.' && len(cell) != vinLength && plainNumber(cell) {
		if v, _, ok := parseNumber(cell, decimal); ok { // what most cells are
			c.kind = cellNumber
			return v
		}
	}
	if missingWords[strings.ToLower(cell)] {
		return math.NaN()
	}
	if looksLikeVIN(cell) {
		c.private = "it holds vehicle identification numbers"
		for i := range c.values {
			c.values[i] = math.NaN()
		}
		c.filled = 0
		return math.NaN()
	}
	if c.kind == cellMissing || c.kind == cellNumber {
		if v, _, ok := parseNumber(cell, decimal); ok {
			c.kind = cellNumber
			return v
		}
	}
	if c.kind == cellMissing || c.kind == cellClock {
		if v, parts, ok := parseClock(cell); ok {
			c.kind, c.clockParts = cellClock, parts
			return v
		}
	}
	if c.kind == cellMissing || c.kind == cellStamp {
		if v, layout, ok := parseStamp(cell, c.stamp); ok {
			c.kind, c.stamp = cellStamp, layout
			return v
		}
	}
	c.texts++
	return math.NaN()
}

// notes turns the counts since the last call into findings.
func (f *textFeed) notes() []Finding {
	var out []Finding
	note := func(samples int, format string, args ...any) {
		out = append(out, Finding{Kind: KindLayout, Samples: samples, Detail: fmt.Sprintf(format, args...)})
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
	for _, c := range f.tb.columns {
		if c.private == "" && c.texts > 0 && c.filled > 0 {
			note(c.texts, "column %q has text in %d cells: they are left empty", c.header, c.texts)
		}
		c.texts = 0
	}
	f.told, f.counts, f.lr.joined, f.lr.unclosed = true, rowCounts{}, 0, 0
	return out
}
