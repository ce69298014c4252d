// Package state answers what an engine does at an operating point: it reads logged rows into states, fills in what a
// log left out, moves a state from the calibration it was logged on to another one as the control unit would, puts it
// under a stress, and works out combustion, fuel and air there (models/cycle, models/fuelling, models/air,
// models/calmap). It knows nothing of limits, statistics or verdicts.
package state

import (
	"math"

	"headroom/internal/workspace"
	"headroom/models/air"
	"headroom/models/cycle"
	"headroom/models/engine"
	"headroom/models/fuel"
	"headroom/models/fuelling"
	"headroom/models/value"
)

const zeroCelsius = 273.15 // K

// Platform is a workspace platform with its physics made ready.
type Platform struct {
	*workspace.Platform
	Geometry          engine.Geometry // SI
	RPMStep, LoadStep float64         // of the operating grid: rpm, %
	Cycle             *cycle.Engine   // nil when it cannot be built
	CycleWhy          string          // what the model said of the burn section, "" where it can be built
	Angles            BurnAngles      // that the cycle model is anchored at
	burnPoint         workspace.Burn  // where they hold
	loose             [NumLoose]loose
	ran               *ran // by cycle models of it and of its variants
	fuels             map[string]*shopFuel
	calibrations      map[string]*Calibration // its revisions, by id
	Heat              HeatLine
	Probe             ProbeLag
	Falls             Falls
	StarvedShare      float64 // of Starvation that reaches the mixture
}

// shopFuel is a fuel of headroom.yaml and its blends at other ethanol shares.
type shopFuel struct {
	class    string
	ron, mon float64
	fuel     fuel.Fuel
}

// NewPlatform makes a platform's physics ready. What cannot be built is left out, with the reason beside it.
func NewPlatform(ws *workspace.Workspace, w *workspace.Platform) *Platform {
	p := &Platform{
		Platform: w, RPMStep: w.Cells.RPMStep, LoadStep: w.Cells.LoadStep,
		Geometry: engine.Geometry{
			Cylinders: w.Engine.Cylinders, Bore: w.Engine.BoreMM / 1000, Stroke: w.Engine.StrokeMM / 1000,
			Rod: w.Engine.RodMM / 1000, CompressionRatio: w.Engine.CompressionRatio,
		},
		ran: newRan(), fuels: map[string]*shopFuel{}, calibrations: calibrationsOf(ws, w.ID),
	}
	for id, f := range ws.Config.Fuels {
		made, err := fuel.Finished(f.RON, f.MON, f.EthanolShare)
		if err != nil {
			continue // the workspace reader has already reported the fuel
		}
		p.fuels[id] = &shopFuel{class: f.Class, ron: f.RON, mon: f.MON, fuel: made}
	}
	p.buildCycle()
	return p
}

func (p *Platform) buildCycle() {
	if err := p.believeBurn(); err != nil {
		p.CycleWhy = err.Error()
		return
	}
	p.anchorCycle()
}

// anchorCycle makes the cycle model at the believed burn angles.
func (p *Platform) anchorCycle() {
	e, err := cycle.New(p.cycleConfig(p.burnPoint, p.Angles))
	if err != nil {
		p.Cycle, p.CycleWhy = nil, err.Error()
		return
	}
	p.Cycle, p.CycleWhy = e, ""
	p.buildLoose()
}

// cycleConfig is the platform file as the cycle model wants it, with the given burn angles at a reference point.
func (p *Platform) cycleConfig(at workspace.Burn, a BurnAngles) cycle.Config {
	cfg := cycle.Defaults(p.Engine.Injection == "direct")
	cfg.Geometry = p.Geometry
	cfg.IntakeValveClosing = p.Engine.IntakeValveClosingDeg
	cfg.ExhaustValveOpening = p.Engine.ExhaustValveOpenDeg
	cfg.Burn.RPM, cfg.Burn.AbsoluteLoad, cfg.Burn.Lambda = at.SpeedRPM, at.AbsoluteLoad, at.Lambda
	cfg.Burn.Spark, cfg.Burn.Lag, cfg.Burn.Duration = at.SparkDeg, a.Lag, a.Duration
	if f := p.Friction; f != nil {
		cfg.Friction = engine.Friction{Constant: f.ConstantKPa * 1000, PeakPressure: f.PeakPressure,
			Speed: f.Speed * 1000, SpeedSquared: f.SpeedSquared * 1000}
	}
	return cfg
}

// Simulate fills a state's cycle results.
func (p *Platform) Simulate(s *State) {
	s.Simulated, s.loosened, s.calm = p.simulated(p.Cycle, s), nil, nil
}

// simulated are a state's cycle results by a cycle model of the platform.
func (p *Platform) simulated(e *cycle.Engine, s *State) Simulated {
	by := p.ranBy(e, s)
	slot := p.ran.slot(&by)
	if kept := slot.Load(); kept != nil && kept.by == by {
		return kept.result
	}
	nan := math.NaN()
	in, ok := p.CycleState(s)
	if !ok {
		return Simulated{nan, nan, nan, nan}
	}
	out := Simulated{nan, nan, nan, nan} // where it is outside the model's domain: not known
	if r, err := e.RunWork(in); err == nil {
		out = Simulated{
			PeakKPa: r.PeakPressure / 1000, BMEPKPa: r.BMEP / 1000,
			TorqueNm: p.Geometry.Torque(r.BMEP), ExhaustC: r.ExhaustTemperature - zeroCelsius,
		}
	}
	slot.Store(&ranCycle{by, out})
	return out
}

