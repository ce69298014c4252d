package workspace

import (
	"fmt"
	"strings"

	"headroom/internal/fault"
	"headroom/models/calmap"
)

// parseTable reads a table as a spreadsheet gives it: first row the x breakpoints, first column the y breakpoints,
// the corner cell free text. A table without y has one row of values whose first cell is free text. Rows and columns
// in problems are counted from 1 as the spreadsheet shows them.
func parseTable(rel string, data []byte, hasY bool) (*calmap.Table, *fault.Fault) {
	records, lines, p := readRecords(rel, data, false)
	if p != nil {
		return nil, p
	}
	records, lines = trimmed(records, lines)
	if len(records) < 2 || len(records[0]) < 2 {
		return nil, &fault.Fault{File: rel, What: "is not a table", Remedy: "first row: a corner cell, then the x " +
			"breakpoints; then one row per y breakpoint (or one row of values) with its label in the first column"}
	}
	if !hasY && len(records) > 2 {
		return nil, &fault.Fault{File: rel, What: fmt.Sprintf("has %d rows of values, but revision.yaml gives no y "+
			"axis",
			len(records)-1), Remedy: "give y in revision.yaml, or keep one row of values"}
	}
	g := grid{rel: rel, records: records, lines: lines}
	if _, err := number(records[0][0]); err == nil {
		return nil, g.problem(0, 0, fmt.Sprintf("corner cell %q is a number", records[0][0]),
			"keep the first column for y breakpoints or a label, and put text or nothing in the corner")
	}
	x, p := g.numbers(0, len(records[0]))
	if p != nil {
		return nil, p
	}
	if i := notIncreasing(x); i >= 0 {
		return nil, g.problem(0, i+1, fmt.Sprintf("x breakpoint %g does not exceed the one before it (%g)", x[i],
			x[i-1]), "put the breakpoints in strictly increasing order")
	}
	var y []float64
	var z [][]float64
	for r := 1; r < len(records); r++ {
		row, p := g.numbers(r, len(records[0]))
		if p != nil {
			return nil, p
		}
		z = append(z, row)
		if !hasY {
			continue
		}
		v, err := number(records[r][0])
		if err != nil {
			return nil, g.problem(r, 0, "y breakpoint: "+err.Error(), "write a plain number")
		}
		y = append(y, v)
		if i := len(y) - 1; i > 0 && y[i] <= y[i-1] {
			return nil, g.problem(r, 0, fmt.Sprintf("y breakpoint %g does not exceed the one before it (%g)", y[i],
				y[i-1]), "put the rows in strictly increasing order of y")
		}
	}
	t, err := calmap.New(x, y, z)
	if err != nil {
		return nil, &fault.Fault{File: rel, What: err.Error(), Remedy: "mend the table"}
	}
	return t, nil
}

// grid is the cells of a table file.
type grid struct {
	rel     string
	records [][]string
	lines   []int
}

func (g grid) problem(row, column int, what, remedy string) *fault.Fault {
	return &fault.Fault{File: g.rel, Line: g.lines[row], Where: fmt.Sprintf("row %d, column %d", row+1, column+1),
		What: what, Remedy: remedy}
}

// numbers reads a row from its second cell on; it must have width cells.
func (g grid) numbers(row, width int) ([]float64, *fault.Fault) {
	cells := g.records[row]
	if len(cells) > width {
		return nil, g.problem(row, width, fmt.Sprintf("value %q has no x breakpoint above it", cells[width]),
			"give the breakpoint in the first row, or remove the value"+g.commaRemedy(cells))
	}
	out := make([]float64, 0, width)
	for i := 1; i < width; i++ {
		cell := ""
		if i < len(cells) {
			cell = cells[i]
		}
		v, err := number(cell)
		if err != nil {
			return nil, g.problem(row, i, err.Error(), "write a plain number, without unit or thousands mark")
		}
		out = append(out, v)
	}
	return out, nil
}

// splitByCommas is by how many cells a row has to pass the first to look like one whose decimal commas were read as
// separators; common practice, no source.
const splitByCommas = 3

// commaRemedy adds what mends such a row.
func (g grid) commaRemedy(cells []string) string {
	if len(cells)-len(g.records[0]) < splitByCommas {
		return ""
	}
	return "; where commas are decimal marks, separate the cells by semicolons"
}

// trimmed drops blank rows and, from each row, the empty cells that spreadsheets leave at the right.
func trimmed(records [][]string, lines []int) ([][]string, []int) {
	var out [][]string
	var at []int
	for i, r := range records {
		if blank(r) {
			continue
		}
		end := len(r)
		for end > 0 && strings.TrimSpace(r[end-1]) == "" {
			end--
		}
		out, at = append(out, r[:end]), append(at, lines[i])
	}
	return out, at
}

// notIncreasing returns the index of the first entry that does not exceed the one before it, or −1.
func notIncreasing(v []float64) int {
	for i := 1; i < len(v); i++ {
		if v[i] <= v[i-1] {
			return i
		}
	}
	return -1
}
