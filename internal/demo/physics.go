package demo

import "math"

const (
	zeroCelsius      = 273.15
	gasConstantAir   = 0.28705 // kJ/(kg·K), dry air: ISO 2533
	loadDensity      = 1.184   // g/L: SAE J1979, PID 0x43
	ratioGasoline    = 14.6    // stoichiometric air–fuel ratio by mass of CH1.87: Heywood, eq. 3.6
	ratioEthanol     = 9.0     // Heywood, app. D
	densityFuel      = 0.745   // kg/L, gasoline: common practice, no source
	densityEthanol   = 0.789   // kg/L
	airHeatingValue  = 2950.0  // kJ of fuel burned per kg of air at stoichiometry: common practice, no source
	referenceCycles  = 30.0    // the knock limit is the one of a stay of this many engine cycles
	knockRateScale   = 0.45    // degrees of spark per e-fold of the knock rate
	delayTemperature = 5600.0  // K, activation temperature of the end-gas delay
	delayPressure    = 1.8     // exponent of pressure
	delayOctane      = 5.0     // exponent of the octane index
	compressExponent = 0.237   // (γ−1)/γ of the end gas
)

// gasoline is one tank of fuel.
type gasoline struct {
	ron, mon, ethanol float64 // ethanol by volume, 0–1
}

// stoichiometricRatio is the air–fuel ratio by mass.
func (f gasoline) stoichiometricRatio() float64 {
	x := f.ethanol * densityEthanol / (f.ethanol*densityEthanol + (1-f.ethanol)*densityFuel)
	return ratioGasoline + (ratioEthanol-ratioGasoline)*x
}

// condition is the state of the charge that decides about knock.
type condition struct {
	rpm      float64
	load     float64 // absolute load as a fraction
	manifold float64 // kPa absolute
	charge   float64 // K
	coolant  float64 // K
	lambda   float64
	fuel     gasoline
	cam      float64 // degrees of intake advance beyond the engine's own table
}

// density is the charge density in the manifold, g/L.
func density(manifoldKPa, chargeK float64) float64 { return manifoldKPa / (gasConstantAir * chargeK) }

// trapped is the temperature (K) of the charge when the intake valve closes: warmed by the walls and by residual gas,
// cooled by the fuel that evaporates (more with a rich mixture, with ethanol, and with direct injection).
func (e *engine) trapped(c *condition) float64 {
	t := c.charge + 0.18*(c.coolant-c.charge) + 12/max(c.load, 0.2)
	return t - 22*(1/c.lambda-1) - e.ethanolCooling*(c.fuel.ethanol-0.10) + camWarms*c.cam
}

// burnAngle is the crank angle from spark to half burned.
func (e *engine) burnAngle(rpm, load, lambda float64) float64 {
	return e.burnSpeed.at(rpm) + 40*(lambda-0.87)*(lambda-0.87) - 5*math.Log(max(load, 0.15)/1.6)
}

// heatRatio is how far a burn completed at top dead centre lifts end-gas pressure above that of compression alone.
func (e *engine) heatRatio(trapped float64) float64 { return e.heat * 330 / trapped }

// The share of that lift left when half of the charge has burned at phi degrees after top dead centre falls as a
// logistic function; the end gas, which sees it late, has a wider one than peak pressure.
const (
	endGasMiddle, endGasWidth = 18.5, 9.2
	peakMiddle, peakWidth     = 20.0, 6.3
)

// knockLimit is the largest spark advance (degrees before top dead centre) of an average car at which knock is heard
// about once in 63 % of stays of referenceCycles. It solves for the end-gas pressure at which an Arrhenius delay
// equals the time available, and turns that pressure into burn phasing and spark.
func (e *engine) knockLimit(c *condition) float64 {
	return e.burnAngle(c.rpm, c.load, c.lambda) - e.knockPhasing(c, e.trapped(c))
}

// knockPhasing is the same limit as burn phasing: the crank angle after top dead centre, half burned, before which an
// average car knocks. t is the trapped temperature.
func (e *engine) knockPhasing(c *condition, t float64) float64 {
	drive := e.knockDrive(c)
	y := math.Log(e.compression * 2)
	for range 3 { // f is increasing and concave in y: Newton settles from the left
		x := math.Exp(-compressExponent * y)
		f := delayPressure*y - delayTemperature/t*x + drive
		y -= f / (delayPressure + compressExponent*delayTemperature/t*x)
	}
	share := (math.Exp(y)/e.compression - 1) / e.heatRatio(t)
	share = min(max(share, 0.004), 0.996)
	return endGasMiddle + endGasWidth*math.Log(1/share-1)
}

// knockDrive is the part of ln(time available / delay) that does not depend on end-gas compression. Speed leaves less
// time but not in proportion, because turbulence moves the end gas; one band of speed is worse than its neighbours.
func (e *engine) knockDrive(c *condition) float64 {
	index := c.fuel.ron + e.octaneWeight*(c.fuel.ron-c.fuel.mon)
	return delayPressure*math.Log(c.manifold/200) - delayOctane*math.Log(index/98) +
		0.6*(c.lambda-0.86) - e.delayLevel - e.knockSpeed.at(c.rpm)
}

