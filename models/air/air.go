// Package air answers: how much air is in the cylinder, how warm is it, and what does that amount to as a load?
//
// Dry-air pressure of humid air, trapped charge by speed–density and by mass flow, absolute load both ways, and the
// temperatures behind a compressor and an intercooler. Sources: Murphy and Koop, Q. J. R. Meteorol. Soc. 131, 2005, eq.
// 10 (saturation pressure); R from the CIPM-2007 molar mass of dry air (Picard and others, Metrologia 45, 2008; from
// memory); SAE J1979 PID 0x43 (absolute load); Heywood, Internal Combustion Engine Fundamentals, 1st ed. 1988, eq. 2.27
// (volumetric efficiency) and eq. 6.42 ff. (compressor). SI inside: Pa, K, kg, m³; engine speed in rpm, load in per
// cent.
package air

import (
	"fmt"
	"math"

	"headroom/models/bound"
	"headroom/models/unit"
)

// Constants of air.
const (
	MolarMass   = 28.9655e-3                        // kg/mol, dry air (CIPM-2007: 28.96546)
	GasConstant = unit.MolarGasConstant / MolarMass // J/(kg·K), dry air: 287.05
	Gamma       = 1.4                               // of dry air near room temperature
	// LoadDensity is the air density SAE J1979 sets for absolute load, kg/m³: air at 101.325 kPa and 25 °C.
	LoadDensity = 1.184
)

// saturationPressure returns the saturation vapour pressure over liquid (below 0 °C supercooled) water in Pa at a
// temperature in K, 223–332 (−50…59 °C): Murphy and Koop (2005), eq. 10, whose own range is 123–332 K.
func saturationPressure(temperature float64) (float64, error) {
	if err := bound.Check("air temperature", temperature, 223, 332, "K"); err != nil {
		return 0, err
	}
	t, lnT := temperature, math.Log(temperature)
	ln := 54.842763 - 6763.22/t - 4.210*lnT + 0.000367*t +
		math.Tanh(0.0415*(t-218.8))*(53.878-1331.22/t-9.44523*lnT+0.014025*t)
	return math.Exp(ln), nil
}

// VapourPressure returns the water-vapour pressure in Pa at a temperature in K, 223–332, and a relative humidity
// 0–1: the share of the saturation pressure over liquid (below 0 °C supercooled) water.
func VapourPressure(temperature, relativeHumidity float64) (float64, error) {
	if err := bound.Check("relative humidity", relativeHumidity, 0, 1, ""); err != nil {
		return 0, err
	}
	ps, err := saturationPressure(temperature)
	return relativeHumidity * ps, err
}

// DryPressure returns the pressure of the dry part of humid air in Pa: what SAE J1349 wants.
func DryPressure(pressure, temperature, relativeHumidity float64) (float64, error) {
	if err := checkPressure("air pressure", pressure); err != nil {
		return 0, err
	}
	pv, err := VapourPressure(temperature, relativeHumidity)
	if err != nil {
		return 0, err
	}
	if err := bound.Check("water-vapour pressure", pv, 0, 0.2*pressure, "Pa"); err != nil {
		return 0, err
	}
	return pressure - pv, nil
}

// MassBySpeedDensity returns the air trapped in one cylinder and cycle in kg: VE·p·V/(R·T), p the manifold pressure
// in Pa (1 kPa to 1 MPa), T the charge temperature in K (200–500), volumetric efficiency relative to manifold density
// (0.1–1.6) and V the cylinder's swept volume in m³ (Heywood eq. 2.27).
func MassBySpeedDensity(manifoldPressure, chargeTemperature, volumetricEfficiency, cylinderDisplacement float64) (
	float64, error) {
	err := bound.First(
		checkPressure("manifold pressure", manifoldPressure),
		checkCharge(chargeTemperature),
		bound.Check("volumetric efficiency", volumetricEfficiency, 0.1, 1.6, ""),
		checkCylinder(cylinderDisplacement),
	)
	if err != nil {
		return 0, err
	}
	return volumetricEfficiency * manifoldPressure * cylinderDisplacement / (GasConstant * chargeTemperature), nil
}

// PressureBySpeedDensity returns the manifold pressure in Pa that traps an air mass in kg: the inverse of
// MassBySpeedDensity.
func PressureBySpeedDensity(mass, chargeTemperature, volumetricEfficiency, cylinderDisplacement float64) (
	float64, error) {
	err := bound.First(
		checkMass(mass),
		checkCharge(chargeTemperature),
		bound.Check("volumetric efficiency", volumetricEfficiency, 0.1, 1.6, ""),
		checkCylinder(cylinderDisplacement),
	)
	if err != nil {
		return 0, err
	}
	return mass * GasConstant * chargeTemperature / (volumetricEfficiency * cylinderDisplacement), nil
}

// MassByFlow returns the air a cylinder takes in a cycle in kg, from the engine's air flow in kg/s (0–3): a
// four-stroke fills each cylinder once in two turns, so 120·flow/(rpm·cylinders). rpm 100–20 000, cylinders 1–16.
func MassByFlow(flow, rpm float64, cylinders int) (float64, error) {
	err := bound.First(bound.Check("air flow", flow, 0, 3, "kg/s"), checkTurning(rpm, cylinders))
	if err != nil {
		return 0, err
	}
	return 2 * unit.SecondsPerMinute * flow / (rpm * float64(cylinders)), nil
}

