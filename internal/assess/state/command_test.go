package state

import (
	"math"
	"math/rand/v2"
	"testing"

	"headroom/internal/evidence"
	"headroom/models/channel"
)

// Simulated: what 60 cars command beyond a table of 0.86 is drawn with mean −0.008, 0.006 between cars and 0.004
// within; the estimate finds the three. Steady rows and calibrations without a table say nothing; without any car that
// logged both, what is taken before is left.
func TestCommandError(t *testing.T) {
	p := kestrel(t)
	p.calibrations = map[string]*Calibration{"with": {ID: "with", Lookups: map[string]Lookup{"lambda": {
		Table: tableOf(t, []float64{1000, 6000}, nil, [][]float64{{0.86, 0.86}}), X: channel.EngineSpeed}}},
		"bare": {ID: "bare"}}
	row := func(car, revision, kind string, commanded float64) evidence.Row {
		return evidence.Row{Vehicle: car, Revision: revision, Kind: kind, RPM: 4000, LambdaCommanded: commanded,
			Bound: evidence.Sample{RPM: 4000}}
	}
	rng := rand.New(rand.NewPCG(8, 1))
	var rows []evidence.Row
	for range 60 {
		car, own := string(rune('A'+len(rows)/20)), 0.006*rng.NormFloat64()
		for range 20 {
			rows = append(rows, row(car, "with", evidence.KindPull, 0.86-0.008+own+0.004*rng.NormFloat64()))
		}
	}
	noise := []evidence.Row{row("A", "bare", evidence.KindPull, 0.5), row("A", "with", evidence.KindSteady, 1.2)}
	got := p.CommandErrorOf(append(rows, noise...))
	close(t, "mean", got.Mean, -0.008, 0.0025)
	close(t, "between cars", got.CarSD, 0.0064, 0.0016) // five parts in 64 are the 0.01 taken before
	close(t, "within a car", got.RowSD, 0.004, 0.0004)
	if got.Cars != 60 {
		t.Errorf("%d cars", got.Cars)
	}
	if none := p.CommandErrorOf(noise); none != (CommandError{CarSD: commandCarSD, RowSD: commandRowSD}) {
		t.Errorf("nobody logged both: %+v", none)
	}
}

// A state whose log lacks the command gets its table's, with what the fleet's control units add; a logged one is kept.
func TestCommandIsFilled(t *testing.T) {
	p := kestrel(t)
	p.calibrations = map[string]*Calibration{"with": {ID: "with", Lookups: map[string]Lookup{"lambda": {
		Table: tableOf(t, []float64{1000, 6000}, nil, [][]float64{{0.86, 0.86}}), X: channel.EngineSpeed}}}}
	prepare := Preparer{Platform: p, Command: CommandError{Mean: -0.01}}
	r := evidence.Row{Revision: "with", RPM: 4000, LambdaCommanded: math.NaN()}
	s := prepare.Read(&r)
	close(t, "looked up", s.LambdaCommanded, 0.85, 1e-12)
	if !s.LookedUp {
		t.Error("not marked")
	}
	r.LambdaCommanded = 0.88
	if s = prepare.Read(&r); s.LambdaCommanded != 0.88 || s.LookedUp {
		t.Errorf("logged, and %v %v", s.LambdaCommanded, s.LookedUp)
	}
	r.LambdaCommanded, r.Revision = math.NaN(), "unknown"
	if s = prepare.Read(&r); !math.IsNaN(s.LambdaCommanded) || s.LookedUp {
		t.Errorf("no table, and %v %v", s.LambdaCommanded, s.LookedUp)
	}
}
