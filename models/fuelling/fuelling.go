// Package fuelling answers: can the pump and the injectors deliver the fuel this air asks for?
//
// Fuel demand from air, λ and stoichiometry; injector flow against pressure; dead time against voltage; duty of a port
// injector; the share of the usable crank window a direct injector needs; pump demand against its capacity; and how
// much more fuel ethanol asks for. The flow law is Bernoulli's orifice (flow ∝ √Δp; Heywood, Internal Combustion
// Engine Fundamentals, 1st ed. 1988, eq. C.1 ff.); duty and window use are definitions. Flow in kg/s, pressure in Pa,
// pulse and dead time in s, engine speed in rpm, crank angle in degrees.
package fuelling

import (
	"fmt"
	"math"

	"headroom/models/bound"
	"headroom/models/calmap"
	"headroom/models/fuel"
	"headroom/models/unit"
	"headroom/models/value"
)

// MassPerCycle returns the fuel in kg a cylinder needs for the air it trapped in a cycle in kg (0–0.02) at a λ of
// 0.4–2.
func MassPerCycle(airMass, lambda float64, f fuel.Fuel) (float64, error) {
	err := bound.First(bound.Check("air mass a cylinder and cycle", airMass, 0, 0.02, "kg"), checkLambda(lambda),
		checkFuel(f))
	if err != nil {
		return 0, err
	}
	return airMass / (lambda * f.Stoich()), nil
}

// DemandFactor returns how many times the fuel volume of from the fuel to asks for, same air and λ: stoichiometric
// ratio times density of the one over the other. About 1.4 from gasoline to 85 % ethanol.
func DemandFactor(from, to fuel.Fuel) (float64, error) {
	if err := bound.First(checkFuel(from), checkFuel(to)); err != nil {
		return 0, err
	}
	return from.Stoich() * from.Density() / (to.Stoich() * to.Density()), nil
}

// Injector is one injector as its maker rates it. Pressures are differences across the injector.
type Injector struct {
	RatedFlow     float64 // m³/s of fuel at RatedPressure, 1e-7–1e-4 (6–6000 cc/min)
	RatedPressure float64 // Pa, 50 000–50 000 000
	DeadTime      Curve   // s against supply voltage in V
}

// Validate returns an error that names the first quantity outside its range.
func (i Injector) Validate() error {
	err := bound.First(
		bound.Check("injector rated flow", i.RatedFlow, 1e-7, 1e-4, "m³/s"),
		bound.Check("injector rated pressure", i.RatedPressure, 50e3, 50e6, "Pa"),
	)
	if err != nil {
		return err
	}
	if err := i.DeadTime.Validate(); err != nil {
		return fmt.Errorf("injector dead time: %w", err)
	}
	for _, d := range i.DeadTime.Value {
		if err := bound.Check("injector dead time", d, 0, 0.01, "s"); err != nil {
			return err
		}
	}
	return nil
}

// Flow returns the fuel flow in kg/s while the injector is open, at a pressure difference in Pa (10 kPa–50 MPa) and a
// fuel density in kg/m³ (600–900): rated·√(Δp/rated Δp), at the density the rating was made with.
func (i Injector) Flow(pressure, density float64) (float64, error) {
	err := bound.First(i.Validate(), checkPressure(pressure), bound.Check("fuel density", density, 600, 900, "kg/m³"))
	if err != nil {
		return 0, err
	}
	return i.RatedFlow * density * math.Sqrt(pressure/i.RatedPressure), nil
}

// Pulse returns the pulse in s that delivers a fuel mass in kg (0–0.01): mass over flow, and the dead time at a
// supply voltage in V (6–18).
func (i Injector) Pulse(mass, pressure, density, voltage float64) (float64, error) {
	flow, err := i.Flow(pressure, density)
	if err != nil {
		return 0, err
	}
	err = bound.First(bound.Check("fuel mass a cylinder and cycle", mass, 0, 0.01, "kg"), bound.Check("supply voltage",
		voltage, 6, 18, "V"))
	if err != nil {
		return 0, err
	}
	return mass/flow + i.DeadTime.At(voltage), nil
}

// Duty returns the share of the cycle a pulse in s (0–1) keeps an injector open: pulse·rpm/120, four-stroke
// (definition). 1 is open all the time; more cannot be delivered.
func Duty(pulse, rpm float64) (float64, error) {
	if err := bound.First(checkPulse(pulse), checkSpeed(rpm)); err != nil {
		return 0, err
	}
	return pulse * rpm / (2 * unit.SecondsPerMinute), nil
}

