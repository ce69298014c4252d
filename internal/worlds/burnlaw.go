package worlds

import (
	"math"

	"headroom/models/value"
)

// charge is what is trapped in a cylinder.
type charge struct {
	rpm      float64
	load     float64 // absolute load as a fraction
	manifold float64 // kPa absolute
	exhaust  float64 // kPa absolute, behind the valves
	temp     float64 // K, in the manifold
	coolant  float64 // K
	lambda   float64
	tank     tank
	cam      float64 // ° of intake advance beyond the engine's own
	cooling  float64 // K that evaporating gasoline takes from the charge at stoichiometry
}

// residual is the share of burned gas left behind, by the clearance volume at exhaust pressure and temperature:
// Heywood 1988, eq. 5.47 without its valve overlap.
func (e *engine) residual(c *charge) float64 {
	const left = 1150.0 // K
	return clamp(c.exhaust/c.manifold*c.temp/left/e.compression*1.1, 0.01, 0.25)
}

// trapped is the temperature (K) when the intake valve closes: warmed by walls and residual gas, cooled by the fuel
// that evaporates. Ethanol takes some 2.6 times the heat of gasoline a kilogram, and more of it is burned: Heywood
// 1988, table D.4.
func (e *engine) trapped(c *charge) float64 {
	x := e.residual(c)
	t := c.temp + 0.12*(c.coolant-c.temp) - c.cooling/c.lambda*(1+3*c.tank.ethanol)
	return t*(1-x) + 1150*x*0.8 + e.camHeat*c.cam
}

// burnForm is how burn angles move with the state.
type burnForm string

const (
	burnFlame   burnForm = "flame speed" // Hires, Tabaczynski and Novak, SAE 780232
	burnFactors burnForm = "factors"     // products of factors, after Csallner, thesis, TU München 1981
)

// burnShape is the course of the burn.
type burnShape string

const (
	shapeWiebe  burnShape = "wiebe"  // Wiebe, with an exponent of its own: Heywood 1988, eq. 9.27
	shapeCosine burnShape = "cosine" // half a cosine: Heywood 1988, section 9.2.3
)

// burnLaw says when the charge burns.
type burnLaw struct {
	form          burnForm
	shape         burnShape
	exponent      float64 // of the Wiebe function
	lag, duration float64 // ° from spark to burn, and of burn, at 3000 rpm, 160 % and lambda 0.88
	best          float64 // ° after top dead centre of half burned for the most torque
	speed, dense  float64 // of the factors
	mixture       float64
	late          float64                // share of the duration more a degree of later burning
	reference     float64                // flame speed at the reference state
	half          float64                // share of the duration at which half has burned
	course        [burnSteps + 1]float64 // share burned, by share of the duration
}

const burnSteps = 200

// Half burned 7 to 10° after top dead centre gives the most torque (Heywood 1988, section 9.2.2); lags and durations
// are those of boosted road engines, common practice, no source.
func drawBurn(d dice, form burnForm) burnLaw {
	b := burnLaw{form: form, shape: oneOf(d, shapeWiebe, shapeCosine), exponent: d.between(1.5, 2.6),
		lag: d.between(5, 9), duration: d.between(40, 56), best: d.between(7, 10), speed: d.between(0.25, 0.45),
		dense: d.between(0.08, 0.25), mixture: d.between(3, 8), late: d.between(0, 0.01)}
	if b.shape == shapeCosine { // which starts faster and ends at once
		b.lag, b.duration = b.lag+5, 0.85*b.duration
	}
	b.reference, b.half = flameSpeed(0.88, 0.03), b.reach(0.5)
	for i := range b.course {
		b.course[i] = b.share(float64(i) / burnSteps)
	}
	return b
}

// flameSpeed is the laminar flame speed of gasoline at standard state, cm/s: Rhodes and Keck, SAE 850047, with their
// dilution term (from memory).
func flameSpeed(lambda, residual float64) float64 {
	phi := 1 / lambda
	return (30.5 - 54.9*square(phi-1.21)) * (1 - 2.06*math.Pow(residual, 0.77))
}

// angles are the degrees from spark to the beginning of the burn, and of the burn.
func (b *burnLaw) angles(e *engine, c *charge, spark float64) (lag, duration float64) {
	if b.form == burnFactors {
		f := (1 - b.speed + b.speed*c.rpm/3000) * (1 + b.mixture*(square(c.lambda-0.86)-square(0.02))) *
			(1 - b.dense*(clamp(c.load, 0.2, 2.5)-1.6)/1.6)
		return b.lag * f, b.slowed(b.lag*f-spark, b.duration*f)
	}
	slower := math.Cbrt(square(b.reference / max(8, flameSpeed(c.lambda, e.residual(c)))))
	f := math.Cbrt(c.rpm/3000) * slower
	return b.lag * f, b.slowed(b.lag*f-spark, b.duration*f)
}

// slowed is a duration as it grows for a burn that begins late, into a volume that opens.
func (b *burnLaw) slowed(start, duration float64) float64 {
	return duration * (1 + b.late*clamp(start+duration/2-10, -15, 40))
}

// burned is share from the table.
func (b *burnLaw) burned(share float64) float64 {
	switch {
	case share <= 0:
		return 0
	case share >= 1:
		return 1
	}
	at := share * burnSteps
	i := int(at)
	return b.course[i] + (at-float64(i))*(b.course[i+1]-b.course[i])
}

// share is the share of the charge burned at a share of the duration.
func (b *burnLaw) share(share float64) float64 {
	if b.shape == shapeCosine {
		return (1 - math.Cos(math.Pi*share)) / 2
	}
	return 1 - value.Exp(-5*math.Pow(share, b.exponent+1))
}

