package state

import "headroom/models/value"

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

// SettledExhaust is the temperature of the gas, °C, that a probe of first-order lag τ trails: what it reads and τ times
// how fast that moves. NaN where exhaust temperature was not logged, or not twice.
func (p *Platform) SettledExhaust(s *State) float64 {
	r := s.Row
	if p.Probe.Lag == 0 {
		return r.ExhaustTemperature
	}
	return r.ExhaustTemperature + p.Probe.Lag*r.ExhaustRate
}

// SettledByLag is how far SettledExhaust rises for a second more of lag, K/s; 0 where it is not known.
func (p *Platform) SettledByLag(s *State) float64 {
	if p.Probe.Lag == 0 {
		return 0
	}
	return value.Or(s.Row.ExhaustRate, 0)
}
