package demo

import (
	"math"
	"math/rand/v2"
)

const (
	tick        = 0.02 // s, step of the simulation
	cellRPM     = 500  // grid on which knock is counted for the truth file: the tool's default cells
	cellLoad    = 20
	lambdaLag   = 0.25  // s, exhaust gas on its way to the sensor
	falseKnock  = 0.004 // events a second
	heatFrom    = 45.0  // °C, charge temperature above which the control unit takes spark out by itself
	heatRetard  = 0.12  // degrees a K
	wheelRadius = 0.31  // m
)

var gearRatio = map[int]float64{3: 5.9, 4: 4.6, 5: 3.7} // overall, crankshaft to wheel

// session is one car on one day, stepped through time: the invented vehicle and its control unit.
type session struct {
	car  *car
	eng  *engine
	cal  *revision
	rng  *rand.Rand
	tank gasoline

	ambientK, baro float64
	gate           float64 // share of gauge boost at which a stuck wastegate lets go
	spike          float64 // kPa by which the boost loop passes its target all day
	knockOffset    float64
	leak           float64
	stuckCoolant   bool

	time, rpm, pedal   float64
	gear               int
	road               float64 // km/h
	shifting           bool
	manifold, rise     float64 // kPa, kPa/s
	target             float64 // boost target, kPa
	charge, soak       float64 // K, K of heat soaked into the intercooler
	coolant, oil       float64 // °C
	cam                float64 // ° of intake cam advance
	camOff             float64 // ° from where the engine's own table has it
	exhaust            float64 // °C
	load               float64 // fraction
	lambda, lambdaCmd  float64
	spark, sparkCmd    float64
	retard, sinceKnock float64
	fuelFlow, airFlow  float64 // g/s
	peak, bmep, torque float64
	pulse, duty        float64 // ms, %
	window, pumpUse    float64 // %
	pumpShare          float64 // of what this car's pump can really do
	rail, railTarget   float64 // kPa
	wastegate          float64 // %
	shortTrim          float64 // %
	tipIn              float64 // lean spike after the pedal goes down
	wander             float64 // slow error of lambda
	smoothLambda       float64
	cruiseManifold     float64

	inPull      bool
	held        bool // a part-throttle stretch that is watched
	pullKnock   float64
	pullLambda  float64
	bandKnock   [18]float64 // degrees, by band of 400 rpm
	lambdaQueue [int(lambdaLag/tick + 0.5)]float64
	queueAt     int
	sensed      float64 // lambda at the sensor
	sensedHeat  float64 // °C, charge temperature at the sensor

	tally *tally        // nil: not counted
	watch *watch        // nil: not watched
	write func(float64) // called after each step with the time; nil: not logged
}

// tally counts cells of pulls and those with a knock event, as the tool's evidence would.
type tally struct {
	cells, events  int
	rpmBin, ldBin  int
	heard, started bool
}

func (t *tally) visit(rpm, load float64) {
	r, l := int(rpm)/cellRPM, int(load*100)/cellLoad
	if t.started && r == t.rpmBin && l == t.ldBin {
		return
	}
	t.close()
	t.rpmBin, t.ldBin, t.started = r, l, true
}

func (t *tally) close() {
	if t.started {
		t.cells++
		if t.heard {
			t.events++
		}
	}
	t.started, t.heard = false, false
}

// newSession sets the car on the road, warm, in fourth gear.
func newSession(c *car, cal *revision, l *logPlan, rng *rand.Rand) *session {
	s := &session{
		car: c, eng: c.engine, cal: cal, rng: rng, tank: l.tank,
		ambientK: l.ambient + zeroCelsius, baro: l.baro,
		knockOffset: c.offsetAt(l.date), leak: c.leakAt(l.date), stuckCoolant: l.stuckCoolant,
		rpm: 2100, pedal: 22, road: 60, gear: 4, manifold: 65, cruiseManifold: 65,
		coolant: c.thermostat, oil: c.thermostat + 2 + c.hotOil, exhaust: 520, lambda: 1, sensed: 1, smoothLambda: 1,
		sinceKnock: 9,
		soak:       2 + 2*rng.Float64(),
	}
	for i := range s.lambdaQueue {
		s.lambdaQueue[i] = 1
	}
	s.charge = s.ambientK + 10
	s.sensedHeat = s.charge - zeroCelsius
	return s
}

