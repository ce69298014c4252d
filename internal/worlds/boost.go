package worlds

import "math"

// boostForm is a form of boost control and spool.
type boostForm string

const (
	// pressure follows at a rate; what can be had is a curve of speed
	boostFirst boostForm = "first order, spool by speed"
	// pressure swings; a shaft runs up on exhaust flow, so gear tells
	boostSecond boostForm = "second order, shaft"
)

// boostLaw is turbocharger and its control.
type boostLaw struct {
	form      boostForm
	lag       float64 // s, of the first-order form
	own, damp float64 // rad/s and damping ratio, of the second-order form
	spool     float64 // rpm of half boost, or of the flow that gives it
	width     float64 // rpm
	shaft     float64 // s at that flow
	most      float64 // largest pressure ratio
	falls     float64 // share of it lost by the redline
	creep     float64 // pressure ratio that an open wastegate leaves at the redline
	valve     float64 // % duty a unit of pressure ratio
}

// drawBoost draws a turbocharger: pressure ratios of 2.3 to 2.9 at most, half boost at 1700 to 2300 rpm, natural
// frequencies of 4 to 8 rad/s; common practice, no source.
func drawBoost(d dice, form boostForm) boostLaw {
	return boostLaw{form: form, lag: d.between(0.12, 0.4), own: d.between(4, 8), damp: d.between(0.5, 0.9),
		spool: d.between(1650, 2250), width: d.between(130, 320), shaft: d.between(0.25, 0.7),
		most: d.between(2.35, 2.9), falls: d.between(0.05, 0.25), creep: d.between(1.15, 1.4), valve: d.between(35, 60)}
}

// turbo is the state of the turbocharger.
type turbo struct {
	pressure float64 // kPa, in the manifold
	rise     float64 // kPa/s
	shaft    float64 // share of full speed
	duty     float64 // % of the control valve
}

// can is the highest pressure ratio to be had.
func (l *boostLaw) can(t *turbo, e *engine, c *car, rpm float64) float64 {
	spun := t.shaft
	if l.form == boostFirst {
		spun = logistic((rpm - l.spool - c.spool) / l.width)
	}
	most := (l.most - 1) * (1 - l.falls*square(rpm/e.redline)) * c.reach
	return 1 + most*spun
}

// step moves the turbocharger with full pedal by share open, between the pressure of the throttle and the target.
func (l *boostLaw) step(t *turbo, e *engine, c *car, rpm, open, throttled, target, baro, airFlow, seconds float64) {
	half := e.airFlow(l.spool+c.spool, 1.15) // g/s
	if l.form == boostSecond {
		goal := logistic(5.5 * (airFlow/half - 1))
		t.shaft += (goal - t.shaft) * min(1, seconds/(l.shaft*clamp(half/max(airFlow, 1), 0.3, 4)))
	}
	can := baro * l.can(t, e, c, rpm)
	floor := baro * (1 + (l.creep-1)*square(rpm/e.redline))
	goal := throttled + open*(max(min(target+c.boost, can), min(floor, can))-throttled)
	if l.form == boostFirst || open == 0 {
		t.rise = 0
		t.pressure += (goal - t.pressure) * min(1, seconds/l.lag)
	} else {
		t.rise += seconds * (square(l.own)*(goal-t.pressure) - 2*l.damp*l.own*t.rise)
		t.pressure += seconds * t.rise
	}
	t.pressure = clamp(t.pressure, 22, 400)
	wanted := l.valve*(target/baro-1)*(1+0.2*square(rpm/e.redline)) + c.valve
	if target > can {
		wanted = 100
	}
	t.duty += (clamp(wanted*math.Min(1, open), 0, 100) - t.duty) * min(1, seconds/0.3)
}
