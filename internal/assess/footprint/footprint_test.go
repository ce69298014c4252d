package footprint

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"headroom/internal/assess/state"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// The footprint tests run on cells of 500 rpm by 20 % load and on tables made here.

type fataler interface {
	Fatal(...any)
	Helper()
}

// speedTable is a table of a role read by speed and, with y, by another channel.
func speedTable(t fataler, role string, x, y []float64, by channel.ID, z [][]float64) workspace.TableRef {
	t.Helper()
	table, err := calmap.New(x, y, z)
	if err != nil {
		t.Fatal(err)
	}
	ref := workspace.TableRef{Role: role, File: "tables/" + role + ".csv",
		X: workspace.Axis{Channel: channel.EngineSpeed}, Table: table}
	if len(y) > 0 {
		ref.Y = &workspace.Axis{Channel: by}
	}
	return ref
}

// flat is a table of one value everywhere.
func flat(t fataler, role string, x, y []float64, by channel.ID, value float64) workspace.TableRef {
	z := make([][]float64, max(1, len(y)))
	for j := range z {
		z[j] = slices.Repeat([]float64{value}, len(x))
	}
	return speedTable(t, role, x, y, by, z)
}

// raised is a copy of a table with one value raised; row and column are counted from 0.
func raised(t workspace.TableRef, row, column int, by float64) workspace.TableRef {
	c := calmap.Table{X: t.Table.X, Y: t.Table.Y}
	for _, r := range t.Table.Z {
		c.Z = append(c.Z, slices.Clone(r))
	}
	c.Z[row][column] += by
	t.Table = &c
	return t
}

// footprintOf is the footprint of a revision with the child's tables on a parent with the parent's, judged on states.
func footprintOf(child, parent []workspace.TableRef, states ...state.State) Footprint {
	ws := &workspace.Workspace{Revisions: map[string]*workspace.Revision{
		"parent": {ID: "parent", Tables: parent},
		"child":  {ID: "child", Parent: "parent", Tables: child},
	}}
	return Of(grid500, ws, ws.Revisions["child"], "parent", visitsOf(states...), nil)
}

// grid500 is a platform of 500 rpm by 20 % cells.
var grid500 = &state.Platform{RPMStep: 500, LoadStep: 20}

func visitsOf(states ...state.State) []state.Visit {
	out := make([]state.Visit, len(states))
	for i, s := range states {
		out[i] = state.Visit{State: s}
	}
	return out
}

func at(rpm, load float64) state.State {
	nan := math.NaN()
	return state.State{RPM: rpm, Load: load, Manifold: nan, Charge: nan, Coolant: nan, Ethanol: nan}
}

// sameNumbers holds two numbers that are not known for equal.
var sameNumbers = cmp.Comparer(func(a, b result.Number) bool { return a == b || !a.Known() && !b.Known() })

var speedAxis, loadAxis = []float64{2000, 3000, 4000, 5000}, []float64{100, 140, 180, 220}

// place of a breakpoint by speed and load.
func place(rpm, load float64) []AxisValue {
	return []AxisValue{{"engine_speed", result.Number(rpm), "rpm"}, {"absolute_load", result.Number(load), "%"}}
}