// cruise holds a speed at part throttle for a while.
func (s *session) cruise(seconds, rpm, manifold float64) {
	s.pedal, s.cruiseManifold = 12+0.22*(manifold-30), manifold
	for end := s.time + seconds; s.time < end; {
		s.rpm += (rpm-s.rpm)*tick/0.7 + 3*s.rng.NormFloat64()*math.Sqrt(tick)
		s.step()
	}
}

// warmUp is the road before the first pull of a run.
func (s *session) warmUp() {
	s.cruise(9+4*s.rng.Float64(), 2200+400*s.rng.Float64(), 55+20*s.rng.Float64())
}

// rest is the road from one pull to the next.
func (s *session) rest() {
	s.lift()
	s.cruise(6+4*s.rng.Float64(), 2000+700*s.rng.Float64(), 50+30*s.rng.Float64())
}

// shift changes gear in 0.3 s at constant road speed.
func (s *session) shift(gear int) {
	const ticks = 15
	matched := max(1300, s.rpm*gearRatio[gear]/gearRatio[s.gear])
	s.pedal, s.cruiseManifold, s.shifting = 10, 45, true
	for range ticks {
		s.rpm += (matched - s.rpm) / ticks * 2
		s.step()
	}
	s.rpm, s.gear, s.shifting = matched, gear, false
}

// drawLuck draws what differs from pull to pull.
func (s *session) drawLuck() {
	s.pullKnock = 0.6 * s.rng.NormFloat64()
	s.pullLambda = 0.004 * s.rng.NormFloat64()
	for i := range s.bandKnock {
		s.bandKnock[i] = 0.5 * s.rng.NormFloat64()
	}
}

// pull drives one full-throttle pull in a gear from start to end rpm.
func (s *session) pull(gear int, start, end float64) {
	s.shift(gear)
	s.cruise(1.8, start, 60)
	s.drawLuck()
	if s.car.sticking > 0 {
		s.gate = s.car.sticking * (1 + 0.15*s.rng.NormFloat64())
	}
	s.tipIn, s.inPull = 0.02, true
	for began := s.time; s.rpm < end && s.time-began < 25; {
		s.pedal = min(100, s.pedal+tick*400)
		s.rpm += s.accelerate() * tick
		s.step()
	}
	s.inPull = false
	if s.tally != nil {
		s.tally.close()
	}
}

// lift takes the foot off and lets the engine slow down.
func (s *session) lift() {
	for s.pedal > 0 || s.rpm > 3200 {
		s.pedal = max(0, s.pedal-tick*500)
		s.cruiseManifold = 38
		s.rpm = max(2000, s.rpm-1700*tick)
		s.step()
	}
}

// accelerate is the rise of engine speed in rpm a second: torque against inertia, drag and rolling.
func (s *session) accelerate() float64 {
	const wheel, efficiency = wheelRadius, 0.9
	g := gearRatio[s.gear]
	speed := s.rpm * math.Pi / 30 / g * wheel
	force := s.torque*efficiency*g/wheel - 0.4*speed*speed - 200
	return max(60, force/s.car.mass*g/wheel*30/math.Pi)
}

// step advances everything by one tick.
func (s *session) step() {
	s.time += tick
	if !s.shifting {
		s.road = s.rpm * math.Pi / 30 / gearRatio[s.gear] * wheelRadius * 3.6
	}
	s.breathe()
	s.mix()
	s.ignite()
	s.deliver()
	s.warm()
	if s.watched() {
		if s.tally != nil {
			s.tally.visit(s.rpm, s.load)
		}
		if s.watch != nil {
			s.watch.see(s)
		}
	}
	if s.write != nil {
		s.write(s.time)
	}
}

// watched reports whether limits count: in a pull at full pedal, or in a held stretch.
func (s *session) watched() bool { return s.held || s.inPull && s.pedal >= 90 }

