package source

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"headroom/internal/fault"
)

// wideRows reads a table of text with one row a sample and one column a channel.
type wideRows struct{ textRows }

func newWideRows(f textRows) (Rows, error) {
	var err error
	if f.tb, err = newTable(f.lay); err != nil {
		return nil, err
	}
	return &wideRows{f}, nil
}

// newTable makes the columns of a layout; a trailing delimiter's empty column is not one.
func newTable(lay *layout) (*Table, error) {
	width := max(lay.fields, trimmedWidth(lay.header))
	if width > maxColumns {
		return nil, &fault.Fault{Line: lay.dialect.HeaderLine, What: fmt.Sprintf("has %d columns, more than the "+
			"reader's limit of %d", width, maxColumns), Remedy: "export only the channels that are needed"}
	}
	tb := &Table{Starts: []int{0}, Dialect: lay.dialect}
	for i := range width {
		name, unitsRow := "", ""
		if i < len(lay.header) {
			name = lay.header[i]
		}
		if i < len(lay.units) {
			unitsRow = strings.Trim(lay.units[i], " ()[]{}")
		}
		tb.Columns = append(tb.Columns, newColumn(name, unitsRow))
	}
	return tb, nil
}

// Fill implements Rows.
func (f *wideRows) Fill() (more bool, err error) {
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
		case ok:
			f.add(l, fields)
		}
	}
	return true, nil
}

// add takes one row, or counts why not.
func (f *wideRows) add(l line, fields []string) {
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
	if width > len(tb.Columns) {
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
