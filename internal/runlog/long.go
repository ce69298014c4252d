package runlog

import (
	"errors"
	"io"
	"math"
	"strings"
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
		case "name", "channel", "parameter", "signal", "variable", "quantity", "item", "channel name", "parameter name", "signal name":
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

// readLong pivots a long table: each time stamp makes one row, each name a column in order of appearance.
func readLong(lr *lineReader, lay *layout, shape longShape) (*table, rowCounts, error) {
	tb := &table{starts: []int{0}, dialect: lay.dialect}
	tb.dialect.Reason += "; one reading a row: names became columns"
	clock := &column{header: lay.header[shape.time], stamp: -1}
	if shape.time < len(lay.units) {
		clock.unitsRow = lay.units[shape.time]
	}
	tb.columns = append(tb.columns, clock)
	byName := map[string]*column{}
	var counts rowCounts
	var fields []string
	stamp := "\x00"
	for {
		l, err := lr.next()
		if errors.Is(err, io.EOF) {
			return tb, counts, nil
		}
		if err != nil {
			return nil, counts, err
		}
		if l.number < lay.dialect.FirstData || strings.TrimSpace(l.text) == "" {
			continue
		}
		fields = splitFields(l.text, lay.delimiter, fields)
		if len(fields) <= max(shape.time, shape.name, shape.value) {
			if l.hasEnd {
				noteFirst(&counts.short, &counts.firstShort, l.number)
			} else {
				counts.truncated = l.number
			}
			continue
		}
		if sameFields(fields, lay.header) {
			counts.repeated++
			tb.starts = append(tb.starts, tb.rows)
			stamp = "\x00"
			continue
		}
		c, ok := tb.longColumn(byName, fields, shape)
		if !ok {
			return nil, counts, &FileError{Line: l.number, What: "has more names than the reader's limit of columns", Remedy: "export only the channels that are needed"}
		}
		if fields[shape.time] != stamp {
			stamp = fields[shape.time]
			tb.addRow([]string{stamp}, lay.decimal)
		}
		c.replace(tb.rows-1, fields[shape.value], lay.decimal)
	}
}

// longColumn finds or makes the column of a name; its header carries the unit in brackets.
func (tb *table) longColumn(byName map[string]*column, fields []string, shape longShape) (*column, bool) {
	name := fields[shape.name]
	if shape.unit >= 0 && shape.unit < len(fields) && fields[shape.unit] != "" {
		name += " (" + fields[shape.unit] + ")"
	}
	if c, ok := byName[name]; ok {
		return c, true
	}
	if len(tb.columns) >= maxColumns || len(tb.columns)*(tb.rows+1) > maxLongCells {
		return nil, false
	}
	c := &column{header: withoutVIN(name), stamp: -1, values: make([]float64, tb.rows)}
	for i := range c.values {
		c.values[i] = math.NaN()
	}
	c.private = privateHeader(c.header)
	if c.header != name {
		c.private = "its header holds a vehicle identification number"
	}
	byName[name] = c
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