// breathe moves manifold pressure towards its target and heats the charge.
func (s *session) breathe() {
	if s.cal.boostByPedal {
		s.target = s.cal.boost.at(s.rpm, s.pedal)
	} else {
		s.target = s.cal.boost.at(s.rpm, 0)
	}
	open := clamp((s.pedal-25)/60, 0, 1)
	goal := s.cruiseManifold
	if open > 0 {
		can := s.baro + (150+s.car.reach)/(1+math.Exp(-(s.rpm-1450-s.car.spool)/220))
		goal = s.cruiseManifold + open*(min(s.target-5*s.leak+s.spike+s.stuckGate(), can)-s.cruiseManifold)
	}
	const own, damping = 5.5, 0.62           // rad/s: the boost loop, a little underdamped
	fastest := 60 + 0.05*(s.rpm-s.car.spool) // kPa/s
	if open == 0 {
		fastest = 300
	}
	s.rise += tick * (own*own*(goal-s.manifold) - 2*damping*own*s.rise)
	s.rise = clamp(s.rise, -fastest, fastest)
	s.manifold = clamp(s.manifold+tick*s.rise, 25, 320)

	s.wastegate = clamp(18+s.car.wastegate+0.42*(s.manifold-100)*open+22*s.leak*open+0.0012*(s.rpm-3500)*open, 0, 98)

	hot := s.eng.compressorRise(s.ambientK, s.manifold/s.baro) * (1 + s.car.compressorHeat)
	effect := clamp(s.eng.intercooler*s.car.intercooler, 0, 0.97)
	settled := s.ambientK + 4 + s.soak + hot*(1-effect) + 3*s.leak + s.car.inletHeat
	s.charge += (settled - s.charge) * tick / 1.2
	power := max(0, s.torque) * s.rpm * math.Pi / 30 / 1000 // kW
	s.soak += tick * (0.0065*power - s.soak/45)

	ve := s.eng.ve.at(s.rpm, 0) * s.car.ve * (1 + 0.0002*(s.manifold-180))
	s.phase()
	ve *= camBreathing(s.rpm, s.camOff)
	s.load = ve * density(s.manifold, s.charge) / loadDensity
}

// stuckGate is how far, kPa, a wastegate that sticks lets boost run past its target until it comes free, once a pull.
func (s *session) stuckGate() float64 {
	over := s.gate * max(0, s.target-100)
	if s.manifold > s.target+0.8*over {
		s.gate, over = 0, 0
	}
	return over
}

// phase moves the intake cam, where there is one, as far as it goes.
func (s *session) phase() {
	if len(s.cal.cam.x) == 0 {
		return
	}
	s.cam = clamp(s.cal.cam.at(s.rpm, s.load*100), 0, camTravel)
	s.camOff = s.cam - s.eng.home.at(s.rpm, s.load*100)
}

// mix sets lambda: the table, the component rule, and what the fuel system and the engine make of it.
func (s *session) mix() {
	s.lambdaCmd = s.cal.lambda.at(s.rpm, s.load*100)
	if s.lambdaCmd < 1 {
		s.lambdaCmd -= 0.02 * clamp((s.exhaust-905)/40, 0, 1) // enrich to protect hot parts
	}
	s.tipIn -= s.tipIn * tick / 0.3
	s.wander += -s.wander*tick/0.8 + 0.006*math.Sqrt(2*tick/0.8)*s.rng.NormFloat64()
	lean := 1.0
	if s.pumpShare > 1 {
		lean = 1 + 0.35*(s.pumpShare-1)
	}
	s.lambda = s.lambdaCmd * (1 + s.car.lambdaError + s.pullLambda + s.wander + s.tipIn) * lean
	s.shortTrim += -s.shortTrim*tick/1.5 + 1.4*math.Sqrt(2*tick/1.5)*s.rng.NormFloat64()
	s.smoothLambda += (s.lambda - s.smoothLambda) * tick / 0.15
	s.lambdaQueue[s.queueAt], s.sensed = s.lambda, s.sensed+(s.lambdaQueue[s.queueAt]-s.sensed)*tick/0.06
	s.queueAt = (s.queueAt + 1) % len(s.lambdaQueue)
}