// AbsoluteLoad returns the absolute load in per cent of an air mass in kg a cylinder and cycle: the mass over 1.184
// kg/m³ times the cylinder's swept volume (SAE J1979, PID 0x43).
func AbsoluteLoad(mass, cylinderDisplacement float64) (float64, error) {
	if err := bound.First(checkMass(mass), checkCylinder(cylinderDisplacement)); err != nil {
		return 0, err
	}
	return 100 * mass / (LoadDensity * cylinderDisplacement), nil
}

// MassFromLoad returns the air mass in kg a cylinder and cycle of an absolute load in per cent (0–800): the inverse
// of AbsoluteLoad.
func MassFromLoad(loadPercent, cylinderDisplacement float64) (float64, error) {
	err := bound.First(bound.Check("absolute load", loadPercent, 0, 800, "%"), checkCylinder(cylinderDisplacement))
	if err != nil {
		return 0, err
	}
	return loadPercent / 100 * LoadDensity * cylinderDisplacement, nil
}

// VolumetricEfficiency returns the volumetric efficiency that explains an air mass: what the mass is over what the
// cylinder would hold at manifold pressure (Pa) and charge temperature (K).
func VolumetricEfficiency(mass, manifoldPressure, chargeTemperature, cylinderDisplacement float64) (float64, error) {
	full, err := MassBySpeedDensity(manifoldPressure, chargeTemperature, 1, cylinderDisplacement)
	if err := bound.First(checkMass(mass), err); err != nil {
		return 0, err
	}
	return mass / full, nil
}

// CompressorOutlet returns the air temperature behind a compressor in K: T₁[1+((p₂/p₁)^((γ−1)/γ)−1)/η]
// with γ = 1.4 (Heywood eq. 6.42 ff.). T₁ 200–400 K, pressure ratio 1–6, isentropic efficiency η 0.3–1.
func CompressorOutlet(inletTemperature, pressureRatio, efficiency float64) (float64, error) {
	err := bound.First(
		bound.Check("compressor inlet temperature", inletTemperature, 200, 400, "K"),
		bound.Check("compressor pressure ratio", pressureRatio, 1, 6, ""),
		bound.Check("compressor isentropic efficiency", efficiency, 0.3, 1, ""),
	)
	if err != nil {
		return 0, err
	}
	return inletTemperature * (1 + (math.Pow(pressureRatio, (Gamma-1)/Gamma)-1)/efficiency), nil
}

// IntercoolerOutlet returns the air temperature behind an intercooler in K: inlet − ε(inlet − coolant),
// effectiveness ε 0–1 (definition for the smaller heat-capacity stream; common practice). Temperatures 200–700 K;
// coolant is the air or water that cools.
func IntercoolerOutlet(inletTemperature, coolingTemperature, effectiveness float64) (float64, error) {
	err := bound.First(
		bound.Check("intercooler inlet temperature", inletTemperature, 200, 700, "K"),
		bound.Check("intercooler cooling temperature", coolingTemperature, 200, 400, "K"),
		bound.Check("intercooler effectiveness", effectiveness, 0, 1, ""),
	)
	if err != nil {
		return 0, err
	}
	return inletTemperature - effectiveness*(inletTemperature-coolingTemperature), nil
}

// ChargeTemperature returns the temperature behind compressor and intercooler in K of ambient air compressed from
// ambient to manifold pressure (Pa), the ambient air also cooling the intercooler. At or below ambient pressure the
// charge is ambient air.
func ChargeTemperature(ambientTemperature, ambientPressure, manifoldPressure, compressorEfficiency,
	effectiveness float64) (float64, error) {
	err := bound.First(checkPressure("ambient pressure", ambientPressure), checkPressure("manifold pressure",
		manifoldPressure))
	if err != nil {
		return 0, err
	}
	out, err := CompressorOutlet(ambientTemperature, math.Max(1, manifoldPressure/ambientPressure),
		compressorEfficiency)
	if err != nil {
		return 0, fmt.Errorf("charge temperature: %w", err)
	}
	return IntercoolerOutlet(out, ambientTemperature, effectiveness)
}

func checkPressure(name string, p float64) error { return bound.Check(name, p, 1e3, 1e6, "Pa") }

func checkCharge(t float64) error { return bound.Check("charge temperature", t, 200, 500, "K") }

func checkMass(m float64) error {
	return bound.Check("air mass a cylinder and cycle", m, 0, 0.02, "kg")
}

func checkCylinder(v float64) error {
	return bound.Check("cylinder displacement", v, 2e-5, 5e-3, "m³")
}

func checkTurning(rpm float64, cylinders int) error {
	return bound.First(
		bound.Check("engine speed", rpm, 100, 20000, "rpm"),
		bound.Check("number of cylinders", float64(cylinders), 1, 16, ""),
	)
}