// On paper: the tables span 2000–5000 rpm and 100–220 %, 6 × 6 cells. Raising the value at 3000 rpm and 140 % by
// 3° changes what is read between its neighbours, 2000–4000 rpm and 100–180 %: 4 × 4 cells. Two states are in one
// of them, one in a cell beside, and one past both last breakpoints. So 16 changed = 1 visited + 15 not, 2 visited and
// unchanged. The 15 are a square of 4 × 4 with a hole at 2500 rpm, 140 %: two full rows (8 cells, the raised value at
// their edge), right of the hole 2 × 2 (again at its edge), left of it 1 × 2 (half the raise at 2500 rpm), above it
// one (half the raise at 160 %).
func TestFootprintOnPaper(t *testing.T) {
	parent := flat(t, "spark", speedAxis, loadAxis, channel.AbsoluteLoad, 20)
	child := raised(parent, 1, 1, 3)
	got := footprintOf([]workspace.TableRef{child}, []workspace.TableRef{parent}, at(2600, 150), at(2900, 141),
		at(4600, 150), at(5400, 230))
	spark := func(by float64) []RoleChange { return []RoleChange{{"spark", result.Number(by), "deg"}} }
	want := Footprint{From: "parent",
		CellsChanged: 16, CellsChangedVisited: 1, StatesPastLastBreakpoint: 1, Gaps: []state.Gap{},
		CellsChangedUnvisited: 15, CellsVisitedUnchanged: 2,
		Unvisited: []ChangedArea{
			{result.Span{2000, 4000}, result.Span{100, 140}, 8, spark(3)},
			{result.Span{3000, 4000}, result.Span{140, 180}, 4, spark(3)},
			{result.Span{2000, 2500}, result.Span{140, 180}, 2, spark(1.5)},
			{result.Span{2500, 3000}, result.Span{160, 180}, 1, spark(1.5)},
		},
		Tables: []TableChange{{Role: "spark", File: "tables/spark.csv", Breakpoints: 16, BreakpointsChanged: 1,
			LargestChange: 3, Unit: "deg", At: place(3000, 140)}},
		Spikes: []Spike{{Role: "spark", File: "tables/spark.csv", At: place(3000, 140), Unit: "deg", Value: 23,
			Neighbours: result.Span{20, 20},
			Stands:     3, ParentStands: 0, New: true, VisitedCells: 1}},
	}
	if d := cmp.Diff(want, got, sameNumbers); d != "" {
		t.Error(d)
	}
	old := footprintOf([]workspace.TableRef{child}, []workspace.TableRef{child}, at(2600, 150), at(4600, 150))
	if old.CellsChanged != 0 || old.CellsVisitedUnchanged != 2 || len(old.Spikes) != 1 || old.Spikes[0].New ||
		old.Spikes[0].ParentStands != 3 {
		t.Errorf("the parent's own spike: %+v", old)
	}
}

// On paper: boost by speed raised by 10 kPa at 3000 rpm moves 2000–4000 rpm. One pull has been at 2500–3000 rpm, so
// only the load it reached counts there. At the other three speed bins nobody has been: all six loads of the spark
// table count, 18 cells, at most +5 kPa up to 2500 rpm and +10 kPa from 3000 rpm. A table that the revision does not
// list is the parent's.
func TestFootprintOfBoostBySpeed(t *testing.T) {
	spark := flat(t, "spark", speedAxis, loadAxis, channel.AbsoluteLoad, 20)
	boost := flat(t, "boost", []float64{2000, 3000, 4000}, nil, "", 200)
	got := footprintOf([]workspace.TableRef{raised(boost, 0, 1, 10)}, []workspace.TableRef{spark, boost}, at(2600, 150))
	want := []ChangedArea{
		{result.Span{3000, 4000}, result.Span{100, 220}, 12, []RoleChange{{"boost", 10, "kPa"}}},
		{result.Span{2000, 2500}, result.Span{100, 220}, 6, []RoleChange{{"boost", 5, "kPa"}}},
	}
	if got.CellsChanged != 19 || got.CellsChangedVisited != 1 || got.CellsChangedUnvisited != 18 ||
		!cmp.Equal(got.Unvisited, want) || len(got.Tables) != 1 {
		t.Errorf("footprint %+v", got)
	}
}

// A pressure axis goes with load. On paper: the row at 150 kPa reaches from 100 to 200 kPa. At 1.25 kPa per %, as the
// pull shows, that is 80 to 160 % load: 4 load bins at 2 speed bins. Without a pull, at 1.01325 kPa per %, it is 98.7
// to 197.4 %: 6 load bins.
func TestFootprintByManifoldPressure(t *testing.T) {
	parent := flat(t, "spark", []float64{2000, 3000}, []float64{100, 150, 200}, channel.ManifoldPressure, 20)
	child := raised(raised(parent, 1, 0, 1), 1, 1, 1)
	logged := at(2200, 100)
	logged.Manifold = 125
	got := footprintOf([]workspace.TableRef{child}, []workspace.TableRef{parent}, logged)
	if got.CellsChanged != 8 || got.CellsChangedVisited != 1 || got.CellsChangedUnvisited != 7 {
		t.Errorf("with a pull: %+v", got)
	}
	if got := footprintOf([]workspace.TableRef{child}, []workspace.TableRef{parent}); got.CellsChanged != 12 ||
		got.CellsChangedVisited != 0 {
		t.Errorf("without a pull: %+v", got)
	}
}

