package fleet

import (
	"testing"

	"headroom/internal/evidence"
	"headroom/internal/fleettest"
)

// A mixture that is lean at full throttle alone is no sensor fault, nor is one cell of evidence.
func TestLeanMixtureIsNoSensorFault(t *testing.T) {
	row := func(kind string, err float64) *evidence.Row {
		r := fleettest.BlankRow()
		r.Vehicle, r.Kind, r.LambdaError, r.LambdaCommanded = "car", kind, err, 1
		return &r
	}
	var rows []*evidence.Row
	for range 4 {
		rows = append(rows, row(evidence.KindSteady, 0.002), row(evidence.KindPull, 0.04))
	}
	if d, suspect := doubtOf(rows); suspect {
		t.Error(d)
	}
	few := []*evidence.Row{row(evidence.KindSteady, 0.04), row(evidence.KindPull, 0.04)}
	if d, suspect := doubtOf(few); suspect {
		t.Error(d)
	}
}

// A sensor that reads rich in steady running would hide a mixture that leans by as much at full throttle, where the two
// cancel: it is suspect, and the mixture may be leaner by all it reads rich. One that reads lean errs to the safe side.
func TestHowMuchLeanerASensorMayHide(t *testing.T) {
	for _, c := range []struct {
		steady, full float64
		suspect      bool
		leaner       float64
	}{
		{-0.05, -0.05, true, 0.05}, {-0.05, 0, true, 0.05}, {-0.03, -0.04, true, 0.04}, {0.03, 0.03, true, 0},
		{0.03, 0, false, 0}, {-0.01, -0.05, false, 0},
	} {
		var rows []*evidence.Row
		for range 4 {
			for kind, err := range map[string]float64{evidence.KindSteady: c.steady, evidence.KindPull: c.full} {
				r := fleettest.BlankRow()
				r.Vehicle, r.Kind, r.LambdaError, r.LambdaCommanded = "car", kind, err, 1
				rows = append(rows, &r)
			}
		}
		d, suspect := doubtOf(rows)
		if suspect != c.suspect || suspect && d.Leaner() != c.leaner {
			t.Errorf("%+v: %v, leaner by %g", c, suspect, d.Leaner())
		}
	}
}