// reach is the share of the duration at which a share of the charge has burned.
func (b *burnLaw) reach(burned float64) float64 {
	if b.shape == shapeCosine {
		return math.Acos(1-2*burned) / math.Pi
	}
	return math.Pow(-math.Log1p(-burned)/5, 1/(b.exponent+1))
}

// middle is the crank angle, after top dead centre, of half burned.
func (b *burnLaw) middle(e *engine, c *charge, spark float64) float64 {
	lag, duration := b.angles(e, c, spark)
	return lag - spark + duration*b.half
}

// bestSpark is the spark for the most torque.
func (b *burnLaw) bestSpark(e *engine, c *charge) float64 {
	spark := 15.0
	for range 12 { // the middle moves by 1 to 1.3 degrees a degree of spark
		spark += 0.85 * (b.middle(e, c, spark) - b.best)
	}
	return spark
}

// fired is what one average cycle came to.
type fired struct {
	middle float64 // ° after top dead centre, half burned
	peak   float64 // kPa
	work   float64 // kPa, indicated mean effective pressure of compression and expansion
	auto   float64 // knock integral of the end gas
	heat   float64 // MJ of fuel energy released per kg of charge
}

const (
	squeeze, stretch = 1.32, 1.28 // polytropic exponents: Heywood 1988, section 9.3
	chargeHeat       = 0.98       // kJ/(kg·K) at constant volume, burning losses to the walls included
	crankStep        = 2.0        // degrees
	endGasUntil      = 0.93       // of the charge burned: then what is left is at the walls
)

// fire runs one cycle: an analytic pressure trace between the compression polytrope and an expansion one that starts
// from burning at constant volume, where that is moved with combustion phasing (Eriksson and Andersson,
// SAE 2002-01-0371). The knock integral is Livengood and Wu's (1955) over that trace, where a delay law is given.
func (e *engine) fire(b *burnLaw, c *charge, spark float64, delay *delayLaw) fired {
	lag, duration := b.angles(e, c, spark)
	start := lag - spark
	f, mass, clearance := e.burnt(b, c, start, duration)
	trapped := e.trapped(c)
	closed := e.logVol(e.ivc)
	logClosed := value.Ln(mass * airGas * trapped / (clearance * value.Exp(closed)))

	at := e.logVol(clamp(f.middle-b.best, -40, 90))
	top := trapped * value.Exp((squeeze-1)*(closed-at))
	logTop := logClosed + squeeze*(closed-at) + value.Ln((top+f.heat*1000/chargeHeat)/top)

	perStep := crankStep / (6 * c.rpm) * 1000 // ms
	end := min(start+duration, 130)
	before := start - 3*crankStep
	compress, expand := value.Exp(logClosed+squeeze*closed), value.Exp(logTop+stretch*at)
	work := polytropic(logClosed, closed, logClosed+squeeze*(closed-e.logVol(before)), e.logVol(before), squeeze)
	volume, pressure := atDegree(&e.volume, before), 0.0
	var rate delayRate
	if delay != nil {
		rate = delay.of(c.tank.octane)
	}
	for deg := before; deg < end; deg += crankStep {
		middle := deg + crankStep/2
		x := b.burned((middle - start) / duration)
		p := compress * atDegree(&e.squeezed, middle)
		if x > 0 {
			p += x * (expand*atDegree(&e.stretched, middle) - p)
		}
		if p > f.peak {
			f.peak = p
		}
		next := atDegree(&e.volume, deg+crankStep)
		work += p * (next - volume)
		volume, pressure = next, p
		if delay != nil && x < endGasUntil {
			l := value.Ln(p)
			f.auto += perStep * rate.at(l, trapped*value.Exp((squeeze-1)/squeeze*(l-logClosed)))
		}
	}
	opened, left := e.logVol(e.evo), value.Ln(volume)
	logEnd := value.Ln(pressure)
	if opened > left {
		work += polytropic(logEnd, left, logEnd-stretch*(opened-left), opened, stretch)
	}
	f.work = work / (e.compression - 1)
	return f
}

// phase is fire without the trace: neither peak nor work nor knock integral.
func (e *engine) phase(b *burnLaw, c *charge, spark float64) fired {
	lag, duration := b.angles(e, c, spark)
	f, _, _ := e.burnt(b, c, lag-spark, duration)
	return f
}

// burnt is when and what a charge burns, with its mass (g) and the clearance volume (l).
func (e *engine) burnt(b *burnLaw, c *charge, start, duration float64) (f fired, mass, clearance float64) {
	clearance = e.litres / float64(e.cylinders) / (e.compression - 1)
	air := c.load * loadAir * clearance * (e.compression - 1)
	fuelMass := air / (c.lambda * stoichiometric(c.tank.ethanol))
	mass = (air + fuelMass) / (1 - e.residual(c))
	f = fired{middle: start + duration*b.half}
	f.heat = fuelMass * heatValue(c.tank.ethanol) * 0.95 * completeness(c.lambda) / mass
	return f, mass, clearance
}

// completeness is the share of the fuel's heat that rich burning releases for want of air: read off Heywood 1988,
// figure 3.9 (about 0.75 at an equivalence ratio of 1.2 and 0.65 at 1.3).
func completeness(lambda float64) float64 { return min(1, 1.35*lambda-0.35) }

// polytropic is the work of a polytrope between two states, in pressure times clearance volumes.
func polytropic(logP, logV, nextP, nextV, n float64) float64 {
	return (value.Exp(logP+logV) - value.Exp(nextP+nextV)) / (n - 1)
}
