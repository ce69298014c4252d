package worlds

import "math"

// fuelSystem is injectors and pump as they truly are.
type fuelSystem struct {
	direct      bool
	flow        float64 // cm³/min, one injector at the rated pressure
	rated       float64 // kPa
	dead        float64 // ms
	window      float64 // ° of crank that direct injection may use
	capacity    float64 // g/s, of the pump at its base pressure
	sag         float64 // share of capacity lost at twice the base pressure
	base        float64 // kPa
	knee, slope float64 // of rail pressure against the share of capacity used
	starve      float64 // share of capacity beyond which fuel is missing
}

// delivery is what the fuel system does at an instant.
type delivery struct {
	target, rail float64 // kPa absolute
	use          float64 // % of the average pump's capacity
	pulse        float64 // ms
	duty, window float64 // %
	lean         float64 // factor on lambda of what is missing
}

// drawFuelSystem sizes injectors and pump for a largest fuel flow (g/s): shares of 70 to 95 % at the top are common
// practice, no source.
func drawFuelSystem(d dice, e *engine, most float64) fuelSystem {
	s := fuelSystem{direct: e.direct, dead: d.between(0.6, 1.1), rated: 300, base: 400,
		window: round(d.between(200, 280), 5), sag: d.between(0.1, 0.3), knee: d.between(0.85, 0.97),
		slope: d.between(0.3, 0.9), starve: d.between(0.98, 1.1), capacity: most / d.between(0.66, 0.88)}
	perStroke := most / float64(e.cylinders) / (e.redline / 120) // g
	ms := d.between(0.66, 0.85) * 120000 / e.redline
	if e.direct {
		s.rated, s.base, s.dead = 10000, 15000, d.between(0.2, 0.4)
		ms = d.between(0.6, 0.8) * s.window / (0.006 * e.redline)
	}
	pressure := 1.0
	if e.direct {
		pressure = math.Sqrt(1.7)
	}
	s.flow = perStroke / ((ms - s.dead) / 60000) / gasolineDensity / pressure
	return s
}

// pressure is what the rail is to hold, kPa absolute: direct injection by load, port injection above the manifold.
func (s *fuelSystem) pressure(load, manifold float64) float64 {
	if s.direct {
		return clamp(6000+7000*load, 6000, 20000)
	}
	return manifold + s.rated
}

// limit is what the average pump delivers at a pressure, g/s.
func (s *fuelSystem) limit(rail float64) float64 {
	return s.capacity * max(0.2, 1-s.sag*(rail-s.base)/s.base)
}

// deliver works out a demand of fuel (g/s). Beyond its knee the pump lets rail pressure sag in a line; beyond starving,
// or with injectors held open as long as they may, fuel is missing. Injector flow goes with the square root of pressure
// (Bernoulli).
func (s *fuelSystem) deliver(e *engine, c *car, demand, rpm, load, manifold float64) delivery {
	d := delivery{target: s.pressure(load, manifold), lean: 1}
	behind := manifold
	if s.direct {
		behind = 0
	}
	share := demand / s.limit(d.target-behind)
	d.use = 100 * share
	share /= c.pump
	d.rail = d.target - (d.target-behind)*min(0.7, s.slope*softplus(share-s.knee, 0.01))
	if share > s.starve {
		d.lean = share / s.starve
	}
	across := max(50, d.rail-behind)
	flow := s.flow * c.injectors * gasolineDensity / 60000 * math.Sqrt(across/s.rated) // g/ms
	grams := demand / float64(e.cylinders) / (rpm / 120)
	d.pulse = grams/flow + s.dead
	longest := 0.99 * 120000 / rpm
	if s.direct {
		longest = 1.1 * s.window / (0.006 * rpm)
	}
	if d.pulse > longest {
		d.lean *= (d.pulse - s.dead) / (longest - s.dead)
		d.pulse = longest
	}
	d.duty = 100 * d.pulse * rpm / 120000
	if s.direct {
		d.window = 100 * d.pulse * rpm * 0.006 / s.window
	}
	return d
}