// What cannot be compared is not known, never zero.
func TestFootprintNotCompared(t *testing.T) {
	byLoad := flat(t, "spark", speedAxis, loadAxis, channel.AbsoluteLoad, 20)
	byPressure := flat(t, "spark", speedAxis, []float64{100, 200}, channel.ManifoldPressure, 20)
	idle := workspace.TableRef{Role: "other", Name: "idle speed", File: "tables/idle.csv", Unit: "rpm",
		X: workspace.Axis{Channel: channel.CoolantTemperature, Unit: "C"}, Table: &calmap.Table{X: []float64{0, 80},
			Z: [][]float64{{1200, 800}}}}
	fahrenheit := idle
	fahrenheit.X.Unit = "F"
	for _, c := range []struct {
		name          string
		child, parent workspace.TableRef
		why           ObstacleKind
		cells         int
	}{
		{"no such table", byLoad, idle, NoParentTable, 36},
		{"other channels", byLoad, byPressure, OtherAxes, 36},
		{"other units", idle, fahrenheit, OtherUnits, 0},
	} {
		f := footprintOf([]workspace.TableRef{c.child}, []workspace.TableRef{c.parent})
		got := f.Tables[0]
		if got.Obstacle.Kind != c.why || got.BreakpointsChanged.Known() || got.LargestChange.Known() ||
			f.CellsChanged != c.cells {
			t.Errorf("%s: %+v, %d cells", c.name, got, f.CellsChanged)
		}
		if c.cells > 0 && f.Unvisited[0].Changes[0].Change.Known() {
			t.Errorf("%s: the change in %+v cannot be known", c.name, f.Unvisited[0])
		}
	}
	f := footprintOf([]workspace.TableRef{raised(idle, 0, 1, -50)}, []workspace.TableRef{idle})
	if got := f.Tables[0]; got.BreakpointsChanged != 1 || got.LargestChange != -50 || got.Unit != "rpm" ||
		got.At[0] != (AxisValue{"coolant_temperature", 80, "C"}) || f.CellsChanged != 0 {
		t.Errorf("a table that is carried only: %+v", f)
	}
}

// A base calibration is compared with nothing, but its own spikes and edges are looked at.
func TestFootprintOfBase(t *testing.T) {
	ws := &workspace.Workspace{Revisions: map[string]*workspace.Revision{
		"base": {ID: "base", Tables: []workspace.TableRef{raised(flat(t, "spark", speedAxis, loadAxis,
			channel.AbsoluteLoad, 20), 2, 2, -4)}},
		"lost": {ID: "lost", Parent: "gone", Tables: []workspace.TableRef{flat(t, "spark", speedAxis, loadAxis,
			channel.AbsoluteLoad, 20)}},
	}}
	f := Of(grid500, ws, ws.Revisions["base"], "", visitsOf(at(2600, 150), at(6000, 150)), nil)
	if f.Obstacle.Kind != NoParent || f.CellsChangedUnvisited.Known() || f.CellsVisitedUnchanged.Known() ||
		f.StatesPastLastBreakpoint != 1 {
		t.Errorf("base: %+v", f)
	}
	if len(f.Spikes) != 1 || !f.Spikes[0].New || f.Spikes[0].ParentStands.Known() || f.Spikes[0].VisitedCells != 0 {
		t.Errorf("spikes of a base: %+v", f.Spikes)
	}
	if f := Of(grid500, ws, ws.Revisions["lost"], "gone", nil, nil); !strings.Contains(f.Obstacle.Fault, "gone") ||
		f.CellsVisitedUnchanged.Known() {
		t.Errorf("a missing ancestor: %+v", f)
	}
}

