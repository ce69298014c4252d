package state

import (
	"math"

	"headroom/models/fuelling"
	"headroom/models/value"
)

// leastPressure is the share of feed pressure below which a drooping rail is not followed; common practice, no source.
const leastPressure = 0.1

// Starvation is how much leaner than commanded the mixture gets, λ, if the injectors pass only what the car's pump
// delivers at the pressure asked for: what is burned is short by demand over delivery, λ·(demand/delivered − 1), from
// the pump use on from which rail pressure is seen to fall away. It is the most that a pump alone can cost: a control
// unit lengthens the pulse as pressure falls, and a pump gives more against less pressure, until the pulse fills its
// window; then flow falls with the square root of pressure (Bernoulli; Heywood 1988, sec. 7.2, from memory) and the
// mixture leans by what the window lacks, where that is more. 0 below the knee and where the pump is not described.
func (p *Platform) Starvation(s *State) float64 {
	if p.FuelSystem == nil || !p.FuelSystem.PumpCapacity.Known() || !(s.PumpKnee > 0) {
		return 0
	}
	wanted := *s // as commanded: a mixture that is lean already says what was delivered
	wanted.Lambda = value.Or(s.LambdaCommanded, s.Lambda)
	short := p.PumpUse(&wanted) / s.PumpKnee
	if !(short > 1) {
		return 0
	}
	short = math.Max(short, value.Or(p.windowAt(&wanted, math.Max(leastPressure, 2-short)), 0))
	return wanted.Lambda * (short - 1)
}

// WithStarvedShare is the platform with the share of Starvation that reaches its mixture.
func (p *Platform) WithStarvedShare(share float64) *Platform {
	out := *p
	out.StarvedShare = share
	return &out
}

// starved leans what burns at a state by what its pump costs there more than at another one of the same visit.
func (p *Platform) starved(s, was *State) {
	s.Leaned += p.StarvedShare * (p.Starvation(s) - p.Starvation(was))
}

// burned is the mixture that burns, λ: demand for fuel is that of Lambda.
func (s *State) burned() float64 { return s.Lambda + s.Leaned }

// windowAt is the share of its longest pulse that an injector needs at a share of feed pressure: of the crank window
// for direct injection, of the cycle for port injection. NaN where it cannot be computed.
func (p *Platform) windowAt(s *State, pressure float64) float64 {
	inj, ok := p.injector()
	f, known := p.fuelOf(s)
	if !ok || !known {
		return math.NaN()
	}
	t, err := inj.Pulse(p.fuelMass(s), pressure*p.feedPressure(s), f.Density(), supplyVoltage)
	if err != nil {
		return math.NaN()
	}
	if p.Engine.Injection != "direct" {
		return orNaN(fuelling.Duty(t, s.RPM))
	}
	if p.FuelSystem.UsableWindowDeg == 0 {
		return math.NaN()
	}
	return orNaN(fuelling.WindowUse(t, s.RPM, p.FuelSystem.UsableWindowDeg))
}
