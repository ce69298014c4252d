package source

import (
	"math"
	"strings"

	"headroom/internal/runlog/header"
)

// Column is one column of a log as numbers: clock times as seconds of the day, date-times as seconds since 1970 UTC.
type Column struct {
	Header     string    // without identification numbers
	UnitsRow   string    // cell of the units row, else the unit written in the cells, "" without either
	Values     []float64 // of the rows in hand, NaN where there is none
	Kind       CellKind  // of the first cell that was not missing
	ClockParts int       // of clock times, how many were separated by colons
	Filled     int       // cells in hand with a value
	Texts      int       // cells with text where a value was expected, since layout was last told (Notes)
	Private    string    // why the column is not read: it tells place or identity, or holds no numbers; "" when it is

	stamp    int    // layout of the last date-time
	cellUnit string // written behind the numbers in the cells, "" when none
}

// newColumn is an empty column. A header that tells place or identity makes it private.
func newColumn(name, unitsRow string) *Column {
	c := &Column{Header: withoutVIN(name), UnitsRow: unitsRow, stamp: -1}
	if c.Private = header.Private(c.Header); c.Header != name {
		c.Private = "its header holds a vehicle identification number"
	}
	return c
}

// DayMonthOpen reports whether the column's date-times leave open which number is the day and which the month.
func (c *Column) DayMonthOpen() bool { return dayMonthOpen(c.stamp) }

// Table is the rows of a log in hand, in file order, as columns of numbers.
type Table struct {
	Columns []*Column
	Rows    int
	Starts  []int // the row at which each repeated header begins a new run; always with 0 first
	Dialect Dialect
}

// Dialect is the layout of a log as it was recognised.
type Dialect struct {
	Encoding    string // "UTF-8", "UTF-16LE", "Windows-1252", …, "Parquet", "ASAM MDF 4.10"
	Compression string // "none", "gzip", "zstd", "zip"
	Delimiter   string
	Decimal     string
	HeaderLine  int // 1-based line of the header
	UnitsLine   int // 1-based line of the units row, 0 when there is none
	FirstData   int // 1-based line of the first data row
	Reason      string
}

// Limits of a table. MinRows is the smallest part a log is cut into.
const (
	MinRows       = 256
	maxColumns    = 4096
	maxTableCells = 1 << 28 // of a table that is read whole, and of a pivoted one, which can be wider than its text
)

// Drop takes the first n rows off.
func (tb *Table) Drop(n int) {
	for _, c := range tb.Columns {
		c.Values = c.Values[:copy(c.Values, c.Values[n:])]
		c.Filled = 0
		for _, v := range c.Values {
			if !math.IsNaN(v) {
				c.Filled++
			}
		}
	}
	starts := []int{0}
	for _, s := range tb.Starts {
		if s > n {
			starts = append(starts, s-n)
		}
	}
	tb.Rows, tb.Starts = tb.Rows-n, starts
}

// Release lets go of the values once nobody reads the table any more.
func (tb *Table) Release() {
	for _, c := range tb.Columns {
		c.Values = nil
	}
}

// SameRow reports whether two rows agree in every column.
func (tb *Table) SameRow(a, b int) bool {
	for _, c := range tb.Columns {
		if c.Values[a] != c.Values[b] && !(math.IsNaN(c.Values[a]) && math.IsNaN(c.Values[b])) {
			return false
		}
	}
	return true
}

// addRow appends one cell to every column.
func (tb *Table) addRow(fields []string, decimal byte) {
	for i, c := range tb.Columns {
		cell := ""
		if i < len(fields) {
			cell = fields[i]
		}
		c.add(cell, decimal)
	}
	tb.Rows++
}

// add appends one cell. Private columns and text keep nothing.
func (c *Column) add(cell string, decimal byte) {
	v := math.NaN()
	if c.Private == "" {
		v = c.parse(cell, decimal)
	}
	if !math.IsNaN(v) {
		c.Filled++
	}
	c.Values = append(c.Values, v)
}

// addNumber appends a number that needs no reading. What is infinite is missing.
func (c *Column) addNumber(v float64) {
	if math.IsInf(v, 0) {
		v = math.NaN()
	}
	if !math.IsNaN(v) {
		c.Filled++
		c.Kind = CellNumber
	}
	c.Values = append(c.Values, v)
}

// parse reads a cell as what the column's first filled cell was; anything else in it is text.
func (c *Column) parse(cell string, decimal byte) float64 {
	if c.Kind <= CellNumber && decimal == '.' && len(cell) != vinLength && plainNumber(cell) {
		if v, _, ok := parseNumber(cell, decimal); ok { // what most cells are
			c.Kind = CellNumber
			return v
		}
	}
	if missingWords[strings.ToLower(cell)] {
		return math.NaN()
	}
	if looksLikeVIN(cell) {
		c.Private = "it holds vehicle identification numbers"
		for i := range c.Values {
			c.Values[i] = math.NaN()
		}
		c.Filled = 0
		return math.NaN()
	}
	if c.Kind == CellMissing || c.Kind == CellNumber {
		if v, _, ok := parseNumber(cell, decimal); ok {
			c.Kind = CellNumber
			return v
		}
	}
	if c.Kind == CellMissing || c.Kind == CellNumber {
		if v, ok := c.withUnit(cell, decimal); ok {
			c.Kind = CellNumber
			return v
		}
	}
	if c.Kind == CellMissing || c.Kind == CellClock {
		if v, parts, ok := parseClock(cell); ok {
			c.Kind, c.ClockParts = CellClock, parts
			return v
		}
	}
	if c.Kind == CellMissing || c.Kind == CellStamp {
		if v, layout, ok := parseStamp(cell, c.stamp); ok {
			c.Kind, c.stamp = CellStamp, layout
			return v
		}
	}
	c.Texts++
	return math.NaN()
}

// withUnit reads a cell that holds a number and its unit. The first unit of a column is the column's, as if a row of
// units gave it; a cell in another is text.
func (c *Column) withUnit(cell string, decimal byte) (float64, bool) {
	number, written, ok := cutUnit(cell)
	if !ok || c.cellUnit != "" && c.cellUnit != written {
		return 0, false
	}
	v, _, ok := parseNumber(number, decimal)
	if !ok {
		return 0, false
	}
	if c.cellUnit == "" {
		c.cellUnit = strings.Clone(written)
		if c.UnitsRow == "" {
			c.UnitsRow = c.cellUnit
		}
	}
	return v, true
}
