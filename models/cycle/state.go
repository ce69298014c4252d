package cycle

import (
	"fmt"
	"math"

	"headroom/models/air"
	"headroom/models/bound"
	"headroom/models/fuel"
)

// Ranges of a State.
const (
	minLambda, maxLambda = 0.65, 1.4
	minSpark, maxSpark   = -40.0, 70.0
	maxResidual          = 0.3
)

// NoResidual, as State.Residual, asks for a charge without any burned gas.
const NoResidual = -1

// State is one operating point of one cylinder.
type State struct {
	RPM     float64 // 300–15 000
	AirMass float64 // air trapped in the cylinder a cycle, kg; 3–600 % absolute load
	// Pa, 10 000–600 000; pumping work and the residual estimate use it, trapped mass does not
	ManifoldPressure   float64
	ChargeTemperature  float64   // air in the manifold, K, 220–450
	CoolantTemperature float64   // K, 230–420
	Lambda             float64   // relative air–fuel ratio, 0.65–1.4 (the burning-velocity fit's range, with room)
	Spark              float64   // degrees before firing top dead centre, −40…70, after intake-valve closing
	Fuel               fuel.Fuel // made by package fuel
	// Octane is the octane number of the knock delay, 50–140: the fuel's OctaneIndex for this engine. Douaud and Eyzat
	// fitted 80–100; beyond that the power law is extrapolated.
	Octane float64
	// Residual is the burned-gas share of the trapped mass, up to 0.3. 0 has it estimated: burned gas at exhaust
	// pressure and residual temperature fills the clearance volume. NoResidual means none.
	Residual float64
	// ExhaustPressure is the pressure in the exhaust manifold, Pa, 50 000–1 000 000. 0 has it estimated: the larger of
	// Charging.ExhaustFloor and Charging.ExhaustRatio times manifold pressure.
	ExhaustPressure float64
}

func (s *State) validate(e *Engine) error {
	load := s.AirMass / (air.LoadDensity * e.cfg.Geometry.CylinderDisplacement()) * 100
	switch {
	case !inside(s.RPM, 300, 15000):
		return bound.Check("engine speed", s.RPM, 300, 15000, "rpm")
	case !inside(load, 3, 600):
		return fmt.Errorf("air mass %g kg: %w", s.AirMass, bound.Check("absolute load", load, 3, 600, "%"))
	case !inside(s.ManifoldPressure, 10e3, 600e3):
		return bound.Check("manifold pressure", s.ManifoldPressure, 10e3, 600e3, "Pa")
	case !inside(s.ChargeTemperature, 220, 450):
		return bound.Check("charge temperature", s.ChargeTemperature, 220, 450, "K")
	case !inside(s.CoolantTemperature, 230, 420):
		return bound.Check("coolant temperature", s.CoolantTemperature, 230, 420, "K")
	case !inside(s.Lambda, minLambda, maxLambda):
		return bound.Check("lambda", s.Lambda, minLambda, maxLambda, "")
	case !inside(s.Spark, minSpark, min(maxSpark, -e.cfg.IntakeValveClosing)):
		return bound.Check("spark", s.Spark, minSpark, min(maxSpark, -e.cfg.IntakeValveClosing), "° before TDC")
	case !s.Fuel.Valid():
		return fmt.Errorf("fuel is empty: make it with package fuel")
	case !inside(s.Octane, 50, 140):
		return bound.Check("octane number", s.Octane, 50, 140, "")
	case s.Residual != NoResidual && !inside(s.Residual, 0, maxResidual):
		return bound.Check("residual share", s.Residual, 0, maxResidual, "")
	case s.ExhaustPressure != 0 && !inside(s.ExhaustPressure, 50e3, 1e6):
		return bound.Check("exhaust pressure", s.ExhaustPressure, 50e3, 1e6, "Pa")
	}
	return nil
}

func inside(x, low, high float64) bool { return x >= low && x <= high && !math.IsInf(x, 0) }

// exhaustPressure returns the given or estimated exhaust pressure.
func (e *Engine) exhaustPressure(s *State) float64 {
	if s.ExhaustPressure > 0 {
		return s.ExhaustPressure
	}
	return max(e.cfg.Charging.ExhaustFloor, e.cfg.Charging.ExhaustRatio*s.ManifoldPressure)
}

// Result is one cycle of one cylinder.
type Result struct {
	PeakPressure      float64 // Pa
	PeakPressureAngle float64 // degrees after firing TDC
	PeakTemperature   float64 // mean gas temperature at its highest node, K

	IMEP float64 // gross, over compression and expansion strokes (−180…180°), Pa
	PMEP float64 // exhaust less manifold pressure, Pa: the pumping loop of an ideal gas exchange
	FMEP float64 // Chen–Flynn, Pa
	BMEP float64 // IMEP − PMEP − FMEP, Pa

	CA10, CA50, CA90 float64 // degrees after firing TDC at which 10, 50, 90 % are burned
	IgnitionLag      float64 // degrees from spark to start of burn
	BurnDuration     float64 // Wiebe total duration, degrees

	MaxPressureRise      float64 // Pa per degree
	MaxPressureRiseAngle float64 // degrees after firing TDC

	TemperatureEVO     float64 // mean gas temperature at exhaust-valve opening, K
	PressureEVO        float64 // Pa
	ExhaustTemperature float64 // mean of the gas leaving the cylinder, no heat lost in the port, K

	KnockIntegral     float64 // Livengood–Wu integral at 85 % burned; 1 is the model's knock limit
	EndGasTemperature float64 // unburned gas at 85 % burned or the node after, K

	TemperatureIVC   float64 // K
	PressureIVC      float64 // Pa
	ResidualFraction float64 // of the trapped mass
	TrappedMass      float64 // air, fuel and residual, kg

	// Energy between intake-valve closing and exhaust-valve opening, J: Released = Stored + Work + Lost.
	Released, Stored, Work, Lost float64
}

// Point is one crank position of a traced cycle.
type Point struct {
	Angle             float64 // degrees after firing TDC
	Volume            float64 // m³
	Pressure          float64 // Pa
	Temperature       float64 // mean gas, K
	EndGasTemperature float64 // unburned gas, K
	Burned            float64 // 0–1
	KnockIntegral     float64 // so far
}
