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
