package evidence

import (
	"fmt"
	"math"

	"headroom/models/channel"
	"headroom/models/value"
)

// Setup is what evidence needs to know about the car, the platform and the run besides the log itself.
type Setup struct {
	Platform, Vehicle, Revision, Fuel, Run, Date string // copied into every Row

	// whole engine, litres; 0 when unknown: only logged absolute load gives cells
	DisplacementL float64
	Cylinders     int // 0 when unknown
	// share of the manifold's density that is trapped, 0.4–1.3; nil when unknown
	VolumetricEfficiency func(rpm float64) float64

	RPMStep, LoadStep float64 // cell size, rpm and % absolute load; both > 0
	Pulls             PullRules
	Lags              map[channel.ID]float64 // seconds a channel trails engine speed
	Knock             *KnockControl          // nil when unknown

	Ambient   float64 // °C, used where no ambient temperature is logged; NaN when unknown
	Barometer float64 // kPa, used where no barometric pressure is logged; NaN when unknown
}

// PullRules are the rules for finding pulls and steady stretches.
type PullRules struct {
	ThrottleMin   float64 // %, of throttle or pedal: at or above counts as near-full
	MinSeconds    float64 // shortest pull
	MinSpanRPM    float64 // smallest rise of engine speed in a pull
	SteadySeconds float64 // shortest steady stretch
	WarmCoolant   float64 // °C: a segment that starts below is left out
}

// KnockControl is how the control unit reacts to knock it hears.
type KnockControl struct {
	StepDeg              float64 // retard taken per heard event, degrees
	RecoveryDegPerSecond float64 // how fast it gives spark back
}

// Check returns an error naming the first quantity of the setup that cannot be worked with, and its valid range.
func (s *Setup) Check() error {
	positive := []struct {
		name  string
		value float64
	}{
		{"cell size in speed (rpm)", s.RPMStep},
		{"cell size in load (%)", s.LoadStep},
		{"least throttle of a pull (%)", s.Pulls.ThrottleMin},
		{"shortest pull (s)", s.Pulls.MinSeconds},
		{"smallest speed span of a pull (rpm)", s.Pulls.MinSpanRPM},
		{"shortest steady stretch (s)", s.Pulls.SteadySeconds},
	}
	for _, p := range positive {
		if !(p.value > 0) || math.IsInf(p.value, 0) {
			return fmt.Errorf("%s is %v: it must be a number above zero", p.name, p.value)
		}
	}
	if s.DisplacementL < 0 || !value.Known(s.DisplacementL) {
		return fmt.Errorf("displacement is %v L: it must be zero (unknown) or above", s.DisplacementL)
	}
	if (s.DisplacementL > 0) != (s.Cylinders > 0) {
		return fmt.Errorf("displacement is %v L with %d cylinders: give both above zero, or neither when unknown",
			s.DisplacementL, s.Cylinders)
	}
	if !value.Known(s.Pulls.WarmCoolant) {
		return fmt.Errorf("warm coolant temperature is %v °C: it must be a finite number", s.Pulls.WarmCoolant)
	}
	for _, id := range sortedLags(s.Lags) {
		if !value.Known(s.Lags[id]) {
			return fmt.Errorf("lag of %s is %v s: it must be a finite number", id, s.Lags[id])
		}
	}
	if k := s.Knock; k != nil && (!(k.StepDeg > 0) || !(k.RecoveryDegPerSecond >= 0)) {
		return fmt.Errorf("knock control steps %v° and recovers %v°/s: the step must be above zero and the recovery "+
			"not below", k.StepDeg, k.RecoveryDegPerSecond)
	}
	return nil
}
