package assess

import (
	"path/filepath"
	"testing"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/fleettest"
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

// Later spark takes pressure off the cylinder and puts heat into the exhaust: far from the logs that is no milder.
func TestGentler(t *testing.T) {
	at := func(peak, lambda, exhaust float64) *state.State {
		return &state.State{LambdaCommanded: lambda, Simulated: state.Simulated{PeakKPa: peak, ExhaustC: exhaust}}
	}
	was := at(8000, 0.86, 850)
	for _, c := range []struct {
		name string
		now  *state.State
		want bool
	}{
		{"the same", at(8000, 0.86, 850), true},
		{"a degree later", at(7800, 0.86, 860), true},
		{"much later", at(6000, 0.86, 940), false},
		{"earlier", at(8600, 0.86, 830), false},
		{"leaner", at(8000, 0.9, 850), false},
		{"richer", at(8000, 0.82, 820), true},
	} {
		if got := gentler(c.now, was); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A fit is made anew when a table that logs were made on changes: states are put where no pull was by it.
func TestFitIsOfTheTablesItWasLoggedOn(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Marlins(t))
	digest := func() string {
		j := openJob(t, dir)
		out, err := j.fitDigest(state.NewPlatform(j.ws, j.ws.Platforms[fleettest.Marlin]))
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	before := digest()
	if again := digest(); again != before {
		t.Error("the digest of the same files differs")
	}
	raise("spark", 1, everywhere)(draft{t, filepath.Join(dir, "revisions", fleettest.SoundParent)})
	if digest() == before {
		t.Error("the digest does not know of the spark table")
	}
}
