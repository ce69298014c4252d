package runlog

import (
	"errors"
	"io"
	"math"
	"strings"

	"headroom/internal/fault"
)

// longShape is where a long table (one reading a row) keeps its parts; unit is −1 when it has no unit column.
type longShape struct{ time, name, value, unit int }

// sniffLong recognises a long table by a header of time, a name and a value. Wide tables have no column headed only
// "value" or "reading".
func sniffLong(header []string) (longShape, bool) {
	s := longShape{-1, -1, -1, -1}
	for i, h := range header {
		base, _, _ := cutBracket(h)
		switch strings.ToLower(strings.TrimSpace(base)) {
		case "name", "channel", "parameter", "signal", "variable", "quantity", "item", "channel name", "parameter name",
			"signal name":
			s.name = i
		case "value", "reading", "measurement", "data":
			s.value = i
		case "unit", "units":
			s.unit = i
		default:
			if score := parseName(base); len(score.words) > 0 && allTimeWords(score.words) {
				s.time = i
			}
		}
	}
	return s, s.time >= 0 && s.name >= 0 && s.value >= 0
}

func allTimeWords(words []string) bool {
	core := false
	for _, w := range words {
		if !timeWords[w] && unitWord(w) == "" {
			return false
		}
		core = core || timeCore[w]
	}
	return core
}

// longFeed pivots a long table: each time stamp makes one row, each name a column in order of appearance.
type longFeed struct {
	textFeed
	shape  longShape
	byName map[string]*column
	stamp  string // of the last row
	width  int    // cells that a reading needs
}

// noStamp is no cell of a file.
const noStamp = "\x00"

func newLongFeed(lr *lineReader, lay *layout, shape longShape) *longFeed {
	tb := &table{starts: []int{0}, dialect: lay.dialect}
	tb.dialect.Reason += "; one reading a row: names became columns"
	clock := &column{header: lay.header[shape.time], stamp: -1}
	if shape.time < len(lay.units) {
		clock.unitsRow = lay.units[shape.time]
	}
	tb.columns = append(tb.columns, clock)
	return &longFeed{textFeed: textFeed{lr: lr, lay: lay, tb: tb}, shape: shape, byName: map[string]*column{},
		stamp: noStamp,
		width: max(shape.time, shape.name, shape.value) + 1}
}

func (f *longFeed) fill(maxCells int) (more bool, err error) {
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
		case !ok:
			continue
		case len(fields) < f.width && !l.hasEnd:
			f.counts.truncated = l.number
		case len(fields) < f.width:
			noteFirst(&f.counts.short, &f.counts.firstShort, l.number)
		case sameFields(fields, f.lay.header):
			f.repeatedHeader()
			f.stamp = noStamp
		// a further column has to wait until rows have gone
		case f.byName[f.name(fields)] == nil && f.tb.full(maxCells, 1):
			f.lr.queue = append([]line{l}, f.lr.queue...)
			return true, nil
		default:
			if err := f.add(l, fields); err != nil {
				return false, err
			}
		}
	}
	return true, nil
}

// add takes one reading.
func (f *longFeed) add(l line, fields []string) error {
	c, ok := f.column(f.name(fields))
	if !ok {
		return &fault.Fault{Line: l.number, What: "has more names than the reader's limit of columns",
			Remedy: "export only the channels that are needed"}
	}
	if fields[f.shape.time] != f.stamp {
		f.stamp = fields[f.shape.time]
		f.tb.addRow([]string{f.stamp}, f.lay.decimal)
	}
	c.replace(f.tb.rows-1, fields[f.shape.value], f.lay.decimal)
	return nil
}

// name is a reading's column header, with the unit in brackets.
func (f *longFeed) name(fields []string) string {
	name := fields[f.shape.name]
	if u := f.shape.unit; u >= 0 && u < len(fields) && fields[u] != "" {
		name += " (" + fields[u] + ")"
	}
	return name
}

// column finds or makes the column of a name.
func (f *longFeed) column(name string) (*column, bool) {
	tb := f.tb
	if c, ok := f.byName[name]; ok {
		return c, true
	}
	if len(tb.columns) >= maxColumns || len(tb.columns)*(tb.rows+1) > maxLongCells {
		return nil, false
	}
	c := &column{header: withoutVIN(strings.Clone(name)), stamp: -1, values: make([]float64, tb.rows)}
	for i := range c.values {
		c.values[i] = math.NaN()
	}
	c.private = privateHeader(c.header)
	if c.header != name {
		c.private = "its header holds a vehicle identification number"
	}
	f.byName[strings.Clone(name)] = c
	tb.columns = append(tb.columns, c)
	return c, true
}

// maxLongCells bounds the pivoted table, which can be wider than its text is long.
const maxLongCells = 1 << 28

// replace sets the cell of a row that is there already.
func (c *column) replace(row int, cell string, decimal byte) {
	if c.private != "" {
		return
	}
	v := c.parse(cell, decimal)
	if !math.IsNaN(v) && math.IsNaN(c.values[row]) {
		c.filled++
	}
	c.values[row] = v
}
