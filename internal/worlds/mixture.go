package worlds

import "math"

// mixtureLaw is what becomes of commanded lambda on its way to the cylinder and to the sensor.
type mixtureLaw struct {
	closed    float64 // share of a standing error that control takes out at full load
	protect   float64 // lambda by which hot parts are protected, at most
	guard     float64 // °C of modelled exhaust temperature at which that begins
	patience  float64 // s before it does
	pipe      float64 // s of gas transport at 50 g/s, falling with flow
	sensor    float64 // s, lag of the sensor
	tipIn     float64 // lambda of the lean spike when the pedal goes down
	wander    float64 // standard deviation of its slow wander
	senses    bool    // the control unit knows the ethanol share
	pull, car float64 // standard deviations of errors from pull to pull and car to car
	carLaw    luckLaw
}

// Wideband sensors take 0.05 to 0.25 s, gas 0.1 to 0.4 s to them; common practice, no source.
func drawMixture(d dice, closed, protects bool) mixtureLaw {
	m := mixtureLaw{patience: d.between(1, 4), pipe: d.between(0.08, 0.3), sensor: d.between(0.05, 0.2),
		tipIn: d.between(0, 0.035), wander: d.between(0.003, 0.008), senses: d.chance(0.4),
		pull: d.between(0.002, 0.006), car: d.between(0.005, 0.011), carLaw: oneOf(d, luckLaws...)}
	if closed {
		m.closed = d.between(0.5, 0.95)
	}
	if protects {
		m.protect = d.between(0.02, 0.06)
	}
	return m
}

// lambdaPath is the gas between the valves and the sensor.
type lambdaPath struct {
	past   [64]float64 // true lambda by tick
	at     int
	sensed float64
}

func (p *lambdaPath) fill(lambda float64) {
	for i := range p.past {
		p.past[i] = lambda
	}
	p.sensed = lambda
}

// step takes in a tick's lambda and moves the sensor, which sees what left the engine a while ago.
func (p *lambdaPath) step(m *mixtureLaw, lambda, airFlow, seconds float64) {
	p.at = (p.at + 1) % len(p.past)
	p.past[p.at] = lambda
	delay := clamp(m.pipe*math.Sqrt(50/max(airFlow, 5)), 0, 1)
	back := min(int(delay/seconds+0.5), len(p.past)-1)
	seen := p.past[(p.at-back+len(p.past))%len(p.past)]
	p.sensed += (seen - p.sensed) * min(1, seconds/m.sensor)
}

// mean is the true lambda over the last part of a second.
func (p *lambdaPath) mean(window, seconds float64) float64 {
	n := max(1, min(int(window/seconds+0.5), len(p.past)))
	sum := 0.0
	for i := range n {
		sum += p.past[(p.at-i+len(p.past))%len(p.past)]
	}
	return sum / float64(n)
}
