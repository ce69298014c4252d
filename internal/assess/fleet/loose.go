package fleet

import (
	"math"

	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// What a guessed section of the platform file adds to the errors of quantities, which were set for data sheets; common
// practice, no source.
const (
	guessedFlow     = 0.20 // of injector flow, relative: on the level of duty and window use before a pulse was logged
	guessedCapacity = 0.30 // of pump capacity, relative
	guessedAirPath  = 1.7  // times the error of a change that goes through charge
)

// LooseChange is how the metric's predictor changes at a state for one deviation of each number of the platform file
// that combustion rests on.
func (m *Quantity) LooseChange(p *state.Platform, s *state.State) (d [state.NumLoose]float64) {
	if m.SparkSD == 0 { // the cycle model has no part in it
		return d
	}
	x := m.Predictor(p, s)
	for k, c := range p.Loosened(s) {
		moved := *s
		moved.Simulated = s.Simulated.Plus(c)
		d[k] = value.Or(m.Predictor(p, &moved)-x, 0)
	}
	return d
}

// looseStates is how many states a mean of LooseChange is taken over, evenly through those there are; it is smooth over
// the operating range, and each state costs two cycles a number.
const looseStates = 400

// meanLoose is the mean of LooseChange over states, relative to the predictor or not: what a level learned at these
// states takes away of it.
func (m *Quantity) meanLoose(p *state.Platform, states []*state.State, relative bool) (mean [state.NumLoose]float64) {
	n := 0.0
	for i := 0; i < len(states); i += 1 + len(states)/looseStates {
		scale := 1.0
		if relative {
			scale = m.Predictor(p, states[i])
		}
		for k, d := range m.LooseChange(p, states[i]) {
			mean[k] += d / scale
		}
		n++
	}
	for k := range mean {
		mean[k] /= n
	}
	return mean
}

// guessed is the deviation that a guessed section adds to the level of a computed metric before any measurement.
func (m *Quantity) guessed(p *state.Platform) float64 {
	if (m.ID == metric.InjectorDuty || m.ID == metric.InjectionWindowUse) && fuelGuessed(p) {
		return guessedFlow
	}
	return 0
}

// FileSD is the relative deviation of a computed metric that its own measurements do not take away, because what is
// measured of it is computed with the same number of the platform file: pump use, by a guessed capacity. What logs show
// of the capacity narrows it.
func (f *Fleet) FileSD(m *Quantity) float64 {
	if m.ID != metric.PumpUse || !fuelGuessed(f.Platform) {
		return 0
	}
	for i := range f.Checks {
		if c := &f.Checks[i]; c.Key == metric.PumpCapacity {
			return c.narrowed(guessedCapacity)
		}
	}
	return guessedCapacity
}

// narrowed is the relative deviation of a guess after what logs show: two normal errors weighed by their precision
// where logs bound it on both sides; the normal distribution truncated at the lower bound where they bound it on one
// (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, 1994, sec. 13.10.1).
func (c *FileCheck) narrowed(guess float64) float64 {
	low, high := c.Interval[0], c.Interval[1]
	switch {
	case low.Known() && high.Known():
		shown := math.Log(float64(high/low)) / (2 * 1.96)
		return guess * shown / math.Hypot(guess, shown)
	case low.Known():
		a := math.Log(float64(low/c.Says)) / guess
		hazard := math.Exp(-a*a/2) / math.Sqrt(2*math.Pi) / value.NormalCDF(-a)
		return guess * math.Sqrt(1+hazard*(a-hazard))
	}
	return guess
}

// RestSD is ChangeSD on a platform: larger where the air path that turns boost into charge is guessed.
func (m *Quantity) RestSD(p *state.Platform) float64 {
	if p.AirPath != nil && p.AirPath.Known == workspace.Guess && m.ID != metric.Lambda {
		return guessedAirPath * m.ChangeSD
	}
	return m.ChangeSD
}

func fuelGuessed(p *state.Platform) bool {
	return p.FuelSystem != nil && p.FuelSystem.Known == workspace.Guess
}
