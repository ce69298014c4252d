package state

import (
	"math"

	"headroom/models/value"
)

// ProbeLag is how long, in seconds, an exhaust temperature probe trails the gas, as a first-order lag. Told and SD are
// what was known of it before it was fitted to the course of whole pulls.
type ProbeLag struct {
	Lag         float64
	Told, SD    float64
	Cars, Pulls int // of which logs show it; 0 where none do
}

// WithProbe is the platform with a lag of its exhaust temperature probes.
func (p *Platform) WithProbe(l ProbeLag) *Platform {
	out := *p
	out.Probe = l
	return &out
}

// AsRead is the platform with readings as logs have them: what a log is said to have shown is in the log.
func (p *Platform) AsRead() *Platform { return p.WithProbe(ProbeLag{}) }

// leastSettled is the share of the way from what it read at the start of a pull that a probe must have come for a
// reading to say where it would settle; common practice, no source.
const leastSettled = 0.3

// SettledExhaust is the exhaust temperature, °C, that a probe would settle at: a probe of first-order lag τ that read
// T₀ when the pull began and T after t seconds has come 1 − exp(−t/τ) of the way to the mean gas temperature of the
// last seconds, weighed as it weighs them. NaN where exhaust temperature was not logged, or so early in a pull that the
// probe has hardly moved.
func (p *Platform) SettledExhaust(s *State) float64 {
	r := s.Row
	if p.Probe.Lag == 0 {
		return r.ExhaustTemperature
	}
	left := math.Exp(-r.Into / p.Probe.Lag)
	if 1-left < leastSettled {
		return math.NaN()
	}
	return r.ExhaustTemperature + left/(1-left)*r.ExhaustRise
}

// SettledByLag is how far SettledExhaust rises for a second more of lag, K/s; 0 where it is not known.
func (p *Platform) SettledByLag(s *State) float64 {
	if p.Probe.Lag == 0 {
		return 0
	}
	tau := p.Probe.Lag
	left := math.Exp(-s.Row.Into / tau)
	return value.Or(s.Row.ExhaustRise*left*s.Row.Into/(tau*tau*(1-left)*(1-left)), 0)
}
