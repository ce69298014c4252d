// Package engine answers: what does the crank do with the gas, and what does torque mean for an engine of this size?
//
// It holds the slider-crank geometry (volume, area, piston speed), mean effective pressure against torque and power,
// the SAE J1349 power correction and Chen–Flynn friction. Sources: Heywood, Internal Combustion Engine Fundamentals,
// 1st ed. 1988, chapter 2 (geometry, mean effective pressure); SAE J1349 (correction); Chen and Flynn, SAE 650733
// (friction). SI inside: Pa, m, m³, kg, N·m, W; engine speed in rpm and crank angle in degrees after firing top dead
// centre, as the trade counts them.
package engine

import (
	"fmt"
	"math"

	"headroom/models/bound"
	"headroom/models/unit"
)

// Geometry is one engine's size. Call Validate once: the methods hold for a valid geometry.
type Geometry struct {
	Cylinders        int     // 1–16
	Bore             float64 // m, 0.03–0.3
	Stroke           float64 // m, 0.03–0.3
	Rod              float64 // connecting rod, centre to centre, m; longer than half the stroke, at most ten strokes
	CompressionRatio float64 // geometric, above 1, at most 25
}

// Validate returns an error that names the first quantity outside its range.
func (g Geometry) Validate() error {
	err := bound.First(
		bound.Check("number of cylinders", float64(g.Cylinders), 1, 16, ""),
		bound.Check("bore", g.Bore, 0.03, 0.3, "m"),
		bound.Check("stroke", g.Stroke, 0.03, 0.3, "m"),
		bound.Check("connecting rod length", g.Rod, 0.51*g.Stroke, 10*g.Stroke, "m"),
		bound.Check("compression ratio", g.CompressionRatio, 1.01, 25, ""),
	)
	if err != nil {
		return fmt.Errorf("engine geometry: %w", err)
	}
	return nil
}

// PistonArea returns the bore's cross-section in m².
func (g Geometry) PistonArea() float64 { return math.Pi / 4 * g.Bore * g.Bore }

// CylinderDisplacement returns the swept volume of one cylinder in m³ (Heywood eq. 2.2 ff.).
func (g Geometry) CylinderDisplacement() float64 { return g.PistonArea() * g.Stroke }

// Displacement returns the swept volume of the engine in m³.
func (g Geometry) Displacement() float64 { return float64(g.Cylinders) * g.CylinderDisplacement() }

// ClearanceVolume returns the volume of one cylinder at top dead centre in m³ (Heywood eq. 2.1).
func (g Geometry) ClearanceVolume() float64 {
	return g.CylinderDisplacement() / (g.CompressionRatio - 1)
}

// pistonDrop returns how far the piston is below top dead centre at a crank angle, in m (Heywood eq. 2.5), pin offset
// neglected.
func (g Geometry) pistonDrop(deg float64) float64 {
	s, c := math.Sincos(deg * unit.RadianPerDegree)
	a := g.Stroke / 2
	return a*(1-c) + g.Rod - math.Sqrt(g.Rod*g.Rod-a*a*s*s)
}

// Volume returns the volume of one cylinder at a crank angle in m³ (Heywood eq. 2.4–2.6).
func (g Geometry) Volume(deg float64) float64 {
	return g.ClearanceVolume() + g.PistonArea()*g.pistonDrop(deg)
}

// VolumeSlope returns dV/dθ of one cylinder in m³ per crank degree: the derivative of Volume.
func (g Geometry) VolumeSlope(deg float64) float64 {
	s, c := math.Sincos(deg * unit.RadianPerDegree)
	a := g.Stroke / 2
	perRadian := a*s + a*a*s*c/math.Sqrt(g.Rod*g.Rod-a*a*s*s)
	return g.PistonArea() * perRadian * unit.RadianPerDegree
}

// Area returns the surface the gas of one cylinder touches at a crank angle, in m²: flat head and piston crown, and a
// liner as high as the gas (Heywood eq. 2.7 with flat head and crown, the clearance as a disc).
func (g Geometry) Area(deg float64) float64 { return 2*g.PistonArea() + 4*g.Volume(deg)/g.Bore }

