package assess

import (
	"testing"

	"headroom/internal/demo"
	"headroom/internal/fleettest"
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
	for vehicle, v := range j.ws.Vehicles {
		m, err := j.Model(v.Platform)
		if err != nil {
			t.Fatal(err)
		}
		d, suspect := m.Doubts[j.Alias(vehicle)]
		if suspect != planted[vehicle] {
			t.Errorf("%s, planted %v: %+v", vehicle, planted[vehicle], d)
		}
		if suspect {
			named++
			if !(d.Steady > 0) {
				t.Errorf("it reads leaner, not %+v", d)
			}
		}
	}
	if named != 1 {
		t.Errorf("%d cars named", named)
	}
}
