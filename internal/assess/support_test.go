package assess

import (
	"testing"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
)

// A judged pull far outside leaves a revision undecided, though a state that was put in the same cell lies further.
func TestJudgedStateStandsBeforePlacedOne(t *testing.T) {
	for _, order := range [][]bool{{true, false}, {false, true}} {
		var f FarState
		for _, visited := range order {
			if visited {
				f.note(farOutside+1, fleet.FeatureLoad, true)
			} else {
				f.note(farOutside+3, fleet.FeatureLambda, false)
			}
		}
		s := Support{Cars: 9, Outside: []FarState{f}}
		if _, far := s.reasons(); len(far) != 1 || f.Distance != farOutside+1 || f.Mostly != fleet.FeatureLoad {
			t.Errorf("judged first %v: %+v", order[0], f)
		}
	}
}

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
