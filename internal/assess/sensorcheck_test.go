package assess

import (
	"slices"
	"testing"

	"headroom/internal/assess/state"
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

// The demo plants one weak fuel pump: that car's rail pressure is seen to fall away, no other's of its platform.
func TestPlantedPumpHasAKnee(t *testing.T) {
	truth, err := demo.ReadTruth(fleettest.Demo(t))
	if err != nil {
		t.Fatal(err)
	}
	m, err := openJob(t, fleettest.Demo(t)).Model(fleettest.Kestrel)
	if err != nil {
		t.Fatal(err)
	}
	planted := 0
	for _, c := range truth.Fleet {
		weak := slices.ContainsFunc(c.Faults, func(f demo.FaultTruth) bool { return f.Fault == "weak_fuel_pump" })
		if knee, ok := m.PumpKnees[c.Vehicle]; ok && (knee < state.HealthyKnee) != weak {
			t.Errorf("%s, weak pump %v: knee at %.0f %%", c.Vehicle, weak, knee)
		}
		if weak {
			planted++
		}
	}
	if planted != 1 || len(m.PumpKnees) < 3 {
		t.Errorf("%d weak pumps, %d cars with a knee: nothing is tested", planted, len(m.PumpKnees))
	}
}
