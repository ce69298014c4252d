package worlds

import (
	"math"

	"headroom/internal/metric"
)

const (
	tick       = 0.02 // s, step of the simulation
	coarseTick = 0.1  // s, of what nobody watches
	fullPedal  = 90.0 // %, from which a pull counts
	leanWindow = 0.3  // s, over which true lambda is averaged
)

// session is one car on one day, stepped through time.
type session struct {
	w   *world
	car *car
	cal *calibration
	d   dice
	air air
	has tank

	time, rpm, pedal, road float64
	gear                   int
	throttled              float64 // kPa, behind the throttle when cruising
	turbo                  turbo
	heat                   float64 // K, of the charge cooler
	charge, sensedCharge   float64 // K
	exhaustKPa             float64
	load, airFlow          float64 // fraction, g/s
	target                 float64 // kPa
	cam, camOff            float64
	lambdaCmd, lambda      float64
	path                   lambdaPath
	hotFor, protected      float64 // s, lambda
	tipIn, wander, trim    float64
	spark, sparkCmd        float64
	ear                    ear
	fired                  fired
	severity               float64
	ticks                  int // heard
	last                   integrated
	bmep, torque           float64
	gas, wall, probe       float64 // °C
	coolant, oil           float64 // °C
	fuel                   delivery
	fuelFlow               float64

	inPull, shifting           bool
	luckKnock, luckLambda, day float64
	seen                       func() // called after each step; nil: nobody
	held                       bool   // a stretch at part throttle that counts
}

// begin sets a warm car on the road.
func (w *world) begin(c *car, cal *calibration, a air, has tank, d dice) *session {
	s := &session{w: w, car: c, cal: cal, d: d, air: a, has: has, rpm: 2000, pedal: 15, gear: 4, throttled: 55,
		turbo: turbo{pressure: 55}, heat: d.between(0, 3), coolant: c.warm, oil: c.warm + c.oil, gas: 560, wall: 540,
		probe: 550, lambda: 1, exhaustKPa: a.baro * 1.06, day: 0.4 * d.NormFloat64()}
	s.charge = a.ambient + zeroCelsius + 8
	s.sensedCharge = s.charge
	s.path.fill(1)
	s.ear.since = 9
	s.ear.learned = w.controller.holds * 0.3 * d.Float64()
	return s
}

// step advances everything by some seconds.
func (s *session) step(seconds float64) {
	s.time += seconds
	s.breathe(seconds)
	s.mix(seconds)
	s.ignite(seconds)
	s.warm(seconds)
	if s.seen != nil {
		s.seen()
	}
}

// breathe moves boost and charge temperature and finds the load.
func (s *session) breathe(seconds float64) {
	w, c := s.w, s.car
	if !s.shifting {
		s.road = s.rpm * 2 * math.Pi / 60 / w.engine.ratios[s.gear] * w.engine.wheel * 3.6
	}
	s.target = s.cal.boostTarget(s.rpm, s.pedal)
	open := clamp((s.pedal-20)/60, 0, 1)
	w.boost.step(&s.turbo, &w.engine, c, s.rpm, open, s.throttled, s.target, s.air.baro, s.airFlow, seconds)
	settled := w.cooler.step(&s.heat, c, s.air, s.turbo.pressure/s.air.baro, s.airFlow, w.engine.litres, s.road,
		seconds)
	s.charge += (settled - s.charge) * min(1, seconds/0.6)
	s.sensedCharge += (s.charge - s.sensedCharge) * min(1, seconds/w.cooler.sensor)
	if w.engine.hasCam {
		s.cam = clamp(s.cal.cam.at(s.rpm, s.load*100), 0, 55)
		s.camOff = s.cam - w.camHome(s.rpm, s.load*100)
	}
	s.exhaustKPa = w.engine.exhaustPressure(s.air.baro, s.airFlow)
	ve := w.engine.breathing(s.rpm, s.turbo.pressure, s.exhaustKPa, s.camOff) * c.ve
	s.load = clamp(ve*s.turbo.pressure/(airGas*s.charge)/loadAir, 0.05, 3.5)
	s.airFlow = w.engine.airFlow(s.rpm, s.load)
}

