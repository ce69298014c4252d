package assess

import (
	"math"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/fleettest"
)

func close(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// Direction checks, common practice, no source: at fixed everything else more spark, more charge,
// hotter charge and lower octane each lower the knock margin.
func TestKnockMarginDirections(t *testing.T) {
	j := openJob(t, fleettest.Demo(t))
	m, err := j.Model("kestrel-20t")
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	base := state.State{
		Car: "car-001", RPM: 4000, Load: 160, Manifold: 180, Barometer: 100, Ambient: 20, Charge: 40, Coolant: 90,
		Lambda: 0.86, LambdaCommanded: 0.86, Spark: 10, IntakeCam: nan, Ethanol: nan, Fuel: "pump-91", Cycles: 25,
	}
	margin := m.KnockMargin(&base)
	for name, change := range map[string]func(s *state.State){
		"more spark":    func(s *state.State) { s.Spark += 2 },
		"more charge":   func(s *state.State) { s.Load *= 1.1 },
		"hotter charge": func(s *state.State) { s.Charge += 15 },
		"lower octane":  func(s *state.State) { s.OctaneShift = -3 },
	} {
		s := base
		change(&s)
		if got := m.KnockMargin(&s); !(got < margin) {
			t.Errorf("%s: knock margin %v, was %v", name, got, margin)
		}
	}
}
