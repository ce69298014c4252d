package worlds

import (
	"math"

	"headroom/models/value"
)

// delayForm is a form of the end gas's autoignition delay.
type delayForm string

const (
	delaySingle delayForm = "single stage" // Douaud and Eyzat, SAE 780080, with other constants
	delayStages delayForm = "three stages" // Yates, Bell and Swarts, SAE 2005-01-2083: cool flame, what follows it, hot
)

// delayLaw is an autoignition delay over pressure, temperature and octane index.
type delayLaw struct {
	form   delayForm
	level  float64 // ln of a factor on the rate, set by setLevel
	stages [3]delayStage
}

// delayStage is a delay in ms: exp(size)·(octane/95)^octane·(p/4 MPa)^−pressure·exp(heat·(1/T − 1/800 K)).
type delayStage struct{ size, octane, pressure, heat float64 }

// delayRate is the inverse of a delay law for one octane number.
type delayRate struct {
	law   *delayLaw
	level float64    // the factor of law.level
	base  [3]float64 // ln of each stage at the reference pressure and temperature
}

func (l *delayLaw) of(octane float64) delayRate {
	r := delayRate{law: l, level: value.Exp(l.level)}
	o := value.Ln(octane / 95)
	for i := range l.stages {
		r.base[i] = l.stages[i].size + l.stages[i].octane*o
	}
	return r
}

// log is ln of a stage's delay in ms.
func (r *delayRate) log(stage int, logP, inverseT float64) float64 {
	s := &r.law.stages[stage]
	return r.base[stage] - s.pressure*logP + s.heat*inverseT
}

var logReference = value.Ln(4000) // kPa

// at is the rate, 1/ms. logP is ln of kPa.
func (r *delayRate) at(logP, tempK float64) float64 {
	p, t := logP-logReference, 1/tempK-1.0/800
	first := r.log(0, p, t)
	if r.law.form == delaySingle {
		return value.Exp(r.law.level - first)
	}
	cool := value.Exp(first) + value.Exp(r.log(1, p, t))
	return r.level * (1/cool + value.Exp(-r.log(2, p, t)))
}

// drawDelay draws constants. Single stage: Douaud and Eyzat have octane 3.402, pressure 1.7, heat 3800 K; other engines
// gave pressure exponents of 1.2 to 2 and 3200 to 5000 K (from memory). Three stages: signs and magnitudes follow what
// Yates and others describe: a cool flame of strong temperature and little pressure dependence, a second stage that
// slows as it gets hotter, a hot stage; numbers chosen, no source.
func drawDelay(d dice, form delayForm) delayLaw {
	l := delayLaw{form: form}
	if form == delaySingle {
		l.stages[0] = delayStage{1.1, d.between(2.8, 4.6), d.between(1.2, 2.0), d.between(3200, 5200)}
		return l
	}
	l.stages[0] = delayStage{d.between(-1.3, -0.5), d.between(1.5, 3), d.between(0, 0.3), d.between(6000, 9500)}
	l.stages[1] = delayStage{d.between(0.7, 1.3), d.between(4.5, 7), d.between(1.6, 2.2), -d.between(500, 3000)}
	l.stages[2] = delayStage{d.between(2.1, 3), d.between(2, 4), d.between(1.0, 1.4), d.between(10000, 14000)}
	return l
}

// knockForm is a form of the knock law.
type knockForm string

const (
	knockStages    knockForm = "integral, three stages"
	knockSingle    knockForm = "integral, single stage"
	knockEmpirical knockForm = "empirical"
)

// knockLaw says how near a charge is to knock.
type knockLaw struct {
	form   knockForm
	delay  *delayLaw // nil for the empirical law
	spread float64   // of single cycles: of ln of the integral, or degrees of spark
	limit  empiricalLimit

	car, pull       float64 // standard deviations: octane numbers, or degrees for the empirical law
	carLaw, pullLaw luckLaw
	pattern         float64 // of a car over speed, in the same unit
}

// empiricalLimit is the spark at which every second cycle knocks, as a surface with kinks. Slopes span what rigs show
// for boosted engines: 0.6 to 1 degree an octane number, 0.1 to 0.3 degrees a kelvin of charge, 15 to 30 degrees for a
// doubled charge (common practice, no source).
type empiricalLimit struct {
	level               float64
	bumps               [3]bump
	byLoad, more, heavy float64 // degrees a unit of ln load; more of it beyond a load
	skew                float64 // of the two slopes together
	byHeat, warm        float64 // degrees a kelvin beyond a temperature (K)
	byOctane            float64
	byRichness          float64
	byCoolant, byCam    float64
}

// bump is a hump over engine speed.
type bump struct{ rpm, width, height float64 }