// ignite looks spark up, hears knock, and burns.
func (s *session) ignite() {
	c := condition{rpm: s.rpm, load: s.load, manifold: s.manifold, charge: s.charge, coolant: s.coolant + zeroCelsius,
		lambda: s.lambda, fuel: s.tank, cam: s.camOff}
	s.sparkCmd = s.cal.spark.at(s.rpm, s.load*100)
	if s.load > 1 {
		s.sparkCmd -= s.car.learned
	}
	s.sparkCmd -= heatRetard * max(0, s.sensedHeat-heatFrom)
	s.retard = max(0, s.retard-s.eng.recovery*tick)
	s.spark = s.sparkCmd - s.retard
	s.sinceKnock += tick
	angle, trapped := s.eng.burnAngle(s.rpm, s.load, s.lambda), s.eng.trapped(&c)
	if s.load > 0.6 {
		s.listen(angle - s.eng.knockPhasing(&c, trapped))
	}
	phi := angle - s.spark
	s.peak = s.eng.peakPressure(&c, trapped, phi) * s.car.pressure
	s.bmep = s.eng.meanEffectivePressure(&c, phi, s.peak) * s.car.torque
	s.torque = s.bmep * s.eng.displacementL() / (4 * math.Pi)
	goal := s.eng.exhaustTarget(&c, phi, s.fuelFlow) + s.car.exhaustBias
	if s.pedal < 5 {
		goal = 480
	}
	s.exhaust += (goal - s.exhaust) * tick / 1.8
}

// listen lets the engine knock, cycle by cycle, and the control unit answer with a step of retard.
// typical is the limit of an average car in this state.
func (s *session) listen(typical float64) {
	limit := typical + s.knockOffset + s.pullKnock + s.bandKnock[min(int(s.rpm)/400, len(s.bandKnock)-1)]
	if s.spark < limit-20*knockRateScale && !s.inPull { // too quiet to ever be heard
		return
	}
	cycles := s.rpm / 120 * tick
	rate := cycles / referenceCycles * math.Exp(min((s.spark-limit)/knockRateScale, 8))
	if s.inPull && s.rpm > 3500 {
		rate += falseKnock * tick
	}
	if s.sinceKnock < 0.12 || s.rng.Float64() >= -math.Expm1(-rate) {
		return
	}
	s.retard = min(s.retard+s.eng.step, 12)
	s.spark = s.sparkCmd - s.retard
	s.sinceKnock = 0
	if s.tally != nil && s.inPull {
		s.tally.heard = true
	}
}

// deliver works out what the fuel system has to do.
func (s *session) deliver() {
	s.airFlow = s.eng.airFlow(s.rpm, s.load)
	s.fuelFlow = s.airFlow / (s.lambda * s.tank.stoichiometricRatio())
	grams := s.fuelFlow / float64(s.eng.cylinders) / (s.rpm / 120) // a stroke
	s.railTarget = s.manifold + s.eng.ratedKPa
	if s.eng.direct {
		s.railTarget = clamp(8000+6500*s.load, 8000, 18000)
	}
	share := s.fuelFlow / s.eng.pump.at(s.railTarget-s.portOffset(), 0)
	s.pumpUse = 100 * share // of what the pump is rated for: a weak pump shows as a shortfall of rail pressure
	s.pumpShare = share / s.car.pump
	droop := max(0, s.pumpShare-0.93)
	s.rail = s.railTarget * (1 - 0.9*droop - 0.004)
	pressure := max(50, s.rail-s.portOffset())
	flow := s.eng.injectorCC / 60 * densityFuel * math.Sqrt(pressure/s.eng.ratedKPa) / 1000 // g/ms
	flow *= 1 + s.car.injector
	s.pulse = grams/flow + s.eng.deadTime
	s.duty = 100 * s.pulse * s.rpm / 120000
	if s.eng.direct {
		s.window = 100 * s.pulse * s.rpm * 0.006 / s.eng.window
	}
}

// portOffset is the pressure the injector works against: the manifold for port injection.
func (s *session) portOffset() float64 {
	if s.eng.direct {
		return 0
	}
	return s.manifold
}

// warm moves the slow temperatures.
func (s *session) warm() {
	power := max(0, s.torque) * s.rpm * math.Pi / 30 / 1000
	s.coolant += tick * (0.006*power - (s.coolant-s.car.thermostat)/18)
	s.oil += tick * (0.007*power - (s.oil-s.car.thermostat-3-s.car.hotOil)/60)
	s.sensedHeat += (s.charge - zeroCelsius - s.sensedHeat) * tick / 0.5
}