// CrankAngle returns the crank degrees a pulse in s (0–1) spans: 6·rpm·pulse.
func CrankAngle(pulse, rpm float64) (float64, error) {
	if err := bound.First(checkPulse(pulse), checkSpeed(rpm)); err != nil {
		return 0, err
	}
	return 6 * rpm * pulse, nil
}

// WindowUse returns the share of a usable crank window in degrees (10–360) that a direct injector's pulse in s takes.
// Above 1 the fuel does not fit.
func WindowUse(pulse, rpm, window float64) (float64, error) {
	angle, err := CrankAngle(pulse, rpm)
	if err := bound.First(err, bound.Check("usable injection window", window, 10, 360, "°")); err != nil {
		return 0, err
	}
	return angle / window, nil
}

// Curve is a value along rising breakpoints, straight between them, held at the ends.
type Curve struct {
	Breakpoints, Value []float64
}

// Constant returns a Curve that has the same value everywhere.
func Constant(v float64) Curve { return Curve{Breakpoints: []float64{0}, Value: []float64{v}} }

// Validate returns an error unless there is at least one breakpoint, as many values, all finite, breakpoints rising.
func (c Curve) Validate() error {
	if len(c.Breakpoints) == 0 || len(c.Breakpoints) != len(c.Value) {
		return fmt.Errorf("curve has %d breakpoints and %d values: needs as many of each, at least one",
			len(c.Breakpoints), len(c.Value))
	}
	for i, b := range c.Breakpoints {
		if !value.AllKnown(b, c.Value[i]) {
			return fmt.Errorf("curve point %d (%g, %g) is not finite", i+1, b, c.Value[i])
		}
		if i > 0 && b <= c.Breakpoints[i-1] {
			return fmt.Errorf("curve breakpoint %d (%g) does not rise above the one before it (%g)", i+1, b,
				c.Breakpoints[i-1])
		}
	}
	return nil
}

// At returns the value at x of a valid curve.
func (c Curve) At(x float64) float64 { return calmap.Interpolate(c.Breakpoints, c.Value, x) }

// Pump is a fuel pump's capacity in kg/s against the pressure in Pa it delivers to.
type Pump struct {
	Capacity Curve
}

// Use returns the share of the pump's capacity at a pressure in Pa (10 kPa–50 MPa) that a demand in kg/s (0–1)
// takes. Above 1 the pressure cannot be held.
func (p Pump) Use(demand, pressure float64) (float64, error) {
	if err := p.Capacity.Validate(); err != nil {
		return 0, fmt.Errorf("pump capacity: %w", err)
	}
	if err := bound.First(bound.Check("fuel demand", demand, 0, 1, "kg/s"), checkPressure(pressure)); err != nil {
		return 0, err
	}
	capacity := p.Capacity.At(pressure)
	if err := bound.Positive("pump capacity", capacity, "kg/s"); err != nil {
		return 0, err
	}
	return demand / capacity, nil
}

// LargestAirMass returns the most air in kg a cylinder and cycle that a pulse of length s can be fuelled for, at a λ:
// the inverse of MassPerCycle and Pulse. It is 0 where the pulse does not outlast the dead time.
func (i Injector) LargestAirMass(pulse, pressure, voltage, lambda float64, f fuel.Fuel) (float64, error) {
	if err := bound.First(checkPulse(pulse), checkLambda(lambda), checkFuel(f), bound.Check("supply voltage", voltage,
		6, 18, "V")); err != nil {
		return 0, err
	}
	flow, err := i.Flow(pressure, f.Density())
	if err != nil {
		return 0, err
	}
	open := max(0, pulse-i.DeadTime.At(voltage))
	return open * flow * lambda * f.Stoich(), nil
}

func checkFuel(f fuel.Fuel) error {
	if !f.Valid() {
		return fmt.Errorf("fuel is empty: make it with package fuel")
	}
	return nil
}

func checkLambda(l float64) error { return bound.Check("lambda", l, 0.4, 2, "") }

func checkPressure(p float64) error {
	return bound.Check("pressure difference", p, 1e4, 5e7, "Pa")
}

func checkPulse(p float64) error { return bound.Check("injector pulse", p, 0, 1, "s") }

func checkSpeed(rpm float64) error { return bound.Check("engine speed", rpm, 0, 20000, "rpm") }