func drawKnock(d dice, form knockForm) knockLaw {
	k := knockLaw{form: form, carLaw: oneOf(d, luckLaws...), pullLaw: oneOf(d, luckLaws...)}
	if form == knockEmpirical {
		k.spread = d.between(0.5, 1.0)
		k.car, k.pull, k.pattern = d.between(0.8, 1.6), d.between(0.4, 0.8), d.between(0.2, 0.6)
		k.limit = drawLimit(d)
		return k
	}
	law := drawDelay(d, map[knockForm]delayForm{knockStages: delayStages, knockSingle: delaySingle}[form])
	k.delay, k.spread = &law, d.between(0.04, 0.08)
	k.car, k.pull, k.pattern = d.between(1.0, 2.2), d.between(0.5, 1.1), d.between(0.2, 0.7)
	return k
}

func drawLimit(d dice) empiricalLimit {
	l := empiricalLimit{byLoad: d.between(16, 26), more: d.between(0, 14), heavy: d.between(1.3, 1.9),
		skew: d.between(-2, 2), byHeat: d.between(0.12, 0.32), warm: zeroCelsius + d.between(15, 50),
		byOctane: d.between(0.55, 1.0), byRichness: d.between(20, 60), byCoolant: d.between(0.02, 0.12),
		byCam: d.between(0, 0.12)}
	for i := range l.bumps {
		l.bumps[i] = bump{d.between(1500, 7000), d.between(500, 1400), d.between(-2.5, 2.5)}
	}
	return l
}

// at is the limit, degrees before top dead centre.
func (l *empiricalLimit) at(c *charge) float64 {
	heavy := value.Ln(max(c.load, 0.15) / 1.6)
	v := l.level + 3.2*(c.rpm-3000)/1000 - l.byLoad*heavy - l.more*softplus(value.Ln(c.load/l.heavy), 0.05)
	v -= l.skew * heavy * (c.rpm - 3000) / 1000
	for i := range l.bumps {
		b := &l.bumps[i]
		z := (c.rpm - b.rpm) / b.width
		if z > -4 && z < 4 {
			v += b.height * value.Exp(-z*z)
		}
	}
	v -= l.byHeat*softplus(c.temp-l.warm, 4) + l.byCoolant*(c.coolant-363) + l.byCam*c.cam
	v += l.byOctane * 40 * (1 - value.Exp(-(c.tank.octane-92)/40))
	return v + l.byRichness*math.Pow(max(0, 1.02-c.lambda), 1.4)
}

// severity is how far, in spreads of single cycles, a charge is beyond the state in which every second cycle knocks.
// Luck is in the law's own unit, positive is good. f is the cycle fired with the law's delay.
func (k *knockLaw) severity(c *charge, f *fired, spark, luck float64) float64 {
	if k.delay == nil {
		return (spark - k.limit.at(c) - luck) / k.spread
	}
	return value.Ln(max(f.auto, 1e-12)) / k.spread
}

// lucky is the charge as luck makes it: for the integrals luck is octane.
func (k *knockLaw) lucky(c charge, luck float64) charge {
	if k.delay != nil {
		c.tank.octane += luck
	}
	return c
}

// integrated is a cycle whose knock integral was worked out. The zero value is none.
type integrated struct {
	charge
	spark float64
	auto  float64 // ln of the integral
}

// staysQuiet reports whether another cycle is certain to be too quiet to be heard, without its knock integral: that
// cannot have grown enough since.
func (i *integrated) staysQuiet(k *knockLaw, c *charge, spark float64) bool {
	return i.rpm != 0 && i.auto+i.mostGrowth(c, spark) < inaudible*k.spread
}

// mostGrowth is more than ln of the integral of another cycle is larger, in any drawn world.
func (i *integrated) mostGrowth(c *charge, spark float64) float64 {
	return 4*math.Abs(c.load/i.load-1) + 2*math.Abs(c.rpm/i.rpm-1) + 0.2*math.Abs(spark-i.spark) +
		0.05*math.Abs(c.temp-i.temp) + 0.025*math.Abs(c.coolant-i.coolant) + 5*math.Abs(c.lambda-i.lambda) +
		0.1*math.Abs(c.tank.octane-i.tank.octane) + 0.05*math.Abs(c.cam-i.cam) +
		2*math.Abs(c.manifold/i.manifold-1) + 2*math.Abs(c.exhaust/i.exhaust-1)
}

// borderline is the spark at which an average engine knocks in a cycle of some five hundred.
func (k *knockLaw) borderline(e *engine, b *burnLaw, c *charge) float64 {
	const seldom = -2.9
	low, high := -25.0, 60.0
	for range 30 {
		mid := (low + high) / 2
		f := e.fire(b, c, mid, k.delay)
		if k.severity(c, &f, mid, 0) > seldom {
			high = mid
		} else {
			low = mid
		}
	}
	return (low + high) / 2
}

// setLevel chooses the law's level so that the borderline at a reference state is a spark.
func (k *knockLaw) setLevel(e *engine, b *burnLaw, c *charge, spark float64) {
	if k.delay == nil {
		k.limit.level = 0
		k.limit.level = spark - k.borderline(e, b, c)
		return
	}
	low, high := -12.0, 12.0
	for range 40 {
		k.delay.level = (low + high) / 2
		if k.borderline(e, b, c) > spark {
			low = k.delay.level
		} else {
			high = k.delay.level
		}
	}
}
