package calmap

import (
	"errors"
	"math"
	"slices"
)

// Difference returns child minus parent on the union of both tables' breakpoints. Both tables are bilinear (or held)
// between neighbouring breakpoints of the union, so the difference plus the parent gives the child at every state, not
// only at breakpoints. A table without y is the same at every y. The error says which table is unusable.
func Difference(child, parent *Table) (*Table, error) {
	if err := child.Check(); err != nil {
		return nil, errors.Join(errors.New("child table"), err)
	}
	if err := parent.Check(); err != nil {
		return nil, errors.Join(errors.New("parent table"), err)
	}
	d := &Table{X: union(child.X, parent.X), Y: union(child.Y, parent.Y)}
	ys := d.Y
	if len(ys) == 0 {
		ys = []float64{0} // both ignore y
	}
	for _, y := range ys {
		row := make([]float64, len(d.X))
		for i, x := range d.X {
			row[i] = child.At(x, y) - parent.At(x, y)
		}
		d.Z = append(d.Z, row)
	}
	return d, nil
}

func union(a, b []float64) []float64 {
	all := slices.Concat(a, b)
	if len(all) == 0 {
		return nil
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// Change is a breakpoint at which two tables differ.
type Change struct {
	X, Y float64 // Y is NaN in a one-axis table
	By   float64 // child minus parent
}

// Changes lists, row by row, the values of a difference that are larger than tolerance in magnitude (in the value's
// unit; negative or NaN is taken as 0, any difference).
func (t *Table) Changes(tolerance float64) []Change {
	if !(tolerance > 0) {
		tolerance = 0
	}
	var out []Change
	for j, row := range t.Z {
		for i, by := range row {
			if math.Abs(by) > tolerance {
				out = append(out, Change{X: t.X[i], Y: t.yAt(j), By: by})
			}
		}
	}
	return out
}

// State is an operating state in the units of a table's axes; Y is ignored by one-axis tables.
type State struct{ X, Y float64 }

// Weight is the table of the share that one value has in what At gives: 1 at its own breakpoint, falling linearly to 0
// at the ones beside it, held beyond an edge. Row and column are counted from 1; nil when there is no such value.
func (t *Table) Weight(row, column int) *Table {
	if row < 1 || row > len(t.Z) || column < 1 || column > len(t.X) {
		return nil
	}
	w := &Table{X: t.X, Y: t.Y, Z: make([][]float64, len(t.Z))}
	for j := range w.Z {
		w.Z[j] = make([]float64, len(t.X))
	}
	w.Z[row-1][column-1] = 1
	return w
}

// Largest returns the value of largest magnitude that At gives anywhere in the rectangle from low to high, ends
// included, the first of equals. Between breakpoints At is linear along each axis, so it is met at a breakpoint or at
// an end of the rectangle. A one-axis table ignores Y. NaN for an empty table, or ends that are NaN or in the wrong
// order.
func (t *Table) Largest(low, high State) float64 {
	ys := []float64{0}
	if len(t.Y) > 0 {
		ys = within(t.Y, low.Y, high.Y)
	}
	largest := math.NaN()
	for _, y := range ys {
		for _, x := range within(t.X, low.X, high.X) {
			if v := t.At(x, y); !(math.Abs(v) <= math.Abs(largest)) {
				largest = v
			}
		}
	}
	return largest
}

// within lists low, the breakpoints between, and high; nothing when they are NaN or in the wrong order.
func within(axis []float64, low, high float64) []float64 {
	if !(low <= high) {
		return nil
	}
	out := []float64{low}
	for _, v := range axis {
		if v > low && v < high {
			out = append(out, v)
		}
	}
	return append(out, high)
}

// yAt is the y breakpoint of a row, NaN in a one-axis table.
func (t *Table) yAt(j int) float64 {
	if len(t.Y) == 0 {
		return math.NaN()
	}
	return t.Y[j]
}
