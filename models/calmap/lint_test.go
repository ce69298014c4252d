package calmap

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// smooth is a spark table with the curvature of a real one: it falls with load and rises with speed, rounded to half
// degrees as an editor would.
func smooth(rows, columns int) *Table {
	t := &Table{}
	for i := range columns {
		t.X = append(t.X, 800+500*float64(i)+20*float64(i*i))
	}
	for j := range rows {
		load := 20 + 15*float64(j)
		t.Y = append(t.Y, load)
		row := make([]float64, columns)
		for i, rpm := range t.X {
			row[i] = math.Round(2*(38-0.22*load+6*math.Tanh((rpm-2500)/1500)-0.0003*load*load)) / 2
		}
		t.Z = append(t.Z, row)
	}
	return t
}

func notesOf(notes []Note, kind string) []Note {
	var out []Note
	for _, n := range notes {
		if n.Kind == kind {
			out = append(out, n)
		}
	}
	return out
}

func TestSmoothTableHasNoNotes(t *testing.T) {
	for _, size := range [][2]int{{12, 14}, {8, 8}, {3, 3}, {12, 20}, {2, 9}} {
		if notes := smooth(size[0], size[1]).Lint(RoleSpark); len(notes) > 0 {
			t.Errorf("%v: %v", size, notes)
		}
	}
}

// A spike anywhere, also in the corners that the control unit holds, is found alone and at its place.
func TestSpikeIsFoundWhereItIs(t *testing.T) {
	for _, height := range []float64{6, -8} {
		clean := smooth(10, 12)
		for j := range clean.Z {
			for i := range clean.X {
				table := smooth(10, 12)
				table.Z[j][i] += height
				notes := table.Lint(RoleSpark)
				if len(notes) != 1 || notes[0].Kind != NoteSpike || notes[0].Row != j+1 || notes[0].Column != i+1 {
					t.Errorf("spike of %g at row %d, column %d: %v", height, j+1, i+1, notes)
				}
			}
		}
	}
}

// On a plane of 0.01° per rpm and −0.1° per % a breakpoint raised by 5° stands out by 5° on both axes; beside it
// lie 25 − 10 = 15 … 25 + 10 = 35 along x and 25 ± 2 along y.
func TestSpikeOnAPlane(t *testing.T) {
	plane := func(x, y []float64) *Table {
		z := make([][]float64, len(y))
		for j := range y {
			for i := range x {
				z[j] = append(z[j], 25+0.01*(x[i]-3000)-0.1*(y[j]-80))
			}
		}
		return mustNew(t, x, y, z)
	}
	x, y := []float64{1000, 2000, 3000, 4000, 5000}, []float64{40, 60, 80, 100, 120}
	parent, child := plane(x, y), plane(x, y)
	child.Z[2][2] += 5
	spikes := child.Spikes(RoleSpark, parent)
	if len(spikes) != 1 {
		t.Fatalf("spikes %+v", spikes)
	}
	s := spikes[0]
	if s.X != 3000 || s.Y != 80 || s.Row != 3 || s.Column != 3 || s.Value != 30 || s.Neighbours != [2]float64{15, 35} ||
		!s.New() {
		t.Errorf("spike %+v", s)
	}
	if math.Abs(s.Stands-5) > 1e-9 || math.Abs(s.WasStanding) > 1e-9 {
		t.Errorf("stands %g, stood %g", s.Stands, s.WasStanding)
	}
	for _, c := range []struct {
		parent float64 // how far the parent stands out there
		isNew  bool
	}{{5, false}, {3, false}, {2, true}, {-5, true}} {
		was := plane(x, y)
		was.Z[2][2] += c.parent
		if got := child.Spikes(RoleSpark, was)[0]; got.New() != c.isNew {
			t.Errorf("parent standing %g: %+v, new %v", c.parent, got, got.New())
		}
	}
	if alone := child.Spikes(RoleSpark, nil)[0]; !alone.New() || !math.IsNaN(alone.WasStanding) {
		t.Errorf("without a parent: %+v", alone)
	}
	finer := plane([]float64{1000, 1500, 2000, 3000, 4000, 5000}, y)
	finer.Z[2][3] += 5
	if got := finer.Spikes(RoleSpark, child); len(got) != 1 || got[0].New() {
		t.Errorf("the parent's spike in a table with one more breakpoint: %+v", got)
	}
}

// A raised block of breakpoints has edges and corners, no spikes.
func TestBlockIsNoSpike(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	spikes := 0
	for range 400 {
		table := smooth(10, 12)
		j0, i0 := rng.IntN(8), rng.IntN(10)
		for j := j0; j <= min(9, j0+1+rng.IntN(4)); j++ {
			for i := i0; i <= min(11, i0+3); i++ {
				table.Z[j][i] += 6
			}
		}
		spikes += len(notesOf(table.Lint(RoleSpark), NoteSpike))
	}
	if spikes > 8 {
		t.Errorf("%d spikes in 400 tables with a raised block", spikes)
	}
}

// A step along one axis (a knock-limited region, a cam switch) is not a spike.
func TestStepIsNoSpike(t *testing.T) {
	table := smooth(10, 12)
	for j := 6; j < 10; j++ {
		for i := range table.X {
			table.Z[j][i] -= 7
		}
	}
	if notes := table.Lint(RoleSpark); len(notes) > 0 {
		t.Errorf("a step: %v", notes)
	}
}

