package workspace

import (
	"strings"
	"testing"

	"headroom/models/calmap"
	"headroom/models/channel"
)

// axisTable reads a table of modelled role with the given axes, and returns what is wrong with them.
func axisTable(t *testing.T, x, y Axis, xs, ys []float64) string {
	t.Helper()
	z := make([][]float64, max(1, len(ys)))
	for j := range z {
		z[j] = make([]float64, len(xs))
	}
	table, err := calmap.New(xs, ys, z)
	if err != nil {
		t.Fatal(err)
	}
	ref := &TableRef{Role: calmap.RoleSpark, X: x, Unit: "deg"}
	if len(ys) > 0 {
		ref.Y = &y
	}
	c := &checker{}
	conv := tableConversion(c, "tables[0]", ref, true)
	if len(c.problems) > 0 {
		t.Fatal(c.problems)
	}
	what, remedy := wrongAxes(ref, table, conv)
	if (what == "") != (remedy == "") {
		t.Errorf("%q with remedy %q", what, remedy)
	}
	return what
}

// Axes that can only be in another unit, or exchanged, are called so; odd ones that can be what they are said to be are
// not. What an engine can do is common practice, no source.
func TestWrongAxes(t *testing.T) {
	speed, load := Axis{channel.EngineSpeed, "rpm"}, Axis{channel.AbsoluteLoad, "%"}
	thousands, share := Axis{channel.EngineSpeed, "krpm"}, Axis{channel.AbsoluteLoad, "fraction"}
	one, pedal := Axis{channel.AbsoluteLoad, "1"}, Axis{channel.PedalPosition, "%"}
	pressure := Axis{channel.ManifoldPressure, "kPa"}
	rpm, pct := []float64{800, 3000, 7000}, []float64{20, 100, 175}
	for _, c := range []struct {
		name   string
		x, y   Axis
		xs, ys []float64
		want   string // "" for nothing
	}{
		{"usual", speed, load, rpm, pct, ""},
		{"usual, turned", load, speed, pct, rpm, ""},
		{"declared thousands", thousands, load, []float64{0.8, 3, 7}, pct, ""},
		{"declared fraction", speed, share, rpm, []float64{0.2, 1, 1.75}, ""},
		{"declared one", speed, one, rpm, []float64{0.2, 1, 1.75}, ""},
		{"low speeds only", speed, load, []float64{500, 800, 1100, 1500}, pct, ""},
		{"cranking", speed, load, []float64{0, 100, 250, 400}, pct, ""},
		{"light load only", speed, load, rpm, []float64{5, 10, 15}, ""},
		{"one column", speed, load, []float64{1}, pct, ""},
		{"naturally aspirated", speed, pressure, rpm, []float64{25, 60, 101}, ""},
		{"two small axes", load, pedal, []float64{10, 40, 100}, []float64{5, 30, 100}, ""},
		{"a very high speed", speed, load, []float64{1000, 9000, 16000}, pct, ""},
		{"thousands", speed, load, []float64{0.8, 3, 7}, pct, "thousands of rpm"},
		{"thousands of one axis", speed, Axis{}, []float64{0.8, 3, 7}, nil, "thousands of rpm"},
		{"rpm said to be thousands", thousands, load, rpm, pct, "plain rpm"},
		{"fraction", speed, load, rpm, []float64{0.2, 1, 1.75}, "fraction of 1"},
		{"fraction of pedal", speed, pedal, rpm, []float64{0, 0.4, 1}, "fraction of 1"},
		{"percent said to be a fraction", speed, share, rpm, pct[1:], "in percent"},
		{"bar", speed, pressure, rpm, []float64{0.3, 1, 2.2}, "bar"},
		{"exchanged", speed, load, pct, rpm, "exchanged"},
		{"exchanged with thousands", thousands, load, pct, []float64{0.8, 3, 7}, "exchanged"},
		{"exchanged with pressure", pressure, speed, rpm, pct, "exchanged"},
	} {
		got := axisTable(t, c.x, c.y, c.xs, c.ys)
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
