package assess

import (
	"bytes"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"headroom/internal/fleettest"
	"headroom/models/calmap"
)

// draft is a revision's folder while it is made.
type draft struct {
	t   *testing.T
	dir string
}

// edit changes a revision, whose files are a copy of its parent's.
type edit func(d draft)

// write makes the revision, and the one in between where there is one.
func (c *revisionCase) write(t *testing.T, dir string) {
	t.Helper()
	from := c.of
	if from == "" {
		from = fleettest.SoundParent
	}
	if len(c.via) > 0 {
		between := c.name + "-between"
		child(t, dir, from, between, c.via)
		from = between
	}
	child(t, dir, from, c.name, c.made)
}

func child(t *testing.T, dir, of, id string, edits []edit) {
	t.Helper()
	children(t, dir, of, map[string]func(string) string{id: func(yaml string) string { return yaml }})
	for _, e := range edits {
		e(draft{t, filepath.Join(dir, "revisions", id)})
	}
}

// file changes the text of a file of the revision.
func (d draft) file(name string, change func(text string) string) {
	d.t.Helper()
	path := filepath.Join(d.dir, filepath.FromSlash(name))
	b, err := os.ReadFile(path)
	if err != nil {
		d.t.Fatal(err)
	}
	text := change(string(b))
	if text == string(b) {
		d.t.Fatalf("%s: %s does not change", d.dir, name)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		d.t.Fatal(err)
	}
}

// line replaces what matches a pattern in revision.yaml.
func line(pattern, by string) edit {
	return func(d draft) {
		d.file("revision.yaml", func(yaml string) string {
			return regexp.MustCompile("(?m)"+pattern).ReplaceAllString(yaml, by)
		})
	}
}

func fuel(id string) edit { return line(`^fuel: .*$`, "fuel: "+id) }

func noParent() edit { return line(`^parent: .*\n`, "") }

func forCar(id string) edit { return line(`^vehicle: .*$`, "vehicle: "+id) }

// part is a part that the revision is made for.
func part(item, what string) edit {
	return line(`^hardware: \{(`+item+`: [^,}]*(, )?)?`, "hardware: {"+item+": "+what+", ")
}

// withoutRole takes a table out of the list, so that it is inherited, or not there without a parent.
func withoutRole(role string) edit { return line(`^  - \{role: `+role+`,.*\n`, "") }

// tableKeys replaces part of the line of a role.
func tableKeys(role, from, to string) edit {
	return line(`^(  - \{role: `+role+`,.*)`+regexp.QuoteMeta(from), "${1}"+to)
}

// newTable adds a table of one axis.
func newTable(keys, file, text string) edit {
	return func(d draft) {
		path := filepath.Join(d.dir, "tables", file)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			d.t.Fatal(err)
		}
		d.file("revision.yaml", func(yaml string) string {
			return yaml + "  - {" + keys + ", file: tables/" + file + "}\n"
		})
	}
}

// sheet is a table as its file has it: rows along y, columns along x.
type sheet struct {
	corner, label string // label is that of the only row of a table without y
	calmap.Table
}

// table changes the table of a role.
func table(role string, change func(s *sheet)) edit {
	return func(d draft) {
		d.t.Helper()
		d.file("tables/"+role+".csv", func(text string) string {
			s := readSheet(d.t, text)
			change(s)
			return s.text()
		})
	}
}

