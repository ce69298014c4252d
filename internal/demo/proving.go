package demo

import (
	"slices"

	"headroom/internal/hazard"
)

// The proving fleet: one in which every hazard can be reached and every kind of change be made. See Options.Proving.

// faulty is what is broken on a car beside what plantFault breaks; the zero value is a sound one.
type faulty struct {
	hotOil   float64 // K above what a sound oil cooler holds
	sticking float64 // share of gauge boost more at which a sticking wastegate comes free
}

// fitted is what parts other than stock do to a car beside factors that every car has; the zero value is stock.
type fitted struct {
	spool          float64 // rpm later that the turbocharger comes in
	reach          float64 // kPa more that it can give
	compressorHeat float64 // share more temperature rise across it
	inletHeat      float64 // K of warmer inlet air
	injector       float64 // share more flow
}

// roles of the cars in a block of 24 of the proving fleet, beside those of every fleet.
const (
	roleThermostat  = 12
	roleIntercooler = 13
	roleOilCooler   = 14
	roleWastegate   = 15
	roleCatalyst    = 16
	roleWorePump    = 17
)

// provingFuels are the fuels that no car of the fleet has run. Octane numbers: common practice, no source.
var provingFuels = []fuelKind{
	{"pump-87", "pump", gasoline{91.5, 82.5, 0.10}, 1},
	{"blend-e50", "blend", gasoline{104, 90, 0.50}, 1},
	{"e85", "ethanol", gasoline{108, 90, 0.82}, 1},
}

// fuels are those of the shop.
func (f *fleet) fuels() []fuelKind {
	if !f.options.Proving {
		return fuels
	}
	return slices.Concat(fuels, provingFuels)
}

// strongestFuel is the shop's fuel that knocks last.
func (f *fleet) strongestFuel() *fuelKind {
	all := f.fuels()
	return &all[len(all)-1]
}

// giveCam gives the engine a moving intake cam: far advanced at low speed and high load, nearly parked at high speed.
func (e *engine) giveCam() {
	e.home = build([]float64{1000, 2000, 3000, 4000, 5000, 6000, 7000}, []float64{40, 80, 120, 160, 200}, 0.5,
		func(rpm, load float64) float64 {
			return clamp(38-0.007*(rpm-1500), 4, 38) * (0.6 + 0.4*clamp((load-40)/80, 0, 1))
		})
}

// prove makes the car one of the proving fleet: it may log its cam, and has the fault of its place in the block. The
// faults show in the car's logs; their sizes are such that its released revision is near a limit, on either side of it.
func (c *car) prove(f *fleet) {
	rng := stream(f.options.Seed, streamProving, uint64(c.index))
	logsCam := rng.Float64() < 0.7
	if len(c.engine.home.x) == 0 || !logsCam {
		c.missing = append(c.missing, camSignal)
	}
	if !f.options.Proving {
		return
	}
	u := rng.Float64()
	plant := func(name, metric string, size float64, unit, say string, shown ...signal) {
		c.faults = append(c.faults, FaultTruth{name, metric, size, unit, say})
		c.missing = slices.DeleteFunc(c.missing, func(s signal) bool { return slices.Contains(shown, s) })
	}
	switch c.index % block {
	case roleThermostat:
		hotter := 13 + 5*u
		c.thermostat += hotter
		plant("failing_thermostat", "coolant_temperature", hotter, "K", "the thermostat opens late")
	case roleIntercooler:
		c.intercooler = 0.75 - 0.2*u
		plant("blocked_intercooler", "charge_temperature", c.intercooler, "share of effectiveness",
			"the intercooler's fins are blocked")
	case roleOilCooler:
		c.hotOil = 35 + 10*u
		plant("blocked_oil_cooler", "oil_temperature", c.hotOil, "K", "the oil runs hot", oilSignal)
	case roleWastegate:
		c.sticking = 0.18 + 0.08*u
		plant("sticking_wastegate", "boost_overshoot", c.sticking, "share of gauge boost",
			"the wastegate comes free late, boost runs past its target", wastegateSignal)
	case roleCatalyst:
		c.exhaustBias = 75 + 30*u
		plant("blocked_catalyst", "exhaust_temperature", c.exhaustBias, "K", "back pressure heats the exhaust",
			exhaustSignal)
	case roleWorePump:
		c.pump = 0.50 - 0.08*u
		plant("weak_fuel_pump", "rail_shortfall", c.pump, "share of rated capacity",
			"rail pressure droops at full flow", railSignal)
	}
}

// faultyFor is the role of the car whose fault leads to a hazard; false where a hazard needs no fault.
func faultyFor(h hazard.ID) (role int, ok bool) {
	switch h {
	case hazard.CoolantTemperature:
		return roleThermostat, true
	case hazard.ChargeTemperature:
		return roleIntercooler, true
	case hazard.OilTemperature:
		return roleOilCooler, true
	case hazard.BoostControl:
		return roleWastegate, true
	case hazard.ExhaustTemperature:
		return roleCatalyst, true
	case hazard.RailPressure:
		return roleWorePump, true
	}
	return 0, false
}

// part is a part that a proposed revision names, with what it does to the engine: magnitudes are common practice, no
// source. u is uniform on 0–1, n standard normal, both the proposal's.
type part struct {
	item, name string
	u, n       float64
	fit        func(c *car, u, n float64)
}

// parts are those that a proposed revision may name. Injection data of another injector or of an airflow meter in
// another pipe are a few percent off, which moves lambda for as long as the part is in.
var parts = []part{
	{item: "turbo", name: "larger", fit: func(c *car, u, _ float64) {
		c.spool, c.reach, c.compressorHeat = 450+350*u, 60, -0.05-0.07*u
		c.ve *= 1.01 + 0.02*u
		c.exhaustBias -= 10
	}},
	{item: "turbo", name: "smaller", fit: func(c *car, u, _ float64) {
		c.spool, c.reach, c.compressorHeat = -150-100*u, -25*u, 0.20+0.35*u
		c.ve *= 0.99
		c.exhaustBias += 20 + 25*u
	}},
	{item: "injectors", name: "larger", fit: func(c *car, u, n float64) {
		c.injector = 0.2 + 0.3*u
		c.lambdaError += 0.04 * n
	}},
	{item: "injectors", name: "smaller", fit: func(c *car, u, n float64) {
		c.injector = -0.12 - 0.2*u
		c.lambdaError += 0.03 * n
	}},
	{item: "intake", name: "open", fit: func(c *car, u, n float64) {
		c.ve *= 1.015 + 0.025*u
		c.inletHeat = 3 + 9*u
		c.lambdaError += 0.02 + 0.03*n
	}},
	{item: "intercooler", name: "larger", fit: func(c *car, u, _ float64) { c.intercooler *= 1.06 + 0.08*u }},
	{item: "intercooler", name: "smaller", fit: func(c *car, u, _ float64) { c.intercooler *= 0.9 - 0.3*u }},
	{item: "fuel pump", name: "larger", fit: func(c *car, u, _ float64) { c.pump *= 1.2 + 0.2*u }},
	{item: "exhaust", name: "cat-back", fit: func(c *car, u, _ float64) {
		c.ve *= 1 + 0.01*u
		c.exhaustBias -= 8 * u
	}},
}

// carOf is the car as the proposed revision is made for it.
func (ch *change) carOf(c *car) *car {
	if ch.fuel == nil && ch.part == nil {
		return c
	}
	as := *c
	if ch.fuel != nil {
		as.fuel = ch.fuel
	}
	if p := ch.part; p != nil {
		p.fit(&as, p.u, p.n)
	}
	return &as
}