// mix finds what lambda is asked for and what becomes of it.
func (s *session) mix(seconds float64) {
	w, c, m := s.w, s.car, &s.w.mixture
	s.lambdaCmd = s.cal.lambda.at(s.rpm, s.load*100)
	if m.protect > 0 {
		if s.gas > m.guard {
			s.hotFor += seconds
		} else {
			s.hotFor = max(0, s.hotFor-2*seconds)
		}
		aim := 0.0
		if s.hotFor > m.patience {
			aim = m.protect * clamp((s.gas-m.guard)/40, 0, 1)
		}
		s.protected += (aim - s.protected) * min(1, seconds/0.7)
		s.lambdaCmd -= s.protected
	}
	standing := c.lambda + s.luckLambda - (c.injector - 1)
	if !m.senses { // metered for the label's fuel
		standing += stoichiometric(w.fuels[s.cal.fuel].ethanol)/stoichiometric(s.has.ethanol) - 1
	}
	s.tipIn -= s.tipIn * min(1, seconds/0.35)
	s.wander += -s.wander*seconds/0.9 + m.wander*math.Sqrt(2*seconds/0.9)*s.d.NormFloat64()
	share := m.closed
	if s.lambdaCmd > 0.97 {
		share = 0.97
	}
	s.trim = 100*share*standing - 30*s.wander
	meant := s.lambdaCmd * (1 + standing*(1-share) + s.wander + s.tipIn)
	s.fuelFlow = s.airFlow / (meant * stoichiometric(s.has.ethanol))
	s.fuel = w.fuelSystem.deliver(&w.engine, c, s.fuelFlow, s.rpm, s.load, s.turbo.pressure)
	s.lambda = min(1.6, meant*s.fuel.lean)
	s.path.step(m, s.lambda, s.airFlow, seconds)
}

// trapped is the charge as it is.
func (s *session) state() charge {
	return charge{rpm: s.rpm, load: s.load, manifold: s.turbo.pressure, exhaust: s.exhaustKPa, temp: s.charge,
		coolant: s.coolant + zeroCelsius, lambda: s.lambda, tank: s.has, cam: s.camOff, cooling: s.w.cooling}
}

// ignite looks up spark, hears knock and burns.
func (s *session) ignite(seconds float64) {
	w, k := s.w, &s.w.knock
	s.sparkCmd = s.cal.spark.at(s.rpm, s.load*100)
	if s.load > w.controller.deaf {
		s.sparkCmd -= s.ear.learned
	}
	s.spark = s.sparkCmd - s.ear.delivered(&w.controller)
	c := s.state()
	listening := s.load > w.controller.deaf
	if !listening {
		s.fired = s.fire(&c, nil)
		s.ear.listen(&w.controller, s.d, silent, 0, s.rpm, 0, seconds, false)
		s.ticks = 0
	} else {
		luck := s.car.knockLuck(k, s.rpm) + s.luckKnock + k.pull*s.day
		lucky, delay := k.lucky(c, luck), k.delay
		s.ticks++
		switch {
		case delay == nil:
			s.fired = s.fire(&lucky, nil)
			s.severity = k.severity(&lucky, &s.fired, s.spark, luck)
		case s.ticks%2 == 0: // an integral holds for two ticks: less than the pause after a step
			s.fired = s.fire(&lucky, nil)
		case s.last.staysQuiet(k, &lucky, s.spark):
			s.fired, s.severity = s.fire(&lucky, nil), silent
		default:
			s.fired = s.fire(&lucky, delay)
			s.severity = k.severity(&lucky, &s.fired, s.spark, luck)
			s.last = integrated{lucky, s.spark, math.Log(s.fired.auto)}
		}
		s.ear.listen(&w.controller, s.d, s.severity, s.load, s.rpm, float64(w.engine.cylinders), seconds, s.inPull)
		s.spark = s.sparkCmd - s.ear.delivered(&w.controller)
	}
	s.ear.learn(&w.controller, seconds)
	s.bmep = w.torque.bmep(&w.engine, &w.burn, &c, &s.fired) * s.car.torque
	s.torque = s.bmep * w.engine.litres / (4 * math.Pi)
	settled := w.exhaust.settled(&w.engine, &w.burn, &w.torque, &c, &s.fired) + s.car.exhaust
	if s.pedal < 5 {
		settled = 450
	}
	s.wall += (settled - s.wall) * min(1, seconds/w.exhaust.wallTime)
	gas := settled + w.exhaust.soak*(s.wall-settled)
	s.gas += (gas - s.gas) * min(1, seconds/0.15)
	reads := s.gas - w.exhaust.probeLoss*(s.gas-400)
	s.probe += (reads - s.probe) * min(1, seconds/w.exhaust.probe)
}

// fire runs a cycle, without its pressure where nothing asks for that.
func (s *session) fire(c *charge, delay *delayLaw) fired {
	w := s.w
	if delay == nil && w.torque.form != torqueTrace && !(s.seen != nil && s.counts()) {
		return w.engine.phase(&w.burn, c, s.spark)
	}
	return w.engine.fire(&w.burn, c, s.spark, delay)
}

