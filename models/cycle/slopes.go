package cycle

import (
	"errors"
	"fmt"
	"math"
)

// Gradient is how one quantity changes with each input, the others held.
type Gradient struct {
	Spark float64 // per degree earlier spark
	// per unit of ln(air mass), manifold and given exhaust pressure in proportion, charge temperature held; over
	// manifold pressure in kPa: per kPa
	LnCharge float64
	Charge   float64 // per K charge temperature, air mass held
	Coolant  float64 // per K coolant temperature
	Octane   float64 // per octane number
	Lambda   float64 // per unit of lambda
	LnSpeed  float64 // per unit of ln(engine speed), air mass a cycle held
	Residual float64 // per unit of burned-gas share
	// per unit of ethanol share of volume, octane number held; 0 where the fuel does not allow it (EthanolKnown)
	Ethanol float64
}

// Slopes is a cycle, its slopes, and the slopes of its knock limit.
type Slopes struct {
	At Result // the state's own cycle

	// Knock holds the slopes, in degrees, of the spark that keeps the knock integral at the value it has at the state
	// (Spark is 0). Taken where the engine is driven, near its real limit, they are the ones to use: they do not need
	// the model's own level to be right. KnockKnown is false, and they are 0, where the integral hardly rises with
	// spark (far too early spark).
	Knock      Gradient
	KnockKnown bool
	// Limit is the model's own knock limit and its slopes there.
	Limit Limit

	PeakPressure       Gradient // Pa
	MaxPressureRise    Gradient // Pa per degree
	IMEP               Gradient // Pa
	BMEP               Gradient // Pa
	TemperatureEVO     Gradient // K
	ExhaustTemperature Gradient // K
	LnKnockIntegral    Gradient // ln of the integral
	CA50               Gradient // degrees

	EthanolKnown bool // the Ethanol slopes are filled
}

// Limit is the model's own knock limit. When it lies outside the range searched, Found is false, Reason says why, and
// the rest is 0.
type Limit struct {
	Found  bool
	Reason string
	Spark  float64  // degrees before top dead centre
	Slopes Gradient // degrees; Spark is 0
}

// input is one of the quantities a Gradient holds slopes against.
type input int

const (
	bySpark input = iota
	byLnCharge
	byCharge
	byCoolant
	byOctane
	byLambda
	byLnSpeed
	byResidual
	byEthanol
	inputs
)

// widths are the central differences of Slopes in the Gradient's units: wide enough to drown round-off, narrow enough
// to be slopes.
var widths = [inputs]float64{bySpark: 0.25, byLnCharge: 0.01, byCharge: 1, byCoolant: 1, byOctane: 0.5, byLambda: 0.01,
	byLnSpeed: 0.01, byResidual: 0.002, byEthanol: 0.01}

// moved returns s with one input moved by d.
func (s State) moved(in input, d float64) (State, error) {
	var err error
	switch in {
	case bySpark:
		s.Spark += d
	case byLnCharge:
		k := math.Exp(d)
		s.AirMass *= k
		s.ManifoldPressure *= k
		s.ExhaustPressure *= k
	case byCharge:
		s.ChargeTemperature += d
	case byCoolant:
		s.CoolantTemperature += d
	case byOctane:
		s.Octane += d
	case byLambda:
		s.Lambda += d
	case byLnSpeed:
		s.RPM *= math.Exp(d)
	case byResidual:
		s.Residual += d
	case byEthanol:
		s.Fuel, err = s.Fuel.WithEthanol(s.Fuel.EthanolShare() + d)
	}
	return s, err
}

// set stores the slope against one input.
func (g *Gradient) set(in input, slope float64) {
	switch in {
	case bySpark:
		g.Spark = slope
	case byLnCharge:
		g.LnCharge = slope
	case byCharge:
		g.Charge = slope
	case byCoolant:
		g.Coolant = slope
	case byOctane:
		g.Octane = slope
	case byLambda:
		g.Lambda = slope
	case byLnSpeed:
		g.LnSpeed = slope
	case byResidual:
		g.Residual = slope
	case byEthanol:
		g.Ethanol = slope
	}
}

