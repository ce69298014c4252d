package source

import (
	"errors"
	"io"
	"math"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/runlog/header"
)

// longShape is where a long table (one reading a row) keeps its parts; unit is −1 when it has no unit column.
type longShape struct{ time, name, value, unit int }

// sniffLong recognises a long table by a header of time, a name and a value. Wide tables have no column headed only
// "value" or "reading".
func sniffLong(headers []string) (longShape, bool) {
	s := longShape{-1, -1, -1, -1}
	for i, h := range headers {
		base := header.Base(h)
		switch strings.ToLower(strings.TrimSpace(base)) {
		case "name", "channel", "parameter", "signal", "variable", "quantity", "item", "channel name", "parameter name",
			"signal name", "pid", "pid name", "sensor", "sensor name", "label", "measurand", "description":
			s.name = i
		case "value", "values", "reading", "measurement", "data", "measured value":
			s.value = i
		case "unit", "units":
			s.unit = i
		default:
			if only, named := header.Parse(base).Time(); only && named {
				s.time = i
			}
		}
	}
	return s, s.time >= 0 && s.name >= 0 && s.value >= 0
}

// longRows pivots a long table: each time stamp makes one row, each name a column in order of appearance.
type longRows struct {
	textRows
	shape  longShape
	byName map[string]*Column
	stamp  string // of the last row
	width  int    // cells that a reading needs
}

// noStamp is no cell of a file.
const noStamp = "\x00"

func newLongRows(f textRows, shape longShape) *longRows {
	f.tb = &Table{Starts: []int{0}, Dialect: f.lay.dialect}
	f.tb.Dialect.Reason += "; one reading a row: names became columns"
	clock := &Column{Header: f.lay.header[shape.time], stamp: -1}
	if shape.time < len(f.lay.units) {
		clock.UnitsRow = f.lay.units[shape.time]
	}
	f.tb.Columns = append(f.tb.Columns, clock)
	return &longRows{textRows: f, shape: shape, byName: map[string]*Column{}, stamp: noStamp,
		width: max(shape.time, shape.name, shape.value) + 1}
}

// Fill implements Rows.
func (f *longRows) Fill() (more bool, err error) {
	var fields []string
	for !f.full(0) {
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
		case f.byName[f.name(fields)] == nil && f.full(1):
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
func (f *longRows) add(l line, fields []string) error {
	c, ok := f.column(f.name(fields))
	if !ok {
		return &fault.Fault{Line: l.number, What: "has more names than the reader's limit of columns",
			Remedy: "export only the channels that are needed"}
	}
	if fields[f.shape.time] != f.stamp {
		f.stamp = fields[f.shape.time]
		f.tb.addRow([]string{f.stamp}, f.lay.decimal)
	}
	c.replace(f.tb.Rows-1, fields[f.shape.value], f.lay.decimal)
	return nil
}

// name is a reading's column header, with the unit in brackets.
func (f *longRows) name(fields []string) string {
	name := fields[f.shape.name]
	if u := f.shape.unit; u >= 0 && u < len(fields) && fields[u] != "" {
		name += " (" + fields[u] + ")"
	}
	return name
}

// column finds or makes the column of a name.
func (f *longRows) column(name string) (*Column, bool) {
	tb := f.tb
	if c, ok := f.byName[name]; ok {
		return c, true
	}
	if len(tb.Columns) >= maxColumns || len(tb.Columns)*(tb.Rows+1) > maxTableCells {
		return nil, false
	}
	name = strings.Clone(name)
	c := newColumn(name, "")
	c.Values = make([]float64, tb.Rows)
	for i := range c.Values {
		c.Values[i] = math.NaN()
	}
	f.byName[name] = c
	tb.Columns = append(tb.Columns, c)
	return c, true
}

// replace sets the cell of a row that is there already.
func (c *Column) replace(row int, cell string, decimal byte) {
	if c.Private != "" {
		return
	}
	v := c.parse(cell, decimal)
	if !math.IsNaN(v) && math.IsNaN(c.Values[row]) {
		c.Filled++
	}
	c.Values[row] = v
}
