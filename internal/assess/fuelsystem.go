package assess

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/fuelling"
	"headroom/models/value"
)

// supplyVoltage is used for dead time where voltage is not part of the state: a charging system's usual level, V;
// common practice, no source.
const supplyVoltage = 13.8

// injector is the platform's injector as models/fuelling wants it; ok is false without a fuel_system section.
func (p *platform) injector() (fuelling.Injector, bool) {
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
func (p *platform) feedPressure(s *state) float64 {
	rated := p.FuelSystem.RatedPressureKPa * 1000
	if p.Engine.Injection == "direct" && s.rail > 0 {
		return s.rail * 1000
	}
	return rated
}

// pulse is the injector pulse a state needs, s; NaN where it cannot be computed.
func (p *platform) pulse(s *state) float64 {
	inj, ok := p.injector()
	f, known := p.fuelOf(s)
	if !ok || !known {
		return math.NaN()
	}
	t, err := inj.Pulse(p.fuelMass(s), p.feedPressure(s), f.Density(), supplyVoltage)
	return orNaN(t, err)
}

// injectorDuty is the share of the cycle a port injector is open, %. A direct injector's limit is its crank window.
func (p *platform) injectorDuty(s *state) float64 {
	if p.Engine.Injection == "direct" {
		return math.NaN()
	}
	d, err := fuelling.Duty(p.pulse(s), s.rpm)
	return 100 * orNaN(d, err)
}

// windowUse is the share of the usable crank window a direct injector takes, %.
func (p *platform) windowUse(s *state) float64 {
	if p.Engine.Injection != "direct" || p.FuelSystem == nil || p.FuelSystem.UsableWindowDeg == 0 {
		return math.NaN()
	}
	w, err := fuelling.WindowUse(p.pulse(s), s.rpm, p.FuelSystem.UsableWindowDeg)
	return 100 * orNaN(w, err)
}

// pumpUse is the share of the pump's capacity at feed pressure that the engine takes, %.
func (p *platform) pumpUse(s *state) float64 {
	if p.FuelSystem == nil || !p.FuelSystem.PumpCapacity.Known() {
		return math.NaN()
	}
	pump := fuelling.Pump{Capacity: pumpCurve(p.FuelSystem.PumpCapacity)}
	use, err := pump.Use(p.fuelFlow(s)/1000, p.feedPressure(s))
	return 100 * orNaN(use, err)
}

// railLine is rail pressure over load as the platform's logs show it, for cars that do not log it: taking the rated
// pressure for theirs would put their fuel system a third off.
type railLine struct {
	Intercept, Slope float64 // kPa, kPa a %
	Low, High        float64 // pressures met, kPa; 0 where no log has it
}

func railOf(rows []evidence.Row) railLine {
	var load, pressure []float64
	for i := range rows {
		if r := &rows[i]; r.Kind == evidence.KindPull && value.Known(r.Load) && r.RailPressure > 0 {
			load, pressure = append(load, r.Load), append(pressure, r.RailPressure)
		}
	}
	if len(load) < 2 {
		return railLine{}
	}
	a, b := stat.LinearRegression(load, pressure, nil, false)
	if !value.Known(b) {
		a, b = stat.Mean(pressure, nil), 0
	}
	return railLine{a, b, slices.Min(pressure), slices.Max(pressure)}
}

// knowRail gives a state the platform's rail pressure where its log has none.
func (f *platformFit) knowRail(s *state) {
	if !value.Known(s.rail) && f.Rail.High > 0 && value.Known(s.load) {
		s.rail = min(max(f.Rail.Intercept+f.Rail.Slope*s.load, f.Rail.Low), f.Rail.High)
	}
}

// healthyKnee is the pump use, %, from which the rail pressure of a pump that shows no shortfall is taken to fall away;
// common practice, no source.
const healthyKnee = 95

// pumpDroop is how far rail pressure falls when demand passes what the car's pump can deliver, kPa: in proportion to
// the missing flow, since injectors that are held open as long as it takes pass what the pump delivers. 0 below the
// knee, and on a platform whose pump is not described, where shortfalls are only what logs show.
func (p *platform) pumpDroop(s *state) float64 {
	if p.FuelSystem == nil || !p.FuelSystem.PumpCapacity.Known() {
		return 0
	}
	use := p.pumpUse(s)
	target := p.FuelSystem.RatedPressureKPa
	if s.row != nil {
		target = value.Or(s.rail+s.row.RailShortfall, value.Or(s.rail, target))
	}
	return target * math.Max(0, use/s.pumpKnee-1)
}

// kneeShare is the share of a car's rows, those of least pump use, whose rail shortfall is its base; kneeSDs is how
// many of their deviations above it a shortfall counts as droop; common practice, no source.
const (
	kneeShare = 0.5
	kneeSDs   = 5
	kneeFew   = 3 // rows in droop below which there is no knee
)

// pumpKnees is the pump use, %, from which each car's rail pressure is seen to fall away; healthyKnee, or the highest
// use met without a shortfall where that is more, for cars that show none.
func (p *platform) pumpKnees(states []state) map[string]float64 {
	type point struct{ use, shortfall float64 }
	byCar := map[string][]point{}
	for i := range states {
		s := &states[i]
		if use := p.pumpUse(s); value.Known(use) && value.Known(s.row.RailShortfall) {
			byCar[s.car] = append(byCar[s.car], point{use, s.row.RailShortfall})
		}
	}
	out := map[string]float64{}
	for car, points := range byCar {
		slices.SortFunc(points, func(a, b point) int { return cmp.Compare(a.use, b.use) })
		var base []float64
		for _, pt := range points[:int(math.Ceil(kneeShare*float64(len(points))))] {
			base = append(base, pt.shortfall)
		}
		mean, sd := stat.MeanStdDev(base, nil)
		var drooping []float64
		for _, pt := range points {
			if pt.shortfall > mean+kneeSDs*value.Or(sd, 0) {
				drooping = append(drooping, pt.use)
			}
		}
		out[car] = math.Max(healthyKnee, points[len(points)-1].use)
		if len(drooping) >= kneeFew {
			out[car] = drooping[0]
		}
	}
	return out
}

// kneeOf is a car's knee, the healthy one for a car without rail pressure in its logs.
func (f *platformFit) kneeOf(car string) float64 {
	if k, ok := f.PumpKnees[car]; ok {
		return k
	}
	return healthyKnee
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

// loggedWindowUse is the share of the usable crank window that the logged pulse took, %.
func (p *platform) loggedWindowUse(r *evidence.Row) float64 {
	if p.Engine.Injection != "direct" || p.FuelSystem == nil || p.FuelSystem.UsableWindowDeg == 0 {
		return math.NaN()
	}
	w, err := fuelling.WindowUse(r.InjectorPulse/1000, value.Or(r.Bound.RPM, r.RPM), p.FuelSystem.UsableWindowDeg)
	return 100 * orNaN(w, err)
}

// loggedPumpUse is the share of the pump's capacity that the logged pulses took, %: flow while open at the logged
// pressure, for as long as the pulse outlasts the dead time.
func (p *platform) loggedPumpUse(r *evidence.Row) float64 {
	inj, ok := p.injector()
	s := stateOf(r)
	f, named := p.fuelOf(&s)
	if !ok || !named || !p.FuelSystem.PumpCapacity.Known() || !value.Known(r.InjectorPulse) {
		return math.NaN()
	}
	pressure := p.feedPressure(&s)
	flow, err := inj.Flow(pressure, f.Density())
	if err != nil {
		return math.NaN()
	}
	open := math.Max(0, r.InjectorPulse-p.FuelSystem.DeadTimeMS) / 1000
	demand := flow * open * float64(p.geometry.Cylinders) * s.rpm / 120
	use, err := fuelling.Pump{Capacity: pumpCurve(p.FuelSystem.PumpCapacity)}.Use(demand, pressure)
	return 100 * orNaN(use, err)
}
