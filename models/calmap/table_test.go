package calmap

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func mustNew(t testing.TB, x, y []float64, z [][]float64) *Table {
	t.Helper()
	table, err := New(x, y, z)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func TestNewNamesWhatIsWrong(t *testing.T) {
	one := [][]float64{{1, 2}}
	for _, c := range []struct {
		name string
		x, y []float64
		z    [][]float64
		want string
	}{
		{"no x", nil, nil, nil, "no x breakpoints"},
		{"x falls", []float64{2, 1}, nil, one, "x breakpoint 2: 1 does not exceed the one before it (2)"},
		{"x repeats", []float64{1, 1}, nil, one, "x breakpoint 2"},
		{"x not finite", []float64{math.NaN(), 1}, nil, one, "x breakpoint 1: NaN"},
		{"y falls", []float64{1, 2}, []float64{3, 2}, [][]float64{{1, 2}, {1, 2}}, "y breakpoint 2: 2 does not exceed"},
		{"rows missing", []float64{1, 2}, []float64{1, 2}, one, "1 rows of values for 2 y breakpoints; give 2"},
		{"rows without y", []float64{1, 2}, nil, [][]float64{{1, 2}, {1, 2}},
			"2 rows of values for 0 y breakpoints; give 1"},
		{"short row", []float64{1, 2}, []float64{1, 2}, [][]float64{{1, 2}, {1}},
			"row 2 has 1 values for 2 x breakpoints"},
		{"infinite value", []float64{1, 2}, nil, [][]float64{{1, math.Inf(1)}}, "row 1, column 2: value +Inf"},
		{"huge value", []float64{1, 2}, nil, [][]float64{{1, 1e200}}, "row 1, column 2"},
	} {
		table, err := New(c.x, c.y, c.z)
		if err == nil || table != nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: table %v, error %v, want %q", c.name, table, err, c.want)
		}
	}
	if err := (*Table)(nil).Check(); err == nil {
		t.Error("a nil table must not pass")
	}
}

func TestNewCopies(t *testing.T) {
	x, z := []float64{1, 2}, [][]float64{{3, 4}}
	table := mustNew(t, x, nil, z)
	x[0], z[0][0] = 99, 99
	if table.X[0] != 1 || table.Z[0][0] != 3 {
		t.Error("the table must not share memory with its arguments")
	}
}

// Values worked by hand.
func TestAt(t *testing.T) {
	table := mustNew(t, []float64{1000, 2000, 4000}, []float64{50, 100}, [][]float64{{10, 20, 40}, {0, 10, 50}})
	flat := mustNew(t, []float64{1000, 2000}, nil, [][]float64{{1, 3}})
	point := mustNew(t, []float64{5}, []float64{6}, [][]float64{{7}})
	for _, c := range []struct {
		table      *Table
		x, y, want float64
	}{
		{table, 1000, 50, 10}, {table, 4000, 100, 50}, // corners
		{table, 1500, 50, 15}, {table, 3000, 100, 30}, // on a row
		{table, 2000, 75, 15},                                                                     // on a column
		{table, 3000, 75, 30},                                                                     // (20+40+10+50)/4
		{table, 500, 0, 10}, {table, 9000, 400, 50}, {table, 9000, 75, 45}, {table, 1500, 400, 5}, // held edges
		{table, math.Inf(1), math.Inf(-1), 40},
		{flat, 1250, math.NaN(), 1.5}, {flat, 5000, -1, 3}, // y ignored
		{point, -1, 99, 7},
	} {
		if got := c.table.At(c.x, c.y); got != c.want {
			t.Errorf("At(%g, %g) = %g, want %g", c.x, c.y, got, c.want)
		}
	}
	for _, v := range []float64{table.At(math.NaN(), 50), table.At(1000, math.NaN()), (&Table{}).At(1, 1),
		Interpolate(nil, nil, 1), Interpolate([]float64{1}, nil, 1)} {
		if !math.IsNaN(v) {
			t.Errorf("an unknown state or an empty table must give NaN, got %g", v)
		}
	}
}

func TestConvert(t *testing.T) {
	table := mustNew(t, []float64{1, 2}, []float64{0, 10}, [][]float64{{1, 2}, {3, 4}})
	c, err := table.Convert(func(v float64) float64 { return 60 * v }, nil, func(v float64) float64 { return v + 100 })
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(c.X, []float64{60, 120}) || !slices.Equal(c.Y, []float64{0, 10}) || c.At(120, 10) != 104 {
		t.Errorf("converted to %+v", c)
	}
	if _, err := table.Convert(func(v float64) float64 { return -v }, nil, nil); err == nil ||
		!strings.Contains(err.Error(), "after conversion: x breakpoint 2") {
		t.Errorf("a turned axis: %v", err)
	}
	if _, err := table.Convert(nil, nil, func(float64) float64 { return math.NaN() }); err == nil {
		t.Error("a conversion to NaN must be refused")
	}
}

// genAxis draws strictly increasing breakpoints.
func genAxis(min int) *rapid.Generator[[]float64] {
	return rapid.Custom(func(t *rapid.T) []float64 {
		v := rapid.SliceOfNDistinct(rapid.Float64Range(-1e4, 1e4), min, 7, rapid.ID).Draw(t, "breakpoints")
		slices.Sort(v)
		return v
	})
}

