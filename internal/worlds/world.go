package worlds

import (
	"fmt"
	"math"
	"time"
)

// Forms says which forms a fleet drew. Each is drawn independently of the others.
type Forms struct {
	Knock    string `json:"knock"`
	CarLuck  string `json:"car_luck"`  // of knock
	PullLuck string `json:"pull_luck"` // of knock
	Control  string `json:"knock_control"`
	Memory   bool   `json:"knock_memory"` // the control unit learns retard
	Burn     string `json:"burn"`
	Shape    string `json:"burn_shape"`
	Torque   string `json:"torque"`
	Exhaust  string `json:"exhaust"`
	Boost    string `json:"boost"`
	Cooler   string `json:"charge_cooler"`
	Pedal    bool   `json:"boost_by_pedal"`
	Direct   bool   `json:"direct_injection"`
	Protects bool   `json:"component_protection"`
	Closed   bool   `json:"closed_loop"`
	Cam      bool   `json:"intake_cam"`
	BurnFile string `json:"burn_section"` // of the platform file: "wrong" or "none"
	Climate  bool   `json:"climate"`      // headroom.yaml gives the places' weather
}

// world is one fleet with all that is true of it.
type world struct {
	seed    uint64
	forms   Forms
	planted float64 // share of cars asked to drift

	engine     engine
	burn       burnLaw
	knock      knockLaw
	controller controller
	torque     torqueLaw
	exhaust    exhaustLaw
	boost      boostLaw
	cooler     coolLaw
	mixture    mixtureLaw
	fuelSystem fuelSystem
	fuels      []fuel
	octaneK    float64 // true weight of sensitivity
	places     []place
	loggers    []logger
	limits     []limit
	cooling    float64 // K, of evaporating fuel

	coolantHeat, oilHeat float64 // K/s a kW

	base []*calibration // by fuel
	cars []*car

	keep func(path string, content []byte) error // takes the logs as they are driven; nil: they are not written
}

var (
	historyStart = time.Date(2025, 2, 1, 0, 0, 0, 0, time.UTC)
	historyEnd   = time.Date(2026, 8, 1, 0, 0, 0, 0, time.UTC)
)

var platformNames = []string{"basalt", "flint", "gneiss", "slate", "marl", "chert", "tuff", "schist"}

// invent draws a fleet and drives its history. Logs go to keep, which may be nil.
func invent(o Options, keep func(path string, content []byte) error) (*world, error) {
	if o.Cars == 0 {
		o.Cars = DefaultCars
	}
	if o.Cars < 4 {
		return nil, fmt.Errorf("a fleet of %d cars is too small to set its limits by: ask for 4 or more", o.Cars)
	}
	w := drawWorld(o.Seed)
	w.keep = keep
	for i := range o.Cars {
		w.cars = append(w.cars, w.drawCar(i))
	}
	w.plant(o.Planted)
	if len(w.sample(4)) == 0 {
		return nil, fmt.Errorf("seed %d: each of %d cars has an oddity: ask for more cars", o.Seed, o.Cars)
	}
	w.settleSpark()
	w.setLimits()
	return w, onAll(len(w.cars), func(i int) error {
		return w.drawHistory(w.cars[i])
	})
}

// drawWorld draws forms and constants, without cars.
func drawWorld(seed uint64) *world {
	d := newDice(seed, diceForms)
	w := &world{seed: seed}
	knock := oneOf(d, knockStages, knockSingle, knockEmpirical)
	burn := oneOf(d, burnFlame, burnFactors)
	torque := oneOf(d, torqueWillans, torqueTrace)
	exhaust := oneOf(d, exhaustBalance, exhaustEmpirical)
	boost := oneOf(d, boostFirst, boostSecond)
	cool := oneOf(d, coolCore, coolEmpirical)
	control := oneOf(d, stepFixed, stepGrows)
	pedal, protects, closed := d.chance(0.4), d.chance(0.5), d.chance(0.5)
	burnFile, climate := "wrong", d.chance(0.5)
	if d.chance(0.25) {
		burnFile = "none"
	}
	memory := d.chance(0.5)

	d = newDice(seed, diceFleet)
	w.engine = drawEngine(d, fmt.Sprintf("%s-%d", oneOf(d, platformNames...), 10+d.IntN(80)))
	w.burn, w.knock, w.controller = drawBurn(d, burn), drawKnock(d, knock), drawController(d, control, memory)
	w.torque, w.exhaust = drawTorque(d, torque), drawExhaust(d, exhaust)
	w.boost, w.cooler = drawBoost(d, boost), drawCooler(d, cool)
	w.mixture = drawMixture(d, closed, protects)
	w.fuels, w.places = drawFuels(d), drawPlaces(d)
	w.octaneK = d.between(-0.6, 0.3)
	w.cooling = d.between(6, 12)
	if w.engine.direct {
		w.cooling = d.between(14, 24)
	}
	w.coolantHeat, w.oilHeat = d.between(0.003, 0.007), d.between(0.003, 0.009)
	w.loggers = drawLoggers(newDice(seed, diceLoggers), w.engine.hasCam)
	w.forms = Forms{Knock: string(knock), CarLuck: string(w.knock.carLaw), PullLuck: string(w.knock.pullLaw),
		Control: string(control), Memory: memory, Burn: string(burn), Shape: string(w.burn.shape),
		Torque: string(torque), Exhaust: string(exhaust), Boost: string(boost), Cooler: string(cool), Pedal: pedal,
		Direct: w.engine.direct, Protects: protects, Closed: closed, Cam: w.engine.hasCam, BurnFile: burnFile,
		Climate: climate}
	w.drawTables(d)
	return w
}

// camHome is the intake cam's place in the base tables, ° of advance.
func (w *world) camHome(rpm, load float64) float64 {
	return w.engine.camHome * clamp(load/100, 0.3, 1) * clamp((6500-rpm)/4000, 0.1, 1)
}

// typical is the charge of an average warm engine at a breakpoint, on a mild day. Pressure follows from load.
func (w *world) typical(rpm, load, lambda float64, fuel int) charge {
	f := &w.fuels[fuel]
	c := charge{rpm: rpm, load: load / 100, temp: zeroCelsius + 28 + 12*clamp(load/100-0.8, 0, 2), coolant: 365,
		lambda: lambda, tank: tank{f.ron - w.octaneK*(f.ron-f.mon), f.ethanol}, cooling: w.cooling}
	c.exhaust = w.engine.exhaustPressure(100, w.engine.airFlow(rpm, c.load))
	c.manifold = 100 * c.load
	for range 6 {
		ve := w.engine.breathing(rpm, c.manifold, c.exhaust, 0)
		c.manifold = clamp(c.load*loadAir*airGas*c.temp/ve, 15, 400)
	}
	return c
}

// middling is a car without luck.
func (w *world) middling() *car {
	return &car{id: "middling", ve: 1, injector: 1, pump: 1, cooler: 1, reach: 1, torque: 1, warm: 89, oil: 4,
		mass: w.engine.mass, injectors: 1, pattern: [2]float64{0, math.Pi}}
}
