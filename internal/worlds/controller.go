package worlds

import "math"

// stepForm is how the control unit answers knock.
type stepForm string

const (
	stepFixed stepForm = "fixed step"
	stepGrows stepForm = "step by loudness" // twice the step for a loud cycle
)

// controller is the ignition's knock control.
type controller struct {
	form      stepForm
	step      float64 // °
	recovery  float64 // °/s
	quantum   float64 // ° of which delivered retard is a multiple; 0: none
	deaf      float64 // load below which it does not listen
	refract   float64 // s before the next step
	most      float64 // ° at most
	learns    float64 // share of retard that memory takes over, a second
	holds     float64 // ° at most in memory
	falsely   float64 // false steps a second above 3000 rpm
	tolerated float64 // ° of the shop's rule
}

// Steps of 0.75 to 3 degrees and recoveries of 0.3 to 2.5 degrees a second: common practice, no source.
func drawController(d dice, form stepForm, memory bool) controller {
	k := controller{form: form, step: round(d.between(0.75, 3), 0.25), recovery: round(d.between(0.4, 2.5), 0.1),
		deaf: d.between(0.5, 0.8), refract: d.between(0.05, 0.12), most: 12, falsely: d.between(0, 0.006)}
	if form == stepGrows {
		k.step = min(k.step, 2)
	}
	if d.chance(0.5) {
		k.quantum = oneOf(d, 0.25, 0.375, 0.75)
	}
	if memory {
		k.learns, k.holds = d.between(0.005, 0.03), d.between(1, 3)
	}
	return k
}

// ear is what the control unit holds.
type ear struct {
	retard, learned, since float64
	heard                  bool // a step was taken at this tick
}

// delivered is the retard that the ignition takes off.
func (h *ear) delivered(k *controller) float64 {
	if k.quantum == 0 {
		return h.retard
	}
	return math.Ceil(h.retard/k.quantum-1e-9) * k.quantum
}

// inaudible is the severity up to which no cycle is heard; silent is one that is certainly below.
const (
	inaudible = -6.0
	silent    = -99.0
)

// listen gives back, hears what is loud enough and steps. Cycles differ from each other normally, so that severity, in
// spreads of single cycles, gives their share.
func (h *ear) listen(k *controller, d dice, severity, load, rpm, cylinders, seconds float64, pull bool) {
	h.heard = false
	back := min(h.retard, k.recovery*seconds)
	h.retard -= back
	h.since += seconds
	if h.since < k.refract || load < k.deaf {
		return
	}
	quiet := 1.0
	if severity > inaudible {
		quiet = math.Pow(1-normalShare(severity), rpm/120*seconds*cylinders)
	}
	if pull && rpm > 3000 {
		quiet *= 1 - k.falsely*seconds
	}
	if quiet == 1 || d.Float64() < quiet {
		return
	}
	size := k.step
	if k.form == stepGrows && severity > 0 {
		size *= 2
	}
	h.retard, h.since, h.heard = min(k.most, h.retard+size), 0, true
}

// learn moves some retard to memory over a stretch of driving, and lets memory fade without any.
func (h *ear) learn(k *controller, seconds float64) {
	if k.learns == 0 {
		return
	}
	h.learned = clamp(h.learned+seconds*k.learns*(h.retard-0.15*h.learned), 0, k.holds)
}