// speedCurve is a function of engine speed, kept every ten rpm because it is needed at every tick.
type speedCurve []float64

const speedCurveStep, speedCurveTop = 10, 8000

func newSpeedCurve(f func(rpm float64) float64) speedCurve {
	var c speedCurve
	for rpm := 0; rpm <= speedCurveTop; rpm += speedCurveStep {
		c = append(c, f(max(float64(rpm), 1)))
	}
	return c
}

// at interpolates; speeds beyond the ends take the end's slope.
func (c speedCurve) at(rpm float64) float64 {
	i := min(max(int(rpm/speedCurveStep), 0), len(c)-2)
	return c[i] + (rpm/speedCurveStep-float64(i))*(c[i+1]-c[i])
}

// setSpeedCurves makes the terms that depend on speed alone: the burn angle, which grows as a power of speed, and the
// time left to the end gas, with one band of speed worse than its neighbours.
func (e *engine) setSpeedCurves() {
	e.burnSpeed = newSpeedCurve(func(rpm float64) float64 { return e.burnBase + 14*math.Pow(rpm/3000, 0.6) })
	e.knockSpeed = newSpeedCurve(func(rpm float64) float64 {
		d := (rpm - e.dipRPM) / e.dipWidth
		return e.speedExponent*math.Log(rpm/3000) - e.dipDepth*math.Exp(-d*d)
	})
}

// setKnockLevel chooses the delay level so that the limit at a reference state is the given spark.
func (e *engine) setKnockLevel(ref condition, spark float64) {
	low, high := -40.0, 40.0
	for range 80 {
		e.delayLevel = (low + high) / 2
		if e.knockLimit(&ref) > spark {
			high = e.delayLevel
		} else {
			low = e.delayLevel
		}
	}
}

// peakPressure is the largest cylinder pressure, kPa, with half of the charge burned at phi degrees after top dead
// centre and trapped temperature t.
func (e *engine) peakPressure(c *condition, t, phi float64) float64 {
	share := 1 / (1 + math.Exp((phi-peakMiddle)/peakWidth))
	return e.peakBase * c.manifold * (1 + e.peakHeat*330/t*share) * (1 + camPeak*c.cam)
}

// meanEffectivePressure is the brake mean effective pressure, kPa.
func (e *engine) meanEffectivePressure(c *condition, phi, peak float64) float64 {
	late := (phi - 9) / 62
	efficiency := e.efficiency * (1 - late*late - 0.10*max(0, c.lambda-1) - 0.12*max(0, 0.85-c.lambda))
	energy := airHeatingValue / max(c.lambda, 1)
	piston := 2 * e.strokeMM / 1000 * c.rpm / 60
	friction := 48 + 0.0045*peak + 8*piston + 0.1*piston*piston
	return c.load*loadDensity*energy*efficiency - friction
}

// exhaustTarget is the exhaust gas temperature (°C) the state would settle at.
func (e *engine) exhaustTarget(c *condition, phi, fuelFlow float64) float64 {
	t := 640 + 235*(1-math.Exp(-fuelFlow/9)) + 3.6*(phi-12)
	if c.lambda < 1 {
		t -= 620 * max(0, 0.93-c.lambda)
	}
	return t
}

// airFlow is the mass air flow of the engine, g/s.
func (e *engine) airFlow(rpm, load float64) float64 {
	return load * loadDensity * e.displacementL() * rpm / 120
}

// displacementL is the displacement in litres.
func (e *engine) displacementL() float64 {
	return float64(e.cylinders) * math.Pi / 4 * e.boreMM * e.boreMM * e.strokeMM * 1e-6
}

// What a degree of intake advance does beyond the engine's own table: the valve closes earlier, so that more of the
// stroke compresses, and the overlap keeps more residual gas. Magnitudes: common practice, no source.
const (
	camTravel = 50.0   // degrees, from the parked position
	camWarms  = 0.35   // K of trapped charge a degree
	camPeak   = 0.0015 // of peak pressure a degree
)

// camBreathing is the factor on volumetric efficiency of an intake cam off degrees further advanced than the engine's
// own table has it: a gain at low speed, a loss at high speed, and a loss either way far from it.
func camBreathing(rpm, off float64) float64 {
	return 1 + 0.003*off*clamp((4500-rpm)/2500, -1, 1) - 0.00006*off*off
}

// compressorRise is the temperature rise across the compressor, K. The efficiency falls away from the pressure ratio
// the machine was made for, which the platform file's single number does not know.
func (e *engine) compressorRise(inletK, ratio float64) float64 {
	if ratio <= 1 {
		return 0
	}
	d := ratio - e.bestRatio
	efficiency := e.compressorEfficiency * (1 - 0.18*d*d)
	return inletK * (math.Pow(ratio, 0.2857) - 1) / max(efficiency, 0.3)
}