// A spike that the parent does not have is new, and says in how many cells it is read.
func TestNewSpikes(t *testing.T) {
	parent := flat(t, "spark", speedAxis, loadAxis, channel.AbsoluteLoad, 20)
	child := raised(parent, 1, 1, 3)
	spike := func(parent workspace.TableRef, states ...state.State) Spike {
		t.Helper()
		f := footprintOf([]workspace.TableRef{child}, []workspace.TableRef{parent}, states...)
		if len(f.Spikes) != 1 {
			t.Fatalf("spikes %+v", f.Spikes)
		}
		return f.Spikes[0]
	}
	if s := spike(parent, at(2600, 150)); !s.New || s.VisitedCells != 1 || s.Stands != 3 {
		t.Errorf("driven: %+v", s)
	}
	if s := spike(parent, at(4600, 150)); !s.New || s.VisitedCells != 0 {
		t.Errorf("not driven: %+v", s)
	}
	if s := spike(child, at(2600, 150)); s.New {
		t.Errorf("the parent's own spike: %+v", s)
	}
}

// genTables draws a calibration: spark by speed and load or pressure, boost by speed.
func genTables(t *rapid.T, name string, spark, boost workspace.TableRef) []workspace.TableRef {
	for range rapid.IntRange(0, 4).Draw(t, name+" spark changes") {
		spark = raised(spark, rapid.IntRange(0, 3).Draw(t, "row"), rapid.IntRange(0, 3).Draw(t, "column"),
			rapid.Float64Range(-5, 5).Draw(t, "by"))
	}
	for range rapid.IntRange(0, 2).Draw(t, name+" boost changes") {
		boost = raised(boost, 0, rapid.IntRange(0, 3).Draw(t, "column"), rapid.Float64Range(-20, 20).Draw(t, "by"))
	}
	return []workspace.TableRef{spark, boost}
}

func genCase(t *rapid.T) (child, parent []workspace.TableRef, states []state.State) {
	by := rapid.SampledFrom([]channel.ID{channel.AbsoluteLoad, channel.ManifoldPressure}).Draw(t, "axis")
	spark := flat(t, "spark", speedAxis, loadAxis, by, 20)
	boost := flat(t, "boost", []float64{1500, 2500, 4500, 6500}, nil, "", 200)
	for range rapid.IntRange(0, 6).Draw(t, "states") {
		s := at(rapid.Float64Range(900, 7000).Draw(t, "rpm"), rapid.Float64Range(20, 260).Draw(t, "load"))
		s.Manifold = rapid.OneOf(rapid.Just(math.NaN()), rapid.Float64Range(40, 280)).Draw(t, "manifold")
		states = append(states, s)
	}
	return genTables(t, "child", spark, boost), genTables(t, "parent", spark, boost), states
}

func TestFootprintAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		child, parent, states := genCase(t)
		f := footprintOf(child, parent, states...)
		if float64(f.CellsChanged) != float64(f.CellsChangedVisited)+float64(f.CellsChangedUnvisited) {
			t.Fatalf("%d changed, %d of them visited and %g not", f.CellsChanged, f.CellsChangedVisited,
				f.CellsChangedUnvisited)
		}
		visited := map[state.CellKey]bool{}
		for i := range states {
			visited[grid500.CellOf(&states[i])] = true
		}
		if len(visited) != f.CellsChangedVisited+int(f.CellsVisitedUnchanged) {
			t.Fatalf("%d cells visited, %d changed and %g unchanged", len(visited), f.CellsChangedVisited,
				f.CellsVisitedUnchanged)
		}
		covered := map[state.CellKey]bool{}
		for _, a := range f.Unvisited {
			n := 0
			for r := a.RPM[0] / 500; r < a.RPM[1]/500; r++ {
				for l := a.LoadPct[0] / 20; l < a.LoadPct[1]/20; l++ {
					k := state.CellKey{int(math.Round(float64(r))), int(math.Round(float64(l)))}
					if covered[k] || visited[k] {
						t.Fatalf("cell %v is listed twice or visited", k)
					}
					covered[k] = true
					n++
				}
			}
			if n != a.Cells || len(a.Changes) == 0 {
				t.Fatalf("%d cells in %+v", n, a)
			}
		}
		if len(covered) != int(f.CellsChangedUnvisited) {
			t.Fatalf("%d cells listed, %g counted", len(covered), f.CellsChangedUnvisited)
		}
		if again := footprintOf(child, parent, states...); !cmp.Equal(f, again, sameNumbers) {
			t.Fatalf("not the same again: %s", cmp.Diff(f, again, sameNumbers))
		}
	})
}