// genTable draws a table, with one axis now and then.
func genTable() *rapid.Generator[*Table] {
	return rapid.Custom(func(t *rapid.T) *Table {
		x, y := genAxis(1).Draw(t, "x"), genAxis(0).Draw(t, "y")
		z := make([][]float64, max(1, len(y)))
		for j := range z {
			z[j] = rapid.SliceOfN(rapid.Float64Range(-1e3, 1e3), len(x), len(x)).Draw(t, "row")
		}
		table, err := New(x, y, z)
		if err != nil {
			t.Fatal(err)
		}
		return table
	})
}

var state = rapid.Float64Range(-1.2e4, 1.2e4)

func TestExactAtBreakpoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := genTable().Draw(t, "table")
		for j := range table.Z {
			y := 0.0
			if len(table.Y) > 0 {
				y = table.Y[j]
			}
			for i, x := range table.X {
				if got := table.At(x, y); got != table.Z[j][i] {
					t.Fatalf("At(%g, %g) = %g, want %g", x, y, got, table.Z[j][i])
				}
			}
		}
	})
}

func TestExactForBilinearFunctions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SliceOfN(rapid.Float64Range(-5, 5), 4, 4).Draw(t, "coefficients")
		f := func(x, y float64) float64 { return c[0] + c[1]*x + c[2]*y + c[3]*x*y }
		xs, ys := genAxis(1).Draw(t, "x"), genAxis(1).Draw(t, "y")
		z := make([][]float64, len(ys))
		for j, y := range ys {
			for _, x := range xs {
				z[j] = append(z[j], f(x, y))
			}
		}
		table, err := New(xs, ys, z)
		if err != nil {
			t.Fatal(err)
		}
		x, y := state.Draw(t, "at x"), state.Draw(t, "at y")
		held := func(v float64, axis []float64) float64 { return min(max(v, axis[0]), axis[len(axis)-1]) }
		want := f(held(x, xs), held(y, ys))
		if got := table.At(x, y); math.Abs(got-want) > 1e-6*(1+math.Abs(want)) { // terms reach 5e8
			t.Fatalf("At(%g, %g) = %g, want %g", x, y, got, want)
		}
	})
}

func TestBoundedByCorners(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := genTable().Draw(t, "table")
		x, y := state.Draw(t, "x"), state.Draw(t, "y")
		got := table.At(x, y)
		low, high := math.Inf(1), math.Inf(-1)
		for _, j := range reached(table.Y, y) {
			for _, i := range reached(table.X, x) {
				low, high = min(low, table.Z[j][i]), max(high, table.Z[j][i])
			}
		}
		if !(got >= low && got <= high) {
			t.Fatalf("At(%g, %g) = %g outside its corners %g … %g", x, y, got, low, high)
		}
	})
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

func TestMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := genTable().Draw(t, "table")
		for _, row := range table.Z {
			slices.Sort(row) // values rise with x in every row
		}
		y := state.Draw(t, "y")
		a, b := state.Draw(t, "a"), state.Draw(t, "b")
		if a > b {
			a, b = b, a
		}
		if low, high := table.At(a, y), table.At(b, y); low > high+1e-9 {
			t.Fatalf("At(%g) = %g exceeds At(%g) = %g", a, low, b, high)
		}
	})
}

func TestDifferencePlusParentIsChild(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		child, parent := genTable().Draw(t, "child"), genTable().Draw(t, "parent")
		d, err := Difference(child, parent)
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Check(); err != nil {
			t.Fatal(err)
		}
		x, y := state.Draw(t, "x"), state.Draw(t, "y")
		got, want := d.At(x, y)+parent.At(x, y), child.At(x, y)
		if math.Abs(got-want) > 1e-9*2e3 {
			t.Fatalf("difference + parent = %g at (%g, %g), child %g", got, x, y, want)
		}
	})
}

func TestDifferenceRefusesBadTables(t *testing.T) {
	good := mustNew(t, []float64{1}, nil, [][]float64{{1}})
	if _, err := Difference(nil, good); err == nil || !strings.Contains(err.Error(), "child") {
		t.Errorf("nil child: %v", err)
	}
	if _, err := Difference(good, &Table{}); err == nil || !strings.Contains(err.Error(), "parent") {
		t.Errorf("empty parent: %v", err)
	}
	if _, err := Difference(good, nil); err == nil {
		t.Error("nil parent must be refused")
	}
}

