package worlds

import (
	"math"

	"headroom/models/value"
)

const (
	zeroCelsius = 273.15
	airGas      = 0.28706 // kJ/(kg·K), dry air
	loadAir     = 1.184   // g/L: SAE J1979, PID 0x43
)

// engine is the geometry and breathing of a platform.
type engine struct {
	id                 string
	cylinders          int
	bore, stroke, rod  float64 // mm
	compression        float64
	ivc, evo           float64 // deg after firing top dead centre
	direct             bool
	redline            float64
	litres             float64
	veBase, veHump     float64 // volumetric efficiency: away from its best speed, and on top of that
	veRPM, veWidth     float64
	backPressure       float64 // of exhaust at 100 g/s over ambient, share
	hasCam             bool
	camHome            float64 // ° of intake advance that the base table has at low speed
	camBreath, camHeat float64 // loss of breathing at 40° off, K of residual heat per degree of advance
	mass, wheel        float64 // kg, m
	ratios             [6]float64
	logVolume          [361]float64 // ln of volume over clearance volume, by degree from −180
	volume             [361]float64
	squeezed           [361]float64 // pressure of a polytrope through it, against that at clearance volume: compression
	stretched          [361]float64 // … and expansion
}

// drawEngine draws from what turbocharged road engines have: common practice, no source.
func drawEngine(d dice, name string) engine {
	e := engine{
		id: name, cylinders: oneOf(d, 3, 4, 4, 4, 6), bore: round(d.between(74, 88), 0.5),
		compression: round(d.between(8.8, 10.8), 0.1), ivc: -round(d.between(120, 150), 1),
		evo: round(d.between(118, 142), 1), direct: d.chance(0.6), redline: round(d.between(6300, 7200), 100),
		veBase: d.between(0.80, 0.88), veHump: d.between(0.08, 0.16), veRPM: d.between(3400, 4900),
		veWidth: d.between(1400, 2300), backPressure: d.between(0.25, 0.6), hasCam: d.chance(0.5),
		camHome: round(d.between(15, 30), 1), camBreath: d.between(0.05, 0.15), camHeat: d.between(0.1, 0.5),
		wheel: d.between(0.30, 0.335),
	}
	e.stroke = round(e.bore*d.between(0.95, 1.18), 0.5)
	e.rod = round(e.stroke*d.between(1.5, 1.75), 0.5)
	e.litres = float64(e.cylinders) * math.Pi / 4 * e.bore * e.bore * e.stroke * 1e-6
	e.mass = d.between(700, 950) + 300*e.litres
	third := d.between(6.4, 7.4) * math.Pow(2/e.litres, 0.3)
	for g := 3; g <= 5; g++ {
		e.ratios[g] = third * math.Pow(0.78, float64(g-3)) * d.between(0.97, 1.03)
	}
	e.setVolumes()
	return e
}

// setVolumes fills the volumes of the slider-crank: Heywood 1988, eq. 2.6.
func (e *engine) setVolumes() {
	r := 2 * e.rod / e.stroke
	for i := range e.logVolume {
		sin, cos := math.Sincos(float64(i-180) * math.Pi / 180)
		e.volume[i] = 1 + (e.compression-1)/2*(r+1-cos-math.Sqrt(r*r-sin*sin))
		e.logVolume[i] = value.Ln(e.volume[i])
		e.squeezed[i], e.stretched[i] = math.Pow(e.volume[i], -squeeze), math.Pow(e.volume[i], -stretch)
	}
}

// logVol is ln of volume over clearance volume at a crank angle, deg after firing top dead centre.
func (e *engine) logVol(deg float64) float64 { return atDegree(&e.logVolume, deg) }

// atDegree interpolates what is kept by degree.
func atDegree(kept *[361]float64, deg float64) float64 {
	at := min(max(deg+180, 0), 359.999)
	i := int(at)
	return kept[i] + (at-float64(i))*(kept[i+1]-kept[i])
}

// breathing is the volumetric efficiency against manifold density. Burned gas that stays behind takes room by its
// pressure over the manifold's: Heywood 1988, section 6.2.
func (e *engine) breathing(rpm, manifold, exhaust, camOff float64) float64 {
	z := (rpm - e.veRPM) / e.veWidth
	ve := e.veBase + e.veHump*value.Exp(-z*z)
	ve *= 1 - (exhaust/manifold-1)/(1.32*(e.compression-1))
	off := camOff - 12*clamp((rpm-4000)/2500, -1, 1)*boolShare(e.hasCam)
	return ve * (1 - e.camBreath*square(off/40))
}

func boolShare(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// exhaustPressure is the pressure behind the valves, kPa; it grows with the square of flow as through an orifice.
func (e *engine) exhaustPressure(baro, airFlow float64) float64 {
	return baro * (1.05 + e.backPressure*square(airFlow/100/e.litres*2))
}

// airFlow is g/s at a load (fraction).
func (e *engine) airFlow(rpm, load float64) float64 { return load * loadAir * e.litres * rpm / 120 }