// A state that reads another value than on the parent lies in a changed cell.
func TestFootprintMissesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		child, parent, states := genCase(t)
		moved := map[state.CellKey]bool{}
		for i := range child {
			by := pairOf(&child[i], &parent[i])
			for j := range states {
				a, _, _ := state.Lookup{Table: child[i].Table, X: by.x, Y: by.y}.At(&states[j])
				b, _, _ := state.Lookup{Table: parent[i].Table, X: by.x, Y: by.y}.At(&states[j])
				if math.Abs(a-b) > 1e-6 {
					moved[grid500.CellOf(&states[j])] = true
				}
			}
		}
		if f := footprintOf(child, parent, states...); f.CellsChangedVisited < len(moved) {
			t.Fatalf("states read other values in %v, but %d cells count as changed", moved, f.CellsChangedVisited)
		}
	})
}

func TestIdenticalTablesChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tables, _, states := genCase(t)
		f := footprintOf(tables, tables, states...)
		if f.CellsChanged != 0 || f.CellsChangedVisited != 0 || f.CellsChangedUnvisited != 0 || len(f.Unvisited) > 0 {
			t.Fatalf("cells: %+v", f)
		}
		for _, c := range f.Tables {
			if c.BreakpointsChanged != 0 || c.LargestChange.Known() {
				t.Fatalf("table: %+v", c)
			}
		}
		for _, s := range f.Spikes {
			if s.New || s.Stands != s.ParentStands {
				t.Fatalf("spike: %+v", s)
			}
		}
	})
}

// smoothSpark falls with load and rises with speed without a spike.
func smoothSpark(t fataler) workspace.TableRef {
	x, y := []float64{}, []float64{}
	for i := range 12 {
		x, y = append(x, 800+550*float64(i)), append(y, 20+18*float64(i))
	}
	z := make([][]float64, len(y))
	for j, load := range y {
		for _, rpm := range x {
			z[j] = append(z[j], 38-0.2*load+6*math.Tanh((rpm-2500)/1500))
		}
	}
	return speedTable(t, "spark", x, y, channel.AbsoluteLoad, z)
}

func TestSpikePutInIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parent := smoothSpark(t)
		row, column := rapid.IntRange(0, 11).Draw(t, "row"), rapid.IntRange(0, 11).Draw(t, "column")
		by := rapid.SampledFrom([]float64{-1, 1}).Draw(t, "side") * rapid.Float64Range(4, 10).Draw(t, "height")
		child := raised(parent, row, column, by)
		one := func(child, parent workspace.TableRef) Spike {
			f := footprintOf([]workspace.TableRef{child}, []workspace.TableRef{parent})
			if len(f.Spikes) != 1 || !cmp.Equal(f.Spikes[0].At, place(parent.Table.X[column], parent.Table.Y[row])) {
				t.Fatalf("spike of %g at row %d, column %d: %+v", by, row, column, f.Spikes)
			}
			return f.Spikes[0]
		}
		if s := one(child, parent); !s.New || math.Signbit(float64(s.Stands)) != math.Signbit(by) {
			t.Fatalf("new: %+v", s)
		}
		if s := one(child, child); s.New {
			t.Fatalf("in the parent too: %+v", s)
		}
	})
}