// Slopes returns the cycle of s, its knock limit, and the slopes of both by central differences (about 40 cycles). At
// the edge of an input's range the difference is one-sided. An estimated residual moves with the other inputs, as it
// would in the engine.
func (e *Engine) Slopes(s State) (Slopes, error) {
	var out Slopes
	at, err := e.Run(s)
	if err != nil {
		return out, err
	}
	out.At = at
	for in := range inputs {
		if err := e.differentiate(s, in, &at, &out); err != nil {
			return Slopes{}, err
		}
	}
	out.Knock, out.KnockKnown = alongLimit(out.LnKnockIntegral)
	out.Limit, err = e.limit(s)
	if err != nil {
		return Slopes{}, err
	}
	return out, nil
}

// limit finds the model's own knock limit and differentiates it.
func (e *Engine) limit(s State) (Limit, error) {
	spark, err := e.KnockLimitedSpark(s)
	if errors.Is(err, ErrNoKnockLimit) {
		return Limit{Reason: err.Error()}, nil
	}
	if err != nil {
		return Limit{}, err
	}
	s.Spark = spark
	at, err := e.Run(s)
	if err != nil {
		return Limit{}, err
	}
	var there Slopes
	for in := range inputs {
		if err := e.differentiate(s, in, &at, &there); err != nil {
			return Limit{}, err
		}
	}
	slopes, known := alongLimit(there.LnKnockIntegral)
	if !known {
		return Limit{Reason: fmt.Sprintf("knock integral hardly rises with spark at its limit of %.1f° before TDC",
			spark)}, nil
	}
	return Limit{Found: true, Spark: spark, Slopes: slopes}, nil
}

// leastKnockSlope is the least slope of ln of the knock integral a degree of spark that is still divided by.
const leastKnockSlope = 0.005

// alongLimit turns slopes of ln of the knock integral into slopes of the spark that keeps it: implicit
// differentiation, d spark/dz = −(∂ ln I/∂z)/(∂ ln I/∂ spark).
func alongLimit(g Gradient) (slopes Gradient, known bool) {
	if g.Spark < leastKnockSlope {
		return Gradient{}, false
	}
	k := -1 / g.Spark
	return Gradient{LnCharge: k * g.LnCharge, Charge: k * g.Charge, Coolant: k * g.Coolant, Octane: k * g.Octane,
		Lambda: k * g.Lambda, LnSpeed: k * g.LnSpeed, Residual: k * g.Residual, Ethanol: k * g.Ethanol}, true
}

// differentiate fills one input's slopes.
func (e *Engine) differentiate(s State, in input, at *Result, out *Slopes) error {
	if in == byResidual { // its own slope needs the residual given; 0 would ask for an estimate
		s.Residual = max(at.ResidualFraction, 1e-9)
	}
	size := widths[in]
	up, errUp := e.runMoved(s, in, size)
	down, errDown := e.runMoved(s, in, -size)
	width := 2 * size
	switch {
	case errUp == nil && errDown == nil:
	case errUp == nil:
		down, width = *at, size
	case errDown == nil:
		up, width = *at, size
	case in == byEthanol:
		return nil // the base gasoline is not known: EthanolKnown stays false
	default:
		return fmt.Errorf("slope: %w", errUp)
	}
	if in == byEthanol {
		out.EthanolKnown = true
	}
	out.PeakPressure.set(in, (up.PeakPressure-down.PeakPressure)/width)
	out.MaxPressureRise.set(in, (up.MaxPressureRise-down.MaxPressureRise)/width)
	out.IMEP.set(in, (up.IMEP-down.IMEP)/width)
	out.BMEP.set(in, (up.BMEP-down.BMEP)/width)
	out.TemperatureEVO.set(in, (up.TemperatureEVO-down.TemperatureEVO)/width)
	out.ExhaustTemperature.set(in, (up.ExhaustTemperature-down.ExhaustTemperature)/width)
	out.LnKnockIntegral.set(in, math.Log(up.KnockIntegral/down.KnockIntegral)/width)
	out.CA50.set(in, (up.CA50-down.CA50)/width)
	return nil
}

func (e *Engine) runMoved(s State, in input, d float64) (Result, error) {
	s, err := s.moved(in, d)
	if err != nil {
		return Result{}, err
	}
	return e.Run(s)
}