// A knee on both axes (where a table leaves a plateau) is not a spike either.
func TestKneeIsNoSpike(t *testing.T) {
	table := smooth(10, 12)
	for j := range table.Z {
		for i := range table.X {
			table.Z[j][i] = 30 - 4*math.Max(0, float64(i-4)) - 5*math.Max(0, float64(j-5))
		}
	}
	if notes := notesOf(table.Lint(RoleSpark), NoteSpike); len(notes) > 0 {
		t.Errorf("a knee: %v", notes)
	}
}

// Rough tables of independent noise must not drown in notes: the measure is scaled by the table's own roughness.
func TestFalseSpikeRate(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	spikes, cells := 0, 0
	for range 200 {
		table := smooth(10, 12)
		for _, row := range table.Z {
			for i := range row {
				row[i] += 0.7 * rng.NormFloat64()
			}
		}
		spikes += len(notesOf(table.Lint(RoleSpark), NoteSpike))
		cells += 120
	}
	if share := float64(spikes) / float64(cells); share > 0.001 {
		t.Errorf("%.4f of normally rough cells are called spikes", share)
	}
}

func TestOneAxisSpike(t *testing.T) {
	table := mustNew(t, []float64{1000, 2000, 3000, 4000, 5000, 6000, 7000}, nil,
		[][]float64{{150, 180, 200, 205, 205, 200, 190}})
	if notes := table.Lint(RoleBoost); len(notes) > 0 {
		t.Errorf("smooth: %v", notes)
	}
	table.Z[0][3] = 260
	notes := table.Lint(RoleBoost)
	if len(notes) != 1 || notes[0].Column != 4 || !math.IsNaN(notes[0].Y) {
		t.Fatalf("spike: %v", notes)
	}
	if !strings.Contains(notes[0].Say, "x 4000") {
		t.Errorf("the sentence must name the breakpoint: %q", notes[0].Say)
	}
}

func TestUnitSuspicions(t *testing.T) {
	for _, c := range []struct {
		role  string
		value float64
		want  string // "" for none
	}{
		{RoleSpark, 12, ""}, {RoleSpark, -12, "after top dead centre"}, {RoleSpark, 120, "tenths"},
		{RoleLambda, 0.85, ""}, {RoleLambda, 12.5, "air–fuel ratio"}, {RoleLambda, 0.07, "fuel–air ratio"},
		{RoleLambda, 850, "thousandths"},
		{RoleBoost, 210, ""}, {RoleBoost, 2.1, "bar"}, {RoleBoost, 21, "psi"}, {RoleBoost, -0.2, "gauge"},
		{RoleBoost, 2100, "hPa"},
		{RoleIntakeCam, 25, ""}, {RoleExhaustCam, 110, "centreline"},
		{RoleSpeedLimit, 6800, ""}, {RoleSpeedLimit, 6.8, "thousands"}, {RoleSpeedLimit, 113, "revolutions a second"},
		{"idle speed", -1e6, ""},
	} {
		table := mustNew(t, []float64{1, 2}, nil, [][]float64{{c.value, c.value}})
		notes := notesOf(table.Lint(c.role), NoteUnit)
		switch {
		case c.want == "" && len(notes) > 0:
			t.Errorf("%s %g: %v", c.role, c.value, notes)
		case c.want != "" && (len(notes) != 1 || !strings.Contains(notes[0].Say, c.want)):
			t.Errorf("%s %g: %v, want %q", c.role, c.value, notes, c.want)
		}
	}
}

func TestOutOfRange(t *testing.T) {
	table := mustNew(t, []float64{1, 2}, []float64{1, 2}, [][]float64{{0.8, 0.9}, {1.45, 0.85}})
	notes := table.Lint(RoleLambda)
	if len(notes) != 1 || notes[0].Kind != NoteRange || notes[0].Row != 2 || notes[0].Column != 1 ||
		notes[0].Value != 1.45 {
		t.Errorf("notes %v", notes)
	}
}

func TestShapeNote(t *testing.T) {
	table := &Table{X: []float64{1000, 3000, 2000}, Z: [][]float64{{1, 2, 3}}}
	notes := table.Lint(RoleSpark)
	if len(notes) != 1 || notes[0].Kind != NoteShape || !strings.Contains(notes[0].Say, "x breakpoint 3: 2000") {
		t.Errorf("notes %v", notes)
	}
}

func TestRanges(t *testing.T) {
	want := map[string]string{ // the ranges agreed on for the roles
		RoleSpark: "-30 60 deg", RoleLambda: "0.6 1.3 lambda", RoleBoost: "20 400 kPa",
		RoleIntakeCam: "-60 80 deg", RoleExhaustCam: "-60 80 deg", RoleSpeedLimit: "500 20000 rpm",
	}
	if len(Roles()) != len(want) {
		t.Errorf("roles %v", Roles())
	}
	for role, text := range want {
		r, ok := RangeOf(role)
		if got := fmt.Sprintf("%g %g %s", r.Low, r.High, r.Unit); !ok || got != text {
			t.Errorf("%s: %s, want %s", role, got, text)
		}
	}
	if _, ok := RangeOf("other"); ok {
		t.Error("a role that is not modelled has no range")
	}
}