func readSheet(t *testing.T, text string) *sheet {
	t.Helper()
	records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(cell string) float64 {
		v, err := strconv.ParseFloat(cell, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	s := &sheet{corner: records[0][0]}
	for _, cell := range records[0][1:] {
		s.X = append(s.X, number(cell))
	}
	for _, r := range records[1:] {
		var row []float64
		for _, cell := range r[1:] {
			row = append(row, number(cell))
		}
		s.Z = append(s.Z, row)
	}
	if _, err := strconv.ParseFloat(records[1][0], 64); err != nil {
		s.label = records[1][0]
		return s
	}
	for _, r := range records[1:] {
		s.Y = append(s.Y, number(r[0]))
	}
	return s
}

func (s *sheet) text() string {
	var b bytes.Buffer
	row := func(first string, cells []float64) {
		b.WriteString(first)
		for _, v := range cells {
			b.WriteString("," + strconv.FormatFloat(v, 'f', -1, 64))
		}
		b.WriteByte('\n')
	}
	row(s.corner, s.X)
	for j := range s.Z {
		first := s.label
		if len(s.Y) > 0 {
			first = strconv.FormatFloat(s.Y[j], 'f', -1, 64)
		}
		row(first, s.Z[j])
	}
	return b.String()
}

// area is a part of a table, ends included: engine speed in rpm, and load or pedal in %.
type area struct{ rpm, y [2]float64 }

var (
	everywhere = area{[2]float64{0, 9000}, [2]float64{0, 300}}
	fullLoad   = area{[2]float64{0, 9000}, [2]float64{100, 300}}
	fullPedal  = area{[2]float64{0, 9000}, [2]float64{70, 100}}
)

func cell(rpm, y float64) area { return area{[2]float64{rpm, rpm}, [2]float64{y, y}} }

// speeds is the part of an area between two speeds.
func (a area) speeds(low, high float64) area { return area{[2]float64{low, high}, a.y} }

// each sets every value of an area anew; an area without a value is a mistake of the test.
func (s *sheet) each(a area, value func(v, x, y float64) float64) {
	met := false
	for j := range s.Z {
		y := a.y[0]
		if len(s.Y) > 0 {
			y = s.Y[j]
		}
		for i, x := range s.X {
			if x >= a.rpm[0] && x <= a.rpm[1] && y >= a.y[0] && y <= a.y[1] {
				s.Z[j][i], met = value(s.Z[j][i], x, y), true
			}
		}
	}
	if !met {
		panic("no value of the table is in the area")
	}
}

// raise adds to the values of an area.
func raise(role string, by float64, a area) edit {
	return table(role, func(s *sheet) {
		s.each(a, func(v, _, _ float64) float64 { return math.Round(1000*(v+by)) / 1000 })
	})
}

// put writes a value into an area.
func put(role string, value float64, a area) edit {
	return table(role, func(s *sheet) { s.each(a, func(float64, float64, float64) float64 { return value }) })
}

// scaled writes the values anew as factor × value + offset.
func scaled(role string, factor, offset float64) edit {
	return table(role, func(s *sheet) {
		s.each(everywhere, func(v, _, _ float64) float64 { return factor*v + offset })
	})
}

// axes writes the breakpoints anew in other units.
func axes(role string, x, y float64) edit {
	return table(role, func(s *sheet) {
		for i := range s.X {
			s.X[i] *= x
		}
		for j := range s.Y {
			s.Y[j] *= y
		}
	})
}

// transposed exchanges rows and columns, breakpoints included.
func transposed(role string) edit {
	return table(role, func(s *sheet) {
		z := make([][]float64, len(s.X))
		for i := range s.X {
			for j := range s.Y {
				z[i] = append(z[i], s.Z[j][i])
			}
		}
		s.X, s.Y, s.Z = s.Y, s.X, z
	})
}

// upsideDown turns the rows round and leaves the breakpoints.
func upsideDown(role string) edit { return table(role, func(s *sheet) { slices.Reverse(s.Z) }) }

// slipped is pasted so many rows too far down: each row has the values of one at less load.
func slipped(role string, rows int) edit {
	return table(role, func(s *sheet) {
		for j := len(s.Z) - 1; j >= rows; j-- {
			s.Z[j] = s.Z[j-rows]
		}
	})
}

// cutAbove leaves out what lies beyond a speed and a load, where the last value is held.
func cutAbove(role string, rpm, y float64) edit {
	return table(role, func(s *sheet) {
		n := slices.IndexFunc(append(slices.Clone(s.X), math.Inf(1)), func(x float64) bool { return x > rpm })
		m := slices.IndexFunc(append(slices.Clone(s.Y), math.Inf(1)), func(v float64) bool { return v > y })
		s.X, s.Y, s.Z = s.X[:n], s.Y[:m], s.Z[:m]
		for j := range s.Z {
			s.Z[j] = s.Z[j][:n]
		}
	})
}

// finer puts a breakpoint in the middle of each two, on the same surface.
func finer(role string) edit {
	return table(role, func(s *sheet) {
		split := func(axis []float64) []float64 {
			if len(axis) == 0 {
				return nil
			}
			out := axis[:1:1]
			for i := 1; i < len(axis); i++ {
				out = append(out, (axis[i-1]+axis[i])/2, axis[i])
			}
			return out
		}
		was := s.Table
		s.Table = calmap.Table{X: split(was.X), Y: split(was.Y)}
		rows := s.Y
		if len(rows) == 0 {
			rows = []float64{0}
		}
		for _, y := range rows {
			var row []float64
			for _, x := range s.X {
				row = append(row, was.At(x, y))
			}
			s.Z = append(s.Z, row)
		}
	})
}

// tablesOf takes the tables of another revision.
func tablesOf(other string) edit {
	return func(d draft) {
		from := filepath.Join(filepath.Dir(d.dir), other, "tables")
		to := filepath.Join(d.dir, "tables")
		if err := os.RemoveAll(to); err != nil {
			d.t.Fatal(err)
		}
		if err := os.CopyFS(to, os.DirFS(from)); err != nil {
			d.t.Fatal(err)
		}
	}
}
