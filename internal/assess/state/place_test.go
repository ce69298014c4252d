package state

import (
	"slices"
	"testing"

	"headroom/internal/evidence"
	"headroom/models/channel"
)

func speedAndLoad(rpm, load float64) Place {
	return Place{X: channel.EngineSpeed, Y: channel.AbsoluteLoad, AtX: rpm, AtY: load}
}

// What a fit makes of a place is what a review makes of it with nothing changed, but for combustion; a log whose
// calibration is not in the workspace is put nowhere.
func TestMadeIsMovedWithoutChange(t *testing.T) {
	p, s := kestrel(t), loggedState()
	on := calibrationWith(t, "parent", 30, 180, 0.86)
	at := speedAndLoad(4500, 120)
	s.Row = &evidence.Row{Revision: on.ID}
	if _, ok := p.Made(&s, at); ok {
		t.Error("made without the calibration")
	}
	p.calibrations[on.ID] = on
	got, ok := p.Made(&s, at)
	want, _, okMoved := p.MoveTo(&s, on, on, at)
	if !ok || !okMoved {
		t.Fatal(ok, okMoved)
	}
	got.Simulated, got.SparkKept, got.OnlyAir = want.Simulated, want.SparkKept, want.OnlyAir
	if got.RPM != 4500 || got.Spark != 10+0.1*(160-120) || got.Logged != &s || !got.Placed {
		t.Errorf("made %+v", got)
	}
	for _, pair := range [][2]float64{{got.Load, want.Load}, {got.Manifold, want.Manifold},
		{got.Charge, want.Charge}, {got.Spark, want.Spark}, {got.LambdaCommanded, want.LambdaCommanded}} {
		if pair[0] != pair[1] {
			t.Errorf("made %v, moved %v", pair[0], pair[1])
		}
	}
}

// Donors are the nearest state of each pull, of the nearest three pulls, in cells of the grid.
func TestDonors(t *testing.T) {
	p := kestrel(t)
	var from []*State
	for _, s := range []struct {
		pull      string
		rpm, load float64
	}{
		{"a", 3000, 160}, {"a", 4000, 130}, {"b", 4000, 125}, {"c", 4500, 120}, {"d", 2000, 120}, {"b", 4000, 200},
	} {
		from = append(from, &State{Pull: s.pull, RPM: s.rpm, Load: s.load})
	}
	// In cells: b lies a quarter of a load step away, a half, c a step of speed.
	p.RPMStep, p.LoadStep = 500, 20
	if got := p.Donors(from, speedAndLoad(4000, 120)); !slices.Equal(got, []int{2, 1, 3}) {
		t.Errorf("donors %v", got)
	}
}
