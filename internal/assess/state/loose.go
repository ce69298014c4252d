package state

import (
	"math"

	"headroom/internal/workspace"
	"headroom/models/cycle"
	"headroom/models/value"
)

// NumLoose is how many numbers of the platform file enter combustion with an error: ignition lag, burn duration,
// compression ratio and friction, in this order.
const NumLoose = 4

// Errors of what a section states by how it is known; what is not listed carries none of its own, because the errors
// of what is computed from it (fleet.Quantity) were set for data sheets. Common practice, no source.
var (
	ratioErrors    = map[workspace.Known]float64{workspace.Guess: 1}    // of the compression ratio
	frictionErrors = map[workspace.Known]float64{workspace.Guess: 0.25} // of all friction, relative
)

// loose is a number known with an error: the cycle model with it moved up and down, and by how many deviations these
// lie apart. Both are nil for a number without an error.
type loose struct {
	up, down *cycle.Engine
	apart    float64
}

// loosened is what a platform says combustion at a state changes by.
type loosened struct {
	by     *Platform
	change [NumLoose]Simulated
}

// buildLoose makes the moved cycle models. A move that the model refuses is left out: the other side then serves.
func (p *Platform) buildLoose() {
	p.loose = [NumLoose]loose{}
	a := p.Angles
	moved := func(change func(c *cycle.Config, by float64), low, at, high, sd float64) (l loose) {
		if sd == 0 {
			return l
		}
		for _, by := range []float64{min(sd, high-at), -min(sd, at-low)} {
			c := p.cycleConfig(p.burnPoint, a)
			change(&c, by)
			e, err := cycle.New(c)
			if err != nil || by == 0 {
				e, by = p.Cycle, 0
			}
			if l.up == nil {
				l.up, l.apart = e, by/sd
			} else {
				l.down, l.apart = e, l.apart-by/sd
			}
		}
		if l.apart == 0 {
			return loose{}
		}
		return l
	}
	p.loose[0] = moved(func(c *cycle.Config, by float64) { c.Burn.Lag += by }, 1, a.Lag, 45, a.LagSD)
	p.loose[1] = moved(func(c *cycle.Config, by float64) { c.Burn.Duration += by }, 10, a.Duration, 120, a.DurationSD)
	ratio := p.Engine.CompressionRatio
	p.loose[2] = moved(func(c *cycle.Config, by float64) { c.Geometry.CompressionRatio += by }, 5, ratio, 25,
		ratioErrors[p.Engine.Known])
	friction := 0.0
	if p.Friction != nil {
		friction = frictionErrors[p.Friction.Known]
	}
	p.loose[3] = moved(func(c *cycle.Config, by float64) {
		f := &c.Friction
		f.Constant, f.PeakPressure = f.Constant*(1+by), f.PeakPressure*(1+by)
		f.Speed, f.SpeedSquared = f.Speed*(1+by), f.SpeedSquared*(1+by)
	}, -1, 0, 1, friction)
}

// Loosened is what combustion at a state changes by for one deviation of each loose number; zero for a number without
// an error. The state must have been simulated; it keeps the answer, since every metric of combustion asks. Under a
// stress pressure and torque are taken to change by the same share as without it, exhaust temperature by as much, which
// leaves a margin's deviation within a tenth and saves eight cycles a state; Alone asks for those.
func (p *Platform) Loosened(s *State) [NumLoose]Simulated {
	if s.calm != nil {
		return p.loosenedUnder(s)
	}
	if s.loosened == nil || s.loosened.by != p {
		s.loosened = &loosened{by: p, change: p.loosen(s)}
	}
	return s.loosened.change
}

// Alone is a state under a stress by itself: what is asked of it is worked out there.
func (s *State) Alone() State {
	out := *s
	out.calm, out.loosened = nil, nil
	return out
}

func (p *Platform) loosenedUnder(s *State) [NumLoose]Simulated {
	change := p.Loosened(s.calm)
	now, was := &s.Simulated, &s.calm.Simulated
	share := func(now, was float64) float64 {
		if now > 0 && was > 0 {
			return now / was
		}
		return 1
	}
	peak, bmep, torque := share(now.PeakKPa, was.PeakKPa), share(now.BMEPKPa, was.BMEPKPa),
		share(now.TorqueNm, was.TorqueNm)
	for k := range change {
		c := &change[k]
		c.PeakKPa, c.BMEPKPa, c.TorqueNm = c.PeakKPa*peak, c.BMEPKPa*bmep, c.TorqueNm*torque
	}
	return change
}

func (p *Platform) loosen(s *State) (change [NumLoose]Simulated) {
	for k := range p.loose {
		l := &p.loose[k]
		if l.apart == 0 {
			continue
		}
		up, down := p.simulated(l.up, s), p.simulated(l.down, s)
		half := func(a, b float64) float64 { return value.Or((a-b)/l.apart, 0) } // 0 outside the model's domain
		change[k] = Simulated{
			PeakKPa: half(up.PeakKPa, down.PeakKPa), BMEPKPa: half(up.BMEPKPa, down.BMEPKPa),
			TorqueNm: half(up.TorqueNm, down.TorqueNm), ExhaustC: half(up.ExhaustC, down.ExhaustC),
		}
	}
	return change
}

// LooseCorrelation is that of the errors of two loose numbers.
func (p *Platform) LooseCorrelation(j, k int) float64 {
	switch {
	case j == k:
		return 1
	case j < 2 && k < 2:
		return p.Angles.Correlation
	}
	return 0
}

// Deviation is that of something which changes by h for one deviation of each loose number.
func (p *Platform) Deviation(h [NumLoose]float64) float64 { return math.Sqrt(p.LooseVariance(h)) }

// LooseVariance is the square of Deviation.
func (p *Platform) LooseVariance(h [NumLoose]float64) float64 {
	sum := 0.0
	for j := range h {
		for k := range h {
			sum += p.LooseCorrelation(j, k) * h[j] * h[k]
		}
	}
	return sum
}

// LooseCycles are the cycle models with one loose number moved up and down and how many deviations lie between them;
// ok is false for a number without an error.
func (p *Platform) LooseCycles(k int) (up, down *cycle.Engine, apart float64, ok bool) {
	l := &p.loose[k]
	return l.up, l.down, l.apart, l.apart != 0
}

// WithBurn is the platform with its cycle model anchored anew.
func (p *Platform) WithBurn(a BurnAngles) *Platform {
	out := *p
	out.Angles = a
	out.anchorCycle()
	return &out
}
