package state

import (
	"math"

	"headroom/internal/workspace"
	"headroom/models/fuelling"
	"headroom/models/value"
)

// supplyVoltage is used for dead time where voltage is not part of the state: a charging system's usual level, V;
// common practice, no source.
const supplyVoltage = 13.8

// injector is the platform's injector as models/fuelling wants it; ok is false without a fuel_system section.
func (p *Platform) injector() (fuelling.Injector, bool) {
	f := p.FuelSystem
	if f == nil || f.InjectorFlowCCMin == 0 {
		return fuelling.Injector{}, false
	}
	return fuelling.Injector{
		RatedFlow: f.InjectorFlowCCMin * 1e-6 / 60, RatedPressure: f.RatedPressureKPa * 1000,
		DeadTime: fuelling.Constant(f.DeadTimeMS / 1000),
	}, true
}

// feedPressure is the pressure across the injectors, Pa: logged rail pressure for direct injection, the rated one
// where none was logged and for port injection, whose regulator holds it.
func (p *Platform) feedPressure(s *State) float64 {
	rated := p.FuelSystem.RatedPressureKPa * 1000
	if p.Engine.Injection == "direct" && s.Rail > 0 {
		return s.Rail * 1000
	}
	return rated
}

// pulse is the injector pulse a state needs, s; NaN where it cannot be computed.
func (p *Platform) pulse(s *State) float64 {
	inj, ok := p.injector()
	f, known := p.fuelOf(s)
	if !ok || !known {
		return math.NaN()
	}
	t, err := inj.Pulse(p.fuelMass(s), p.feedPressure(s), f.Density(), supplyVoltage)
	return orNaN(t, err)
}

// OpenTime is how long an injector would be open beyond its dead time to deliver what a state burns, ms, by the flow
// that the platform file states; NaN where it cannot be computed.
func (p *Platform) OpenTime(s *State) float64 { return p.pulse(s)*1000 - p.FuelSystem.DeadTimeMS }

// InjectorDuty is the share of the cycle a port injector is open, %. A direct injector's limit is its crank window.
func (p *Platform) InjectorDuty(s *State) float64 {
	if p.Engine.Injection == "direct" {
		return math.NaN()
	}
	d, err := fuelling.Duty(p.pulse(s), s.RPM)
	return 100 * orNaN(d, err)
}

// WindowUse is the share of the usable crank window a direct injector takes, %.
func (p *Platform) WindowUse(s *State) float64 {
	if p.Engine.Injection != "direct" || p.FuelSystem == nil || p.FuelSystem.UsableWindowDeg == 0 {
		return math.NaN()
	}
	w, err := fuelling.WindowUse(p.pulse(s), s.RPM, p.FuelSystem.UsableWindowDeg)
	return 100 * orNaN(w, err)
}

// PumpUse is the share of the pump's capacity at feed pressure that the engine takes, %.
func (p *Platform) PumpUse(s *State) float64 {
	if p.FuelSystem == nil || !p.FuelSystem.PumpCapacity.Known() {
		return math.NaN()
	}
	pump := fuelling.Pump{Capacity: pumpCurve(p.FuelSystem.PumpCapacity)}
	use, err := pump.Use(p.FuelFlow(s)/1000, p.feedPressure(s))
	return 100 * orNaN(use, err)
}

// PumpDroop is how far rail pressure falls when demand passes what the car's pump can deliver, kPa: in proportion to
// the missing flow, since injectors that are held open as long as it takes pass what the pump delivers. 0 below the
// knee, and on a platform whose pump is not described, where shortfalls are only what logs show.
func (p *Platform) PumpDroop(s *State) float64 {
	if p.FuelSystem == nil || !p.FuelSystem.PumpCapacity.Known() {
		return 0
	}
	use := p.PumpUse(s)
	target := p.FuelSystem.RatedPressureKPa
	if s.Row != nil {
		target = value.Or(s.Rail+s.Row.RailShortfall, value.Or(s.Rail, target))
	}
	return target * math.Max(0, use/s.PumpKnee-1)
}

// pumpCurve turns kPa and g/s into Pa and kg/s.
func pumpCurve(c workspace.Curve) fuelling.Curve {
	out := fuelling.Curve{Breakpoints: make([]float64, len(c.Breakpoints)), Value: make([]float64, len(c.Value))}
	for i := range c.Breakpoints {
		out.Breakpoints[i] = c.Breakpoints[i] * 1000
		out.Value[i] = c.Value[i] / 1000
	}
	return out
}

// orNaN makes a value that could not be computed "not known"; predictors then leave the state out and the hazard says
// that nothing could be judged.
func orNaN(v float64, err error) float64 {
	if err != nil {
		return math.NaN()
	}
	return v
}

// LoggedWindowUse is the share of the usable crank window that the logged pulse took, %; NaN without a logged pulse or
// for port injection.
func (p *Platform) LoggedWindowUse(s *State) float64 {
	if p.Engine.Injection != "direct" || p.FuelSystem == nil || p.FuelSystem.UsableWindowDeg == 0 {
		return math.NaN()
	}
	w, err := fuelling.WindowUse(s.Row.InjectorPulse/1000, s.RPM, p.FuelSystem.UsableWindowDeg)
	return 100 * orNaN(w, err)
}

// LoggedPumpUse is the share of the pump's capacity that the logged pulses took, %: flow while open at the logged
// pressure, for as long as the pulse outlasts the dead time; NaN without a logged pulse or a described pump.
func (p *Platform) LoggedPumpUse(s *State) float64 {
	inj, ok := p.injector()
	f, named := p.fuelOf(s)
	pulse := s.Row.InjectorPulse
	if !ok || !named || !p.FuelSystem.PumpCapacity.Known() || !value.Known(pulse) {
		return math.NaN()
	}
	pressure := p.feedPressure(s)
	flow, err := inj.Flow(pressure, f.Density())
	if err != nil {
		return math.NaN()
	}
	open := math.Max(0, pulse-p.FuelSystem.DeadTimeMS) / 1000
	demand := flow * open * float64(p.Geometry.Cylinders) * s.RPM / 120
	use, err := fuelling.Pump{Capacity: pumpCurve(p.FuelSystem.PumpCapacity)}.Use(demand, pressure)
	return 100 * orNaN(use, err)
}