// warm moves coolant and oil: power heats, the radiator cools.
func (s *session) warm(seconds float64) {
	power := max(0, s.torque) * s.rpm * math.Pi / 30000 // kW
	s.coolant += seconds * (s.w.coolantHeat*power*(1+(s.air.ambient-20)/100) - (s.coolant-s.car.warm)/25)
	s.oil += seconds * (s.w.oilHeat*power - (s.oil-s.car.warm-s.car.oil)/70)
}

// value is the true value of a limited metric now. Lambda is the mean in the cylinders over leanWindow; exhaust
// temperature is the gas's, which a probe trails; charge temperature is the gas's; pump use is of the fleet's average
// pump; the rest is what it says.
func (s *session) value(m metric.ID) float64 {
	switch m {
	case metric.Lambda:
		return s.path.mean(leanWindow, tick)
	case metric.InjectorDuty:
		return s.fuel.duty
	case metric.InjectionWindowUse:
		return s.fuel.window
	case metric.PumpUse:
		return s.fuel.use
	case metric.RailShortfall:
		return s.fuel.target - s.fuel.rail
	case metric.ChargeTemperature:
		return s.charge - zeroCelsius
	case metric.CoolantTemperature:
		return s.coolant
	case metric.OilTemperature:
		return s.oil
	case metric.ExhaustTemperature:
		return s.gas
	case metric.PeakPressure:
		return s.fired.peak
	case metric.BMEP:
		return s.bmep
	case metric.BoostOvershoot:
		return s.turbo.pressure - s.target
	case metric.Torque:
		return s.torque
	}
	return math.NaN()
}

// counts reports whether limits count now.
func (s *session) counts() bool { return s.held || s.inPull && s.pedal >= fullPedal }

// cruise holds a speed at part throttle.
func (s *session) cruise(seconds, rpm, throttled, dt float64) {
	s.throttled, s.pedal = throttled, 8+0.15*(throttled-30)
	for end := s.time + seconds; s.time < end; {
		s.rpm += (rpm-s.rpm)*min(1, dt/0.8) + 4*s.d.NormFloat64()*math.Sqrt(dt)
		s.step(dt)
	}
}

// shift changes gear at constant road speed.
func (s *session) shift(gear int) {
	to := clamp(s.rpm*s.w.engine.ratios[gear]/s.w.engine.ratios[s.gear], 1200, 4000)
	s.pedal, s.throttled = 0, 40
	from := s.rpm
	s.shifting = true
	for i := 1; i <= 15; i++ {
		s.rpm = from + (to-from)*float64(i)/15
		s.step(tick)
	}
	s.gear, s.shifting = gear, false
}

// pull drives one full-throttle pull in a gear.
func (s *session) pull(gear int, from, to float64, rest float64) {
	if gear != s.gear {
		s.shift(gear)
	}
	s.cruise(1.2, from, 58, rest)
	s.cruise(0.8, from, 62, tick)
	s.luckKnock = s.w.knock.pull * clamp(s.w.knock.pullLaw.draw(s.d), -5, 3)
	s.luckLambda = s.w.mixture.pull * s.d.NormFloat64()
	s.tipIn, s.inPull = s.w.mixture.tipIn, true
	for began := s.time; s.rpm < to && s.time-began < 22; {
		s.pedal = min(100, s.pedal+450*tick)
		s.rpm += max(50, s.accelerate()) * tick
		s.step(tick)
	}
	s.inPull = false
	s.lift()
}

// lift closes the throttle and lets the engine slow down.
func (s *session) lift() {
	s.throttled = 36
	for s.pedal > 0 || s.rpm > 2900 {
		s.pedal = max(0, s.pedal-600*tick)
		s.rpm = max(1900, s.rpm-1500*tick)
		s.step(tick)
	}
}

// accelerate is the rise of engine speed, rpm/s: Newton's second law along the road, with a tenth lost in the
// driveline.
func (s *session) accelerate() float64 {
	e := &s.w.engine
	ratio := e.ratios[s.gear]
	speed := s.road / 3.6
	force := 0.9*s.torque*ratio/e.wheel - 0.42*speed*speed - 0.013*s.car.mass*9.81
	return force / (s.car.mass * 1.06) * ratio / e.wheel * 30 / math.Pi
}

// usualGear is how often which gear is pulled in.
func usualGear(d dice) int { return oneOf(d, 3, 3, 4, 4, 4, 5) }

// usualPull is a pull as drivers make them.
func (s *session) usualPull(rest float64) {
	from, to := s.d.between(1650, 2150), s.w.engine.redline-s.d.between(0, 500)
	if s.d.chance(0.08) {
		to -= 900 // traffic
	}
	s.pull(usualGear(s.d), from, to, rest)
}
