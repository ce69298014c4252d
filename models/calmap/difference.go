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

// State is an operating state in the units of a table's axes; Y is ignored by one-axis tables.
type State struct{ X, Y float64 }

// Changed is a breakpoint at which child and parent differ, with its neighbourhood: the states whose looked-up value
// it enters. At an edge breakpoint the neighbourhood reaches to ±Inf, because the edge value is held.
type Changed struct {
	X, Y   float64    // the breakpoint; Y is NaN in a one-axis table
	XSpan  [2]float64 // open interval of x reached
	YSpan  [2]float64 // open interval of y reached; everything in a one-axis table
	Change float64    // child minus parent at the breakpoint
	Visits int        // given states inside the neighbourhood
}

// Footprint says where a table changed and how much of that was driven. Breakpoints are those of both tables together.
type Footprint struct {
	Changed          int       // breakpoints that changed
	ChangedVisited   int       // … and were reached by at least one state
	VisitedUnchanged int       // breakpoints reached by a state and not changed
	PastEdge         int       // states strictly beyond a first or last breakpoint of the child
	Cells            []Changed // the changed breakpoints, row by row
}

// FootprintOf compares child with parent at every breakpoint of either and counts which breakpoints the visited states
// reach. A breakpoint changed when |child − parent| exceeds tolerance (in the value's unit; 0 means any difference,
// a rounding step of the spreadsheet is a sensible choice; negative or NaN is taken as 0). States with an unknown (NaN)
// coordinate that the tables use visit nothing.
func FootprintOf(child, parent *Table, states []State, tolerance float64) (Footprint, error) {
	d, err := Difference(child, parent)
	if err != nil {
		return Footprint{}, err
	}
	if !(tolerance > 0) {
		tolerance = 0
	}
	visits, past := countVisits(d, child, states)
	var f Footprint
	f.PastEdge = past
	for j := range d.Z {
		for i, change := range d.Z[j] {
			n := visits[j][i]
			switch {
			case math.Abs(change) > tolerance:
				f.Changed++
				if n > 0 {
					f.ChangedVisited++
				}
				f.Cells = append(f.Cells, changedAt(d, i, j, n))
			case n > 0:
				f.VisitedUnchanged++
			}
		}
	}
	return f, nil
}

// ChangedCells lists the breakpoints of either table at which child and parent differ by more than tolerance, row by
// row, with no visits counted. See FootprintOf.
func ChangedCells(child, parent *Table, tolerance float64) ([]Changed, error) {
	f, err := FootprintOf(child, parent, nil, tolerance)
	return f.Cells, err
}

// countVisits counts, for each breakpoint of d, the states whose interpolation gives it a weight above zero, and the
// states that run past an edge of child.
func countVisits(d, child *Table, states []State) (visits [][]int, past int) {
	visits = make([][]int, len(d.Z))
	for j := range visits {
		visits[j] = make([]int, len(d.X))
	}
	for _, s := range states {
		if math.IsNaN(s.X) || len(d.Y) > 0 && math.IsNaN(s.Y) {
			continue
		}
		if len(child.PastEdge(s.X, s.Y)) > 0 {
			past++
		}
		for _, j := range reached(d.Y, s.Y) {
			for _, i := range reached(d.X, s.X) {
				visits[j][i]++
			}
		}
	}
	return visits, past
}

// reached lists the breakpoints that carry weight at v: one at a breakpoint or beyond an edge, else two.
func reached(axis []float64, v float64) []int {
	if len(axis) == 0 {
		return []int{0}
	}
	i, f := locate(axis, v)
	if f == 0 {
		return []int{i}
	}
	return []int{i, i + 1}
}

func changedAt(d *Table, i, j, visits int) Changed {
	c := Changed{X: d.X[i], Y: math.NaN(), XSpan: span(d.X, i), YSpan: span(nil, 0), Change: d.Z[j][i], Visits: visits}
	if len(d.Y) > 0 {
		c.Y, c.YSpan = d.Y[j], span(d.Y, j)
	}
	return c
}

func span(axis []float64, i int) [2]float64 {
	s := [2]float64{math.Inf(-1), math.Inf(1)}
	if i > 0 {
		s[0] = axis[i-1]
	}
	if i+1 < len(axis) {
		s[1] = axis[i+1]
	}
	return s
}