// Counted by hand on 3 × 3 tables with two changed breakpoints.
func TestChanges(t *testing.T) {
	axis := []float64{0, 10, 20}
	parent := mustNew(t, axis, axis, [][]float64{{1, 2, 3}, {0, 0, 0}, {0, 0, 0}})
	child := mustNew(t, axis, axis, [][]float64{{1, 2, 3}, {0, -2, 0}, {0, 0, 0.5}})
	changes := func(child, parent *Table, tolerance float64) []Change {
		d, err := Difference(child, parent)
		if err != nil {
			t.Fatal(err)
		}
		return d.Changes(tolerance)
	}
	if got := changes(child, parent, 0); !slices.Equal(got, []Change{{10, 10, -2}, {20, 20, 0.5}}) {
		t.Errorf("changes %v", got)
	}
	if got := changes(child, parent, 1); !slices.Equal(got, []Change{{10, 10, -2}}) {
		t.Errorf("changes by more than 1: %v", got)
	}
	if got := changes(child, child, math.NaN()); got != nil {
		t.Errorf("a table against itself: %v", got)
	}
	flat := mustNew(t, axis, nil, [][]float64{{1, 2, 3}})
	moved := mustNew(t, []float64{0, 15}, nil, [][]float64{{1, 2.5}}) // the same line, then held
	if got := changes(moved, flat, 1e-9); len(got) != 1 || got[0].X != 20 || got[0].By != -0.5 ||
		!math.IsNaN(got[0].Y) {
		t.Errorf("only the breakpoint at 20 changed: %v", got)
	}
}

// A bump of −2 at (10, 10) falls linearly to its neighbours: −1 is met at x = 5 on its row, −0.5 at (5, 5).
func TestLargest(t *testing.T) {
	axis := []float64{0, 10, 20}
	bump := mustNew(t, axis, axis, [][]float64{{0, 0, 0}, {0, -2, 0}, {0, 0, 0}})
	line := mustNew(t, axis, nil, [][]float64{{0, 3, 0}})
	for _, c := range []struct {
		table     *Table
		low, high State
		want      float64
	}{
		{bump, State{2, 3}, State{18, 17}, -2}, {bump, State{0, 10}, State{5, 30}, -1},
		{bump, State{-5, 0}, State{5, 5}, -0.5},
		{bump, State{20, 20}, State{99, 99}, 0}, {bump, State{5, 10}, State{5, 10}, -1},
		{line, State{-9, math.NaN()}, State{5, math.NaN()}, 1.5},
	} {
		if got := c.table.Largest(c.low, c.high); got != c.want {
			t.Errorf("largest of %v to %v is %g, want %g", c.low, c.high, got, c.want)
		}
	}
	if got := bump.Largest(State{5, 0}, State{0, 5}); !math.IsNaN(got) {
		t.Errorf("a rectangle turned round gives %g", got)
	}
}

func TestLargestIsReachedAndNeverPassed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := genTable().Draw(t, "table")
		xs, ys := []float64{state.Draw(t, "x0"), state.Draw(t, "x1")}, []float64{state.Draw(t, "y0"),
			state.Draw(t, "y1")}
		slices.Sort(xs)
		slices.Sort(ys)
		largest := table.Largest(State{xs[0], ys[0]}, State{xs[1], ys[1]})
		x, y := rapid.Float64Range(xs[0], xs[1]).Draw(t, "x"), rapid.Float64Range(ys[0], ys[1]).Draw(t, "y")
		if v := table.At(x, y); math.Abs(v) > math.Abs(largest)+1e-9 {
			t.Fatalf("%g at (%g, %g) passes the largest, %g", v, x, y, largest)
		}
	})
}

// A value's weight is what the looked-up value moves by when it alone moves by one.
func TestWeight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		table := genTable().Draw(t, "table")
		j := rapid.IntRange(0, len(table.Z)-1).Draw(t, "row")
		i := rapid.IntRange(0, len(table.X)-1).Draw(t, "column")
		x, y := state.Draw(t, "x"), state.Draw(t, "y")
		before := table.At(x, y)
		weight := table.Weight(j+1, i+1).At(x, y)
		table.Z[j][i]++
		if moved := table.At(x, y) - before; math.Abs(moved-weight) > 1e-9 {
			t.Fatalf("moved by %g, weight %g", moved, weight)
		}
	})
	if table := mustNew(t, []float64{1}, nil, [][]float64{{2}}); table.Weight(2, 1) != nil ||
		table.Weight(1, 0) != nil {
		t.Error("a value that is not there has no weight")
	}
}

func FuzzTable(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 1.5, 2.5)
	f.Add(math.Inf(-1), 0.0, 5e-324, math.Copysign(0, -1), 1e100, -1e100, math.NaN(), math.Inf(1))
	f.Fuzz(func(t *testing.T, x0, x1, y0, y1, a, b, x, y float64) {
		table, err := New([]float64{x0, x1}, []float64{y0, y1}, [][]float64{{a, b}, {b, a}})
		raw := &Table{X: []float64{x0, x1}, Y: []float64{y0, y1}, Z: [][]float64{{a, b}, {b}}}
		raw.Lint(RoleSpark) // must not panic
		if err != nil {
			return
		}
		if math.IsNaN(x) || math.IsNaN(y) {
			return
		}
		if v := table.At(x, y); !(v >= min(a, b) && v <= max(a, b)) {
			t.Errorf("At(%g, %g) = %g", x, y, v)
		}
		if d, err := Difference(table, table); err != nil || d.At(x, y) != 0 {
			t.Errorf("difference from itself: %v, %v", d, err)
		}
		table.Lint(RoleBoost)
	})
}
