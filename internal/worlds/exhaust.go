package worlds

import (
	"math"

	"headroom/models/value"
)

// exhaustForm is a form of the exhaust temperature law.
type exhaustForm string

const (
	exhaustBalance   exhaustForm = "energy balance" // what is neither work nor wall loss, less the port's
	exhaustEmpirical exhaustForm = "empirical"      // Eriksson, SAE 2002-01-0374: a level with flow, spark and mixture
)

// exhaustLaw gives the temperature of the gas at the probe's place, and how a probe trails it.
type exhaustLaw struct {
	form       exhaustForm
	wall, port float64 // shares lost in the cylinder and, per unit of flow to a power, in the port
	scale      float64 // K added, to set the level
	flow       float64 // K a unit of ln flow per litre
	load       float64 // K a unit of load
	speed      float64 // K a 1000 rpm
	late       float64 // K a degree of later phasing
	later      float64 // K a square degree beyond 20°
	rich       float64 // K a unit of lambda, below the kink
	kink       float64 // lambda above which leaner no longer heats
	soak       float64 // share of the gas's rise that comes only as the manifold's walls warm
	wallTime   float64 // s
	probe      float64 // s, of the thermocouple
	probeLoss  float64 // share by which a probe reads low, to the walls
}

// Port losses after Caton and Heywood, Int. J. Heat Mass Transfer 24, 1981: a film whose loss falls with flow. Probes
// of 3 to 6 mm in fast gas take 1 to 3 s; common practice, no source.
func drawExhaust(d dice, form exhaustForm) exhaustLaw {
	return exhaustLaw{form: form, wall: d.between(0.20, 0.28), port: d.between(0.10, 0.22), flow: d.between(40, 90),
		load: d.between(20, 80), speed: d.between(8, 25), late: d.between(3, 6), later: d.between(0, 0.12),
		rich: d.between(400, 750), kink: d.between(0.96, 1.03), soak: d.between(0.05, 0.22), wallTime: d.between(4, 12),
		probe: d.between(1, 3), probeLoss: d.between(0, 0.015)}
}

// settled is the temperature (°C) of the gas with the manifold's walls settled.
func (l *exhaustLaw) settled(e *engine, b *burnLaw, t *torqueLaw, c *charge, f *fired) float64 {
	flow := max(e.airFlow(c.rpm, c.load)/e.litres, 1) // g/s a litre
	if l.form == exhaustEmpirical {
		v := 700 + l.scale + l.flow*value.Ln(flow/40) + l.load*(c.load-1.5) + l.speed*(c.rpm-4000)/1000
		v += l.late*(f.middle-18) + l.later*square(max(0, f.middle-20))
		return v + l.rich*(l.kink-0.85-softplus(l.kink-c.lambda, 0.02))
	}
	// kJ/(kg·K) of hot burned gas at constant pressure
	const heatCapacity = 1.28
	wall := l.wall * math.Pow(c.rpm/3000, -0.25) * (1 - 0.004*clamp(f.middle-b.best, -20, 40)) // late burns are cooler
	left := f.heat * 1000 * (1 - t.inner(b, c, f) - wall) / heatCapacity
	gas := c.temp - 25/c.lambda + left
	walls := 750.0 // K
	gas = walls + (gas-walls)*value.Exp(-l.port*math.Pow(flow/40, -0.35)*3)
	return gas - zeroCelsius + l.scale
}
