package assess

import (
	"strings"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/store"
)

// The demo plants a lambda sensor that reads about 0.03 λ lean in one car of 24: that one is named and no other.
func TestPlantedLambdaSensorIsNamed(t *testing.T) {
	dir := fleettest.Demo(t)
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	planted := map[string]bool{}
	for _, c := range truth.Fleet {
		for _, f := range c.Faults {
			planted[c.Vehicle] = planted[c.Vehicle] || f.Fault == "lambda_sensor_offset"
		}
	}
	j := openJob(t, dir)
	named := 0
	for vehicle := range j.ws.Vehicles {
		rows, err := j.store.Rows(store.Filter{Vehicle: j.Alias(vehicle)})
		if err != nil {
			t.Fatal(err)
		}
		say := suspectLambdaSensor(rows, j.Alias(vehicle))
		if (say != "") != planted[vehicle] {
			t.Errorf("%s, planted %v: %q", vehicle, planted[vehicle], say)
		}
		if say != "" {
			named++
			if !strings.Contains(say, "leaner") {
				t.Error(say)
			}
		}
	}
	if named != 1 {
		t.Errorf("%d cars named", named)
	}
}

// A mixture that is lean at full throttle alone is no sensor fault, nor is one cell of evidence.
func TestLeanMixtureIsNoSensorFault(t *testing.T) {
	row := func(kind string, err float64) evidence.Row {
		r := fleettest.BlankRow()
		r.Vehicle, r.Kind, r.LambdaError, r.LambdaCommanded = "car", kind, err, 1
		return r
	}
	rows := []evidence.Row{}
	for range 4 {
		rows = append(rows, row(evidence.KindSteady, 0.002), row(evidence.KindPull, 0.04))
	}
	if say := suspectLambdaSensor(rows, "car"); say != "" {
		t.Error(say)
	}
	if say := suspectLambdaSensor([]evidence.Row{row(evidence.KindSteady, 0.04), row(evidence.KindPull, 0.04)},
		"car"); say != "" {
		t.Error(say)
	}
}