// PistonSpeed returns the mean piston speed in m/s: 2·stroke·speed (Heywood eq. 2.9).
func (g Geometry) PistonSpeed(rpm float64) float64 { return 2 * g.Stroke * rpm / unit.SecondsPerMinute }

// BMEP returns the brake mean effective pressure in Pa of a torque in N·m: 4πτ/V_d, four-stroke (Heywood eq. 2.20).
// The sign of the torque is kept.
func (g Geometry) BMEP(torque float64) float64 { return 4 * math.Pi * torque / g.Displacement() }

// Torque returns the torque in N·m of a mean effective pressure in Pa, four-stroke: the inverse of BMEP.
func (g Geometry) Torque(mep float64) float64 { return mep * g.Displacement() / (4 * math.Pi) }

// Power returns the power in W of a torque in N·m at a speed in rpm: 2πNτ (Heywood eq. 2.13). NaN where either is.
func Power(torque, rpm float64) float64 { return torque * rpm * 2 * math.Pi / unit.SecondsPerMinute }

// Ends of the range in which SAE J1349 lets its correction be used.
const (
	minCorrection = 0.93
	maxCorrection = 1.07
)

// PowerCorrection returns the SAE J1349 factor that turns measured brake power of a naturally breathing spark-ignition
// engine into power at 99 kPa dry air and 25 °C: 1.180·(99 kPa/p_d)·√((t+273)/298) − 0.180, t in °C; the 0.180
// stands for a mechanical efficiency of 85 %. Arguments are the pressure of the dry air in Pa and the intake air
// temperature in K. A factor outside 0.93–1.07 is refused, as the standard does. (Formula from memory of SAE J1349.)
func PowerCorrection(dryPressure, temperature float64) (float64, error) {
	err := bound.First(
		bound.Check("dry-air pressure", dryPressure, 30e3, 120e3, "Pa"),
		bound.Check("intake air temperature", temperature, 220, 340, "K"),
	)
	if err != nil {
		return 0, err
	}
	celsius := temperature - unit.ZeroCelsius
	cf := 1.180*(99e3/dryPressure)*math.Sqrt((celsius+273)/298) - 0.180
	if err := bound.Check("SAE J1349 correction factor", cf, minCorrection, maxCorrection, ""); err != nil {
		return 0, fmt.Errorf("conditions too far from the reference: %w", err)
	}
	return cf, nil
}

// Friction is the friction law of Chen and Flynn (SAE 650733): fmep = Constant + PeakPressure·p_max + Speed·S +
// SpeedSquared·S², S the mean piston speed. It covers rubbing and auxiliaries of a fired engine, not gas exchange.
type Friction struct {
	Constant     float64 // Pa, 0–500 000
	PeakPressure float64 // Pa per Pa, 0–0.05
	Speed        float64 // Pa per m/s, 0–50 000
	SpeedSquared float64 // Pa per (m/s)², 0–5 000
}

// DefaultFriction returns coefficients in the middle of those used for passenger-car engines: 40 kPa, 0.005,
// 9 kPa/(m/s), 90 Pa/(m/s)². The form is Chen and Flynn's; the numbers are common practice, no source.
func DefaultFriction() Friction {
	return Friction{Constant: 40e3, PeakPressure: 0.005, Speed: 9e3, SpeedSquared: 90}
}

// Validate returns an error that names the first coefficient outside its range.
func (f Friction) Validate() error {
	err := bound.First(
		bound.Check("constant term", f.Constant, 0, 500e3, "Pa"),
		bound.Check("peak-pressure factor", f.PeakPressure, 0, 0.05, ""),
		bound.Check("speed factor", f.Speed, 0, 50e3, "Pa/(m/s)"),
		bound.Check("speed-squared factor", f.SpeedSquared, 0, 5e3, "Pa/(m/s)²"),
	)
	if err != nil {
		return fmt.Errorf("friction: %w", err)
	}
	return nil
}

// FMEP returns the friction mean effective pressure in Pa at a peak pressure in Pa and a mean piston speed in m/s
// (SAE 650733). Valid coefficients and non-negative arguments are the caller's.
func (f Friction) FMEP(peakPressure, pistonSpeed float64) float64 {
	return f.Constant + f.PeakPressure*peakPressure + pistonSpeed*(f.Speed+f.SpeedSquared*pistonSpeed)
}
