// Package calmap answers: what does a calibration table say at an operating state, exactly as a control unit reads it,
// what changed between two tables, and does a table look right?
//
// A control unit interpolates linearly along each axis between breakpoints and holds the first and last value beyond
// them. Bilinear interpolation is textbook material (Press, Teukolsky, Vetterling and Flannery, Numerical Recipes,
// 3rd ed. 2007, section 3.6; from memory); holding the edge value is common practice, no source. The lint is a robust
// second difference measured in median absolute deviations (Hampel, JASA 69, 1974; from memory).
package calmap

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
)

// Table is a calibration table with one or two axes. Z[j][i] is the value at (X[i], Y[j]); a one-axis table has
// Y == nil and one row. Axes are strictly increasing. Make tables with New: the other methods rely on what it checks.
type Table struct {
	X, Y []float64
	Z    [][]float64
}

// MaxAbs bounds breakpoints and values in magnitude. No physical quantity comes near it, and sums, differences and
// products of two table entries stay finite below it.
const MaxAbs = 1e100

// New returns a table of copies of x, y and z after checking them: at least one x breakpoint; finite, strictly
// increasing axes; one row of z per y breakpoint (exactly one when y is empty: a one-axis table), each as long as x;
// finite values, all within ±MaxAbs. An error names the offending breakpoint, or row and column, counted from 1
// without the breakpoints themselves.
func New(x, y []float64, z [][]float64) (*Table, error) {
	t := &Table{X: slices.Clone(x), Z: make([][]float64, len(z))}
	if len(y) > 0 {
		t.Y = slices.Clone(y)
	}
	for j := range z {
		t.Z[j] = slices.Clone(z[j])
	}
	if err := t.Check(); err != nil {
		return nil, err
	}
	return t, nil
}

// Check reports the first thing that New would refuse, or nil.
func (t *Table) Check() error {
	if t == nil || len(t.X) == 0 {
		return errors.New("table has no x breakpoints; give at least one")
	}
	if err := checkAxis("x", t.X); err != nil {
		return err
	}
	if err := checkAxis("y", t.Y); err != nil {
		return err
	}
	rows := max(1, len(t.Y))
	if len(t.Z) != rows {
		return fmt.Errorf("table has %d rows of values for %d y breakpoints; give %d", len(t.Z), len(t.Y), rows)
	}
	for j, row := range t.Z {
		if len(row) != len(t.X) {
			return fmt.Errorf("row %d has %d values for %d x breakpoints; give one value per breakpoint",
				j+1, len(row), len(t.X))
		}
		for i, v := range row {
			if !usable(v) {
				return fmt.Errorf("row %d, column %d: value %g is not a usable number; give a finite value",
					j+1, i+1, v)
			}
		}
	}
	return nil
}

func checkAxis(name string, axis []float64) error {
	for i, v := range axis {
		if !usable(v) {
			return fmt.Errorf("%s breakpoint %d: %g is not a usable number; give a finite value", name, i+1, v)
		}
		if i > 0 && v <= axis[i-1] {
			return fmt.Errorf("%s breakpoint %d: %g does not exceed the one before it (%g); breakpoints must be "+
				"strictly increasing", name, i+1, v, axis[i-1])
		}
	}
	return nil
}

func usable(v float64) bool { return math.Abs(v) <= MaxAbs } // false for NaN

// At returns the table's value at state (x, y): linear along each axis between breakpoints, the edge value held beyond
// the first and last one. A one-axis table ignores y. The result lies between the values of the breakpoints around
// the state and equals a breakpoint's value at it. A state that is not known (NaN) has no value: the result is NaN.
func (t *Table) At(x, y float64) float64 {
	if len(t.X) == 0 || len(t.Z) == 0 || math.IsNaN(x) {
		return math.NaN()
	}
	i, u := locate(t.X, x)
	if len(t.Y) == 0 {
		return along(t.Z[0], i, u)
	}
	if math.IsNaN(y) {
		return math.NaN()
	}
	j, v := locate(t.Y, y)
	low := along(t.Z[j], i, u)
	if v == 0 {
		return low
	}
	return lerp(low, along(t.Z[j+1], i, u), v)
}

// Shares calls f with each value of the table that has a share in what At gives at (x, y): row and column, counted
// from 0, and the share, above 0; the shares add up to 1. Nothing is called where At gives no value.
func (t *Table) Shares(x, y float64, f func(row, column int, share float64)) {
	if math.IsNaN(t.At(x, y)) {
		return
	}
	i, u := locate(t.X, x)
	j, v := 0, 0.0
	if len(t.Y) > 0 {
		j, v = locate(t.Y, y)
	}
	for _, at := range []struct {
		row, column int
		share       float64
	}{{j, i, (1 - u) * (1 - v)}, {j, i + 1, u * (1 - v)}, {j + 1, i, (1 - u) * v}, {j + 1, i + 1, u * v}} {
		if at.share > 0 {
			f(at.row, at.column, at.share)
		}
	}
}

// locate returns the index of the breakpoint at or below v and the fraction 0 ≤ f < 1 of the way to the next one.
// Beyond the ends it returns the end breakpoint and 0.
func locate(axis []float64, v float64) (int, float64) {
	last := len(axis) - 1
	switch {
	case v <= axis[0]:
		return 0, 0
	case v >= axis[last]:
		return last, 0
	}
	i := sort.SearchFloat64s(axis, v)
	if axis[i] == v {
		return i, 0
	}
	f := (v - axis[i-1]) / (axis[i] - axis[i-1])
	if f >= 1 { // rounding
		return i, 0
	}
	return i - 1, f
}

func along(row []float64, i int, u float64) float64 {
	if u == 0 {
		return row[i]
	}
	return lerp(row[i], row[i+1], u)
}

// lerp is clamped to its end values so that rounding never leaves their span.
func lerp(a, b, u float64) float64 {
	v := a*(1-u) + b*u
	return min(max(v, min(a, b)), max(a, b))
}

// Interpolate returns the value of a one-axis curve at x as At does: linear between breakpoints, held at the ends.
// The breakpoints must be strictly increasing with one value each; otherwise, or for x NaN, the result is NaN.
func Interpolate(breakpoints, values []float64, x float64) float64 {
	if len(breakpoints) == 0 || len(breakpoints) != len(values) || math.IsNaN(x) {
		return math.NaN()
	}
	i, u := locate(breakpoints, x)
	return along(values, i, u)
}

// Convert returns the table with each x breakpoint, y breakpoint and value passed through a function, for units and
// scaling; a nil function leaves its part alone. The functions must keep breakpoints strictly increasing and
// everything finite: the error is New's.
func (t *Table) Convert(x, y, z func(float64) float64) (*Table, error) {
	rows := make([][]float64, len(t.Z))
	for j := range t.Z {
		rows[j] = mapped(t.Z[j], z)
	}
	c, err := New(mapped(t.X, x), mapped(t.Y, y), rows)
	if err != nil {
		return nil, fmt.Errorf("after conversion: %w", err)
	}
	return c, nil
}

func mapped(in []float64, f func(float64) float64) []float64 {
	out := slices.Clone(in)
	if f == nil {
		return out
	}
	for i, v := range out {
		out[i] = f(v)
	}
	return out
}
