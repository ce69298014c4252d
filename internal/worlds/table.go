package worlds

import (
	"bytes"
	"fmt"
	"slices"
	"sort"
	"strconv"
)

// table is a calibration table: values over x (engine speed), and over y where it has any. It is read as a control unit
// reads it: linear between breakpoints, held beyond them.
type table struct {
	corner string
	x, y   []float64
	v      [][]float64 // by y, then x; one row without y
}

func newTable(corner string, x, y []float64, value func(x, y float64) float64) table {
	t := table{corner: corner, x: x, y: y}
	rows := y
	if len(y) == 0 {
		rows = []float64{0}
	}
	for _, at := range rows {
		row := make([]float64, len(x))
		for i := range x {
			row[i] = value(x[i], at)
		}
		t.v = append(t.v, row)
	}
	return t
}

// bracket finds the breakpoints around a value: the lower one and the share of the way to the next.
func bracket(points []float64, at float64) (int, float64) {
	last := len(points) - 1
	if last == 0 || at <= points[0] {
		return 0, 0
	}
	if at >= points[last] {
		return last - 1, 1
	}
	i := sort.SearchFloat64s(points, at)
	if points[i] > at {
		i--
	}
	return i, (at - points[i]) / (points[i+1] - points[i])
}

// along interpolates values over breakpoints, held at the ends.
func along(points, values []float64, at float64) float64 {
	i, share := bracket(points, at)
	if share == 0 {
		return values[i]
	}
	return values[i] + share*(values[i+1]-values[i])
}

func (t *table) at(x, y float64) float64 {
	if len(t.v) == 1 {
		return along(t.x, t.v[0], x)
	}
	j, share := bracket(t.y, y)
	low := along(t.x, t.v[j], x)
	if share == 0 {
		return low
	}
	return low + share*(along(t.x, t.v[j+1], x)-low)
}

// changed is a copy with something added at each breakpoint, rounded to a step and kept within limits.
func (t *table) changed(step, low, high float64, by func(x, y float64) float64) table {
	out := *t
	out.v = nil
	for j, row := range t.v {
		next := slices.Clone(row)
		y := 0.0
		if len(t.y) > 0 {
			y = t.y[j]
		}
		for i := range next {
			if d := by(t.x[i], y); d != 0 {
				next[i] = clamp(round(next[i]+d, step), low, high)
			}
		}
		out.v = append(out.v, next)
	}
	return out
}

// same reports whether two tables hold the same values.
func (t *table) same(as *table) bool {
	return slices.EqualFunc(t.v, as.v, func(a, b []float64) bool { return slices.Equal(a, b) })
}

// csv is the file of the table.
func (t *table) csv() []byte {
	var b bytes.Buffer
	b.WriteString(t.corner)
	for _, x := range t.x {
		b.WriteString("," + number(x))
	}
	b.WriteByte('\n')
	for j, row := range t.v {
		if len(t.y) > 0 {
			b.WriteString(number(t.y[j]))
		} else {
			b.WriteString("value")
		}
		for _, v := range row {
			b.WriteString("," + number(v))
		}
		b.WriteByte('\n')
	}
	return b.Bytes()
}

// number writes at most six significant digits.
func number(v float64) string {
	f, err := strconv.ParseFloat(fmt.Sprintf("%.6g", v), 64)
	if err != nil {
		return "nan" // refused by whoever reads it
	}
	return strconv.FormatFloat(f, 'f', -1, 64)
}

// numbers are numbers in brackets, as YAML lists them.
func numbers(v []float64) string {
	b := []byte{'['}
	for i := range v {
		if i > 0 {
			b = append(b, ", "...)
		}
		b = append(b, number(v[i])...)
	}
	return string(append(b, ']'))
}