// intake is the manifold pressure that the cycle model runs with, kPa.
func (s *State) intake() float64 { return value.Or(s.Manifold, StandardBarometer) }

// warmth is the coolant temperature that the cycle model runs with, °C.
func (s *State) warmth() float64 { return value.Or(s.Coolant, StandardCoolant) }

// CycleState turns a logged state into the cycle model's; ok is false where something it needs was not logged.
func (p *Platform) CycleState(s *State) (cycle.State, bool) {
	f, ok := p.fuelOf(s)
	if p.Cycle == nil || !ok || !value.Known(s.Load) || !value.Known(s.Charge) || !value.Known(s.Lambda) ||
		!value.Known(s.Spark) {
		return cycle.State{}, false
	}
	mass, err := air.MassFromLoad(s.Load, p.Geometry.CylinderDisplacement())
	if err != nil {
		return cycle.State{}, false
	}
	return cycle.State{
		RPM: s.RPM, AirMass: mass, ManifoldPressure: s.intake() * 1000,
		ChargeTemperature: s.Charge + zeroCelsius, CoolantTemperature: s.warmth() + zeroCelsius,
		Lambda: s.burned(), Spark: s.Spark, Fuel: *f, Octane: p.octaneIndex(f, s),
	}, true
}

// fuelOf is the fuel in the tank: the named one, at the logged ethanol share where there is one. It is shared: do not
// change it.
func (p *Platform) fuelOf(s *State) (*fuel.Fuel, bool) {
	named, ok := p.fuels[s.Fuel]
	if !ok {
		return nil, false
	}
	share := named.ethanolShare(s)
	if share == named.fuel.EthanolShare() {
		return &named.fuel, true
	}
	return p.ran.blend(s.Fuel, named, share)
}

// ethanolShare is that of the fuel in the tank, 0–1.
func (f *shopFuel) ethanolShare(s *State) float64 {
	share := f.fuel.EthanolShare()
	if value.Known(s.Ethanol) {
		share = s.Ethanol / 100
	}
	return math.Max(0, math.Min(1, share+s.EthanolShift/100))
}

// EthanolPct is the ethanol share of the fuel in the tank, percent by volume; NaN where the fuel is not known.
func (p *Platform) EthanolPct(s *State) float64 {
	f, ok := p.fuelOf(s)
	if !ok {
		return math.NaN()
	}
	return 100 * f.EthanolShare()
}

// OctaneIndex is RON − K(RON − MON) of the fuel in the tank (Kalghatgi, SAE 2001-01-3584).
func (p *Platform) OctaneIndex(s *State) float64 {
	f, ok := p.fuelOf(s)
	if !ok {
		return math.NaN()
	}
	return p.octaneIndex(f, s)
}

func (p *Platform) octaneIndex(f *fuel.Fuel, s *State) float64 {
	oi, err := f.OctaneIndex(p.OctaneIndexK)
	if err != nil {
		return math.NaN()
	}
	return oi + s.OctaneShift
}

// Sensitivity is RON − MON of a fuel of headroom.yaml and its ethanol share, 0–1; ok is false for one that it does not
// have.
func (p *Platform) Sensitivity(id string) (sensitivity, ethanol float64, ok bool) {
	f, ok := p.fuels[id]
	if !ok {
		return 0, 0, false
	}
	return f.ron - f.mon, f.fuel.EthanolShare(), true
}

// FuelClass is the class of a fuel of headroom.yaml, "" for one that it does not have.
func (p *Platform) FuelClass(id string) string {
	if f, ok := p.fuels[id]; ok {
		return f.class
	}
	return ""
}

// ChargeRise is how far the charge lies above ambient behind compressor and intercooler, K; 0 without a compressor.
func (p *Platform) ChargeRise(s *State) float64 { return p.chargeRise(s.Manifold, s) }

// chargeRise is ChargeRise at another manifold pressure, kPa.
func (p *Platform) chargeRise(manifold float64, s *State) float64 {
	if p.AirPath == nil || p.AirPath.CompressorEfficiency == 0 || !value.Known(manifold) || manifold <= s.Barometer {
		return 0
	}
	cold := value.Or(s.Ambient, standardAmbient) + zeroCelsius
	t, err := air.ChargeTemperature(cold, s.Barometer*1000, manifold*1000, p.AirPath.CompressorEfficiency,
		p.AirPath.IntercoolerEffectiveness)
	if err != nil {
		return math.NaN()
	}
	return t - cold
}

// airMass is the air trapped a cylinder and cycle, kg; NaN when the load is not known.
func (p *Platform) airMass(s *State) float64 {
	m, err := air.MassFromLoad(s.Load, p.Geometry.CylinderDisplacement())
	if err != nil {
		return math.NaN()
	}
	return m
}

// fuelMass is the fuel a cylinder burns a cycle, kg.
func (p *Platform) fuelMass(s *State) float64 {
	f, ok := p.fuelOf(s)
	if !ok {
		return math.NaN()
	}
	m, err := fuelling.MassPerCycle(p.airMass(s), s.Lambda, *f)
	return orNaN(m, err)
}

// FuelFlow is what the engine burns, g/s.
func (p *Platform) FuelFlow(s *State) float64 {
	return p.fuelMass(s) * 1000 * float64(p.Geometry.Cylinders) * s.RPM / 120
}

// BMEPOf turns measured brake torque (N·m) into brake mean effective pressure, kPa.
func (p *Platform) BMEPOf(torque float64) float64 { return p.Geometry.BMEP(torque) / 1000 }
