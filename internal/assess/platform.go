package assess

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

const kelvin = 273.15

// standardAmbient is used where ambient temperature was not logged: the J1349 reference, °C.
const standardAmbient = 25

// platform is a workspace platform with its physics made ready.
type platform struct {
	*workspace.Platform
	decision          workspace.Decision
	geometry          engine.Geometry // SI
	rpmStep, loadStep float64
	cycle             *cycle.Engine // nil when it cannot be built
	cycleWhy          string        // why not
	fuels             map[string]shopFuel
}

// shopFuel is a fuel of headroom.yaml and its blends at other ethanol shares.
type shopFuel struct {
	class string
	fuel  fuel.Fuel
}

func newPlatform(ws *workspace.Workspace, w *workspace.Platform) *platform {
	p := &platform{
		Platform: w, decision: ws.Config.Decision, rpmStep: w.Cells.RPMStep, loadStep: w.Cells.LoadStep,
		geometry: engine.Geometry{
			Cylinders: w.Engine.Cylinders, Bore: w.Engine.BoreMM / 1000, Stroke: w.Engine.StrokeMM / 1000,
			Rod: w.Engine.RodMM / 1000, CompressionRatio: w.Engine.CompressionRatio,
		},
		fuels: map[string]shopFuel{},
	}
	for id, f := range ws.Config.Fuels {
		made, err := fuel.Finished(f.RON, f.MON, f.EthanolShare)
		if err != nil {
			continue // the workspace reader has already reported the fuel
		}
		p.fuels[id] = shopFuel{class: f.Class, fuel: made}
	}
	p.buildCycle()
	return p
}

func (p *platform) buildCycle() {
	if p.Burn == nil {
		p.cycleWhy = "the platform file has no burn section"
		return
	}
	cfg := cycle.Defaults(p.Engine.Injection == "direct")
	cfg.Geometry = p.geometry
	cfg.IntakeValveClosing = p.Engine.IntakeValveClosingDeg
	cfg.ExhaustValveOpening = p.Engine.ExhaustValveOpenDeg
	cfg.Burn.RPM, cfg.Burn.AbsoluteLoad, cfg.Burn.Lambda = p.Burn.SpeedRPM, p.Burn.AbsoluteLoad, p.Burn.Lambda
	cfg.Burn.Spark, cfg.Burn.Lag, cfg.Burn.Duration = p.Burn.SparkDeg, p.Burn.IgnitionLagDeg, p.Burn.DurationDeg
	if f := p.Friction; f != nil {
		cfg.Friction = engine.Friction{Constant: f.ConstantKPa * 1000, PeakPressure: f.PeakPressure,
			Speed: f.Speed * 1000, SpeedSquared: f.SpeedSquared * 1000}
	}
	e, err := cycle.New(cfg)
	if err != nil {
		p.cycleWhy = err.Error()
		return
	}
	p.cycle = e
}

// simulated is what the cycle model says of a state; NaN where it cannot.
type simulated struct {
	peakKPa, bmepKPa, torqueNm, exhaustC float64
}

// simulate fills a state's cycle results.
func (p *platform) simulate(s *state) {
	nan := math.NaN()
	s.sim = simulated{nan, nan, nan, nan}
	in, ok := p.cycleState(s)
	if !ok {
		return
	}
	r, err := p.cycle.Run(in)
	if err != nil {
		return // outside the model's domain: not known
	}
	s.sim = simulated{
		peakKPa: r.PeakPressure / 1000, bmepKPa: r.BMEP / 1000,
		torqueNm: p.geometry.Torque(r.BMEP), exhaustC: r.ExhaustTemperature - kelvin,
	}
}

// cycleState turns a logged state into the cycle model's; ok is false where something it needs was not logged.
func (p *platform) cycleState(s *state) (cycle.State, bool) {
	f, ok := p.fuelOf(s)
	if p.cycle == nil || !ok || !value.Known(s.load) || !value.Known(s.charge) || !value.Known(s.lambda) ||
		!value.Known(s.spark) {
		return cycle.State{}, false
	}
	mass, err := air.MassFromLoad(s.load, p.geometry.CylinderDisplacement())
	if err != nil {
		return cycle.State{}, false
	}
	return cycle.State{
		RPM: s.rpm, AirMass: mass, ManifoldPressure: value.Or(s.manifold, standardBarometer) * 1000,
		ChargeTemperature: s.charge + kelvin, CoolantTemperature: value.Or(s.coolant, standardCoolant) + kelvin,
		Lambda: s.lambda, Spark: s.spark, Fuel: f, Octane: p.octaneIndex(s),
	}, true
}

// fuelOf is the fuel in the tank: the named one, at the logged ethanol share where there is one.
func (p *platform) fuelOf(s *state) (fuel.Fuel, bool) {
	named, ok := p.fuels[s.fuel]
	if !ok {
		return fuel.Fuel{}, false
	}
	share := named.fuel.EthanolShare()
	if value.Known(s.ethanol) {
		share = s.ethanol / 100
	}
	share = math.Max(0, math.Min(1, share+s.ethanolShift/100))
	if share == named.fuel.EthanolShare() {
		return named.fuel, true
	}
	f, err := named.fuel.WithEthanol(share)
	return f, err == nil
}

// octaneIndex is RON − K(RON − MON) of the fuel in the tank (Kalghatgi, SAE 2001-01-3584).
func (p *platform) octaneIndex(s *state) float64 {
	f, ok := p.fuelOf(s)
	if !ok {
		return math.NaN()
	}
	oi, err := f.OctaneIndex(p.OctaneIndexK)
	if err != nil {
		return math.NaN()
	}
	return oi + s.octaneShift
}

func (p *platform) fuelClass(id string) string { return p.fuels[id].class }

// chargeRise is how far the charge lies above ambient behind compressor and intercooler, kelvin; 0 without a
// compressor.
func (p *platform) chargeRise(manifold, baro, ambient float64) float64 {
	if p.AirPath == nil || p.AirPath.CompressorEfficiency == 0 || !value.Known(manifold) || manifold <= baro {
		return 0
	}
	cold := value.Or(ambient, standardAmbient) + kelvin
	t, err := air.ChargeTemperature(cold, baro*1000, manifold*1000, p.AirPath.CompressorEfficiency,
		p.AirPath.IntercoolerEffectiveness)
	if err != nil {
		return math.NaN()
	}
	return t - cold
}

// airMass is the air trapped a cylinder and cycle, kg; NaN when the load is not known.
func (p *platform) airMass(s *state) float64 {
	m, err := air.MassFromLoad(s.load, p.geometry.CylinderDisplacement())
	if err != nil {
		return math.NaN()
	}
	return m
}

// fuelMass is the fuel a cylinder burns a cycle, kg.
func (p *platform) fuelMass(s *state) float64 {
	f, ok := p.fuelOf(s)
	if !ok {
		return math.NaN()
	}
	m, err := fuelling.MassPerCycle(p.airMass(s), s.lambda, f)
	return orNaN(m, err)
}

// fuelFlow is what the engine burns, g/s.
func (p *platform) fuelFlow(s *state) float64 {
	return p.fuelMass(s) * 1000 * float64(p.geometry.Cylinders) * s.rpm / 120
}

// bmepOf turns measured brake torque (N·m) into brake mean effective pressure, kPa.
func (p *platform) bmepOf(torque float64) float64 { return p.geometry.BMEP(torque) / 1000 }
