package fleet

import (
	"math"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/cycle"
)

// torqueRows are pulls of three cars whose torque is a cycle's with other burn angles, over speed and load.
func torqueRows(t *testing.T, truth *state.Platform) []evidence.Row {
	t.Helper()
	var rows []evidence.Row
	for _, car := range []string{"a", "b", "c"} {
		for i := range 12 {
			r := wholeRow()
			r.Vehicle, r.Run = car, "run-"+car
			r.Bound.RPM = 2000 + 350*float64(i)
			r.RPM = r.Bound.RPM
			p := state.Preparer{Platform: truth}
			v := p.Logged(r)
			if !(v.Simulated.TorqueNm > 0) {
				t.Fatal("not simulated")
			}
			for _, at := range r.Kept() {
				at.Torque = v.Simulated.TorqueNm
			}
			rows = append(rows, *r)
		}
	}
	return rows
}

// Torque of an engine that burns later than is believed moves the angles later, and never past what it has to say: with
// the level of torque in doubt by torqueRest a part of the way. Without torque the belief stands.
func TestTorqueMovesBurn(t *testing.T) {
	believed := platformWith(t, "direct", func(p *workspace.Platform) { p.Burn.Known = workspace.Guess })
	later := believed.Angles
	later.Lag, later.Duration = later.Lag+4, later.Duration+12
	rows := torqueRows(t, believed.WithBurn(later))
	fit := fitBurn(believed, rows, state.RailLine{})
	if fit.Cars != 3 || fit.Pulls != 3 || !(fit.Ratio < 0) {
		t.Fatalf("%+v", fit)
	}
	a, b := believed.Angles, fit.BurnAngles
	if !(b.Lag > a.Lag && b.Lag < later.Lag && b.Duration > a.Duration && b.Duration < later.Duration) {
		t.Errorf("angles went from %+v to %+v, the truth is %+v", a, b, later)
	}
	if !(b.LagSD <= a.LagSD && b.DurationSD <= a.DurationSD && b.Correlation < 0) {
		t.Errorf("torque did not narrow the angles: %+v to %+v", a, b)
	}
	for i := range rows {
		for _, at := range rows[i].Kept() {
			at.Torque = math.NaN()
		}
	}
	if fit := fitBurn(believed, rows, state.RailLine{}); fit.Cars != 0 || fit.BurnAngles != believed.Angles {
		t.Errorf("without torque: %+v", fit)
	}
	measured := platformWith(t, "direct", func(p *workspace.Platform) { p.Burn.Known = workspace.Measured })
	far := measured.Angles
	far.Lag, far.Duration = far.Lag+4, far.Duration+12
	if fit := fitBurn(measured, torqueRows(t, measured.WithBurn(far)), state.RailLine{}); math.Abs(fit.Lag-
		measured.Angles.Lag) > 0.2 {
		t.Errorf("torque moved a measured lag from %g to %g", measured.Angles.Lag, fit.Lag)
	}
}

// aReference is where the platform of platformWith is driven.
var aReference = Reference{RPM: 3500, Load: 150, Charge: 45, OctaneIndex: 99, Lambda: 0.87, Coolant: 90, Spark: 9,
	Manifold: 175, Fuel: "pump-91"}

// The less the burn is known, the wider the prior of knock's slopes; a measured burn leaves hardly more than the share
// that physics slopes have anyway.
func TestGuessedBurnWidensKnockSlopes(t *testing.T) {
	prior := func(known workspace.Known) (mean, sd []float64) {
		p := platformWith(t, "direct", func(p *workspace.Platform) { p.Burn.Known = known })
		f := New(p.WithBurn(state.BurnAngles{Lag: 8, Duration: 50, LagSD: p.Angles.LagSD,
			DurationSD: p.Angles.DurationSD}), &Fit{KnockRef: aReference})
		got, err := f.knockPrior()
		if err != nil {
			t.Fatal(err)
		}
		return got.SlopeMean[:], got.SlopeSD[:]
	}
	mean, measured := prior(workspace.Measured)
	_, handbook := prior(workspace.Handbook)
	_, guess := prior(workspace.Guess)
	for k := range slopesOf(cycle.Gradient{}) {
		plain := physicsSlopeShare * math.Abs(mean[k])
		if !(plain <= measured[k] && measured[k] < 1.1*plain && measured[k] < handbook[k] && handbook[k] < guess[k]) {
			t.Errorf("slope %d: %g alone, %g measured, %g handbook, %g guess", k, plain, measured[k], handbook[k],
				guess[k])
		}
	}
}
