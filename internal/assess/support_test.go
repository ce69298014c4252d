package assess

import (
	"testing"

	"headroom/internal/assess/state"
)

// A point of a plot stands where its own cell does, and only where a judged pull goes there.
func TestStandingsOfCurves(t *testing.T) {
	s := Support{visited: map[state.CellKey]float64{{6, 7}: 1.5, {8, 7}: farOutside + 0.1}}
	c := []Curve{{Points: []CurvePoint{{cell: state.CellKey{5, 7}}, {cell: state.CellKey{6, 7}},
		{cell: state.CellKey{8, 7}}}}}
	s.standings(c)
	for i, want := range []Standing{Within, Outside, FarOutside} {
		if got := c[0].Points[i].Standing; got != want {
			t.Errorf("point %d stands at %d, want %d", i, got, want)
		}
	}
}
