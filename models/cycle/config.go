// Package cycle answers: what happens in the cylinder between intake-valve closing and exhaust-valve opening at this
// speed, charge, mixture and spark, and how far may the spark go before the end gas ignites itself?
//
// It is a single-zone first-law model (Heywood, Internal Combustion Engine Fundamentals, 1st ed. 1988, sections 9.2
// and 14.4): slider-crank volume; a Wiebe burn, a = 5, m = 2, from the spark plus an ignition lag; specific heats of
// the fuel–air mixture and of its products as functions of temperature (NASA fits), so γ follows temperature,
// mixture and burn; Woschni heat transfer (SAE 670931); an end gas compressed isentropically from intake-valve closing;
// the Livengood–Wu integral (5th Symposium on Combustion, 1955) of the Douaud–Eyzat delay (SAE 780080). Ignition
// lag and burn duration are given at one anchor point and scaled by the relations of Hires, Tabaczynski and Novak (SAE
// 780232; Heywood section 9.4.1) with the burning velocity of Metghalchi and Keck (Combustion and Flame 48, 1982); see
// docs/physics.md.
//
// Levels of such a model are known to be off on any real engine; its slopes are what it is for. SI inside; engine
// speed in rpm, crank angle in degrees after firing top dead centre, spark in degrees before it.
//
// An Engine is made once and never changes: many goroutines may run it at the same time.
package cycle

import (
	"fmt"
	"math"

	"headroom/models/air"
	"headroom/models/bound"
	"headroom/models/engine"
	"headroom/models/fuel"
)

// Burn anchors ignition lag and burn duration at one operating point.
type Burn struct {
	RPM                float64   // 500–10 000
	AbsoluteLoad       float64   // %, 10–400 (SAE J1979 PID 0x43)
	Lambda             float64   // 0.65–1.4
	Spark              float64   // degrees before top dead centre, −30…60
	Lag                float64   // spark to start of the Wiebe burn, degrees, 1–45
	Duration           float64   // Wiebe total duration (a = 5, m = 2: 99.3 % burned), degrees, 10–120
	ChargeTemperature  float64   // K at the anchor
	CoolantTemperature float64   // K at the anchor
	Fuel               fuel.Fuel // at the anchor
}

// HeatTransfer sets Woschni's coefficient and the walls.
type HeatTransfer struct {
	Scale    float64 // multiplies Woschni's coefficient, 0–3; 0 is an adiabatic cylinder
	WallRise float64 // mean gas-side wall temperature above the coolant, K, 0–200
}

// Charging sets how the charge is warmed and cooled before intake-valve closing.
type Charging struct {
	// WallHeating is the share of the way from charge to coolant temperature the fresh charge warms in port and
	// cylinder, 0–0.8.
	WallHeating float64
	// Evaporation is the share of the fuel's heat of vaporisation taken from the charge, 0–1; the rest comes from
	// walls. Port injection sits near 0, direct injection near 0.7.
	Evaporation float64
	// ResidualTemperature is the temperature of the burned gas left in the clearance volume, K, 600–1600.
	ResidualTemperature float64
	// ExhaustRatio estimates exhaust pressure as a multiple of manifold pressure where the state gives none, 0.5–3.
	ExhaustRatio float64
	// ExhaustFloor is the least exhaust pressure so estimated, Pa, 50 000–200 000.
	ExhaustFloor float64
}

// Config describes an engine to New. Start from Defaults and fill in Geometry, the valve angles and Burn.
type Config struct {
	Geometry             engine.Geometry
	IntakeValveClosing   float64 // degrees after firing top dead centre, −180…−60
	ExhaustValveOpening  float64 // degrees after firing top dead centre, 60…180
	Burn                 Burn
	Friction             engine.Friction
	HeatTransfer         HeatTransfer
	Charging             Charging
	CombustionEfficiency float64 // share of the releasable heat released, 0.7–1
	// DelayScale multiplies the Douaud–Eyzat delay, 0.2–5: 1 as published; ScaleDelay finds the value that puts the
	// knock limit where it was seen.
	DelayScale float64
	// Step is 0 for the default variable crank step, or one fixed step in degrees, 0.01–2, to check it against.
	Step float64
}

// Defaults returns a Config with everything but geometry, valve angles and anchor set to handbook values: Woschni's
// coefficient as published (SAE 670931); walls 80 K above the coolant, a fifth of the way of wall heating, 1000 K
// residual, exhaust at 1.15 times manifold pressure and at least 105 kPa (all common practice, no source); 0.7 of the
// evaporation cools the charge with direct injection (Kasseris and Heywood, SAE 2012-01-1275, order of magnitude, from
// memory), 0.1 with port injection (common practice, no source); combustion efficiency 0.97 (Heywood figure 3-9, from
// memory); anchor at 40 °C charge, 90 °C coolant, gasoline of 95 RON, 85 MON.
func Defaults(directInjection bool) Config {
	evaporation := 0.1
	if directInjection {
		evaporation = 0.7
	}
	anchor, err := fuel.Blend(fuel.Gasoline(95, 85), 0)
	if err != nil {
		anchor = fuel.Fuel{} // cannot happen; New refuses it
	}
	return Config{
		Friction:     engine.DefaultFriction(),
		HeatTransfer: HeatTransfer{Scale: 1, WallRise: 80},
		Charging: Charging{WallHeating: 0.2, Evaporation: evaporation, ResidualTemperature: 1000,
			ExhaustRatio: 1.15, ExhaustFloor: 105e3},
		CombustionEfficiency: 0.97,
		DelayScale:           1,
		Burn:                 Burn{ChargeTemperature: 313.15, CoolantTemperature: 363.15, Fuel: anchor},
	}
}

// Engine is a checked Config with its tables. It is read-only after New.
type Engine struct {
	cfg  Config
	grid grid
	vIVC float64
	lag0 float64 // logarithms of the scaling indices at the anchor
	dur0 float64
	// woschni is 3.26 B^−0.2, for pressure in Pa: the published coefficient takes kPa.
	woschni float64
}

// grid holds the crank table: a node every d degrees from intake-valve closing to exhaust-valve opening.
type grid struct {
	d         float64
	nodes     int
	volume    []float64 // m³
	logSlope  []float64 // d ln V/dθ, 1/degree
	film      []float64 // area·V^−0.8
	polytrope []float64 // V^−n of the motored pressure
	coarse    int       // nodes a step outside the burn
	far       int       // nodes a step far from top dead centre
	fixed     bool      // one step everywhere
}

// Exponent of the motored pressure in Woschni's term and of the compression line the burn scaling is read on. Common
// practice: between 1.30 and 1.34 for gasoline mixtures (Heywood section 9.2.2).
const polytropicExponent = 1.32

// New checks cfg and builds the tables. Errors name the quantity and its range.
func New(cfg Config) (*Engine, error) {
	if err := cfg.validate(); err != nil {
		return nil, fmt.Errorf("cycle: %w", err)
	}
	e := &Engine{cfg: cfg, vIVC: cfg.Geometry.Volume(cfg.IntakeValveClosing), woschni: 3.26 * math.Pow(1000,
		-0.8) * math.Pow(cfg.Geometry.Bore, -0.2)}
	e.grid = newGrid(cfg)
	if err := e.anchor(); err != nil {
		return nil, fmt.Errorf("cycle: burn anchor: %w", err)
	}
	return e, nil
}

// Config returns what the engine was made from.
func (e *Engine) Config() Config { return e.cfg }

func (c *Config) validate() error {
	b := &c.Burn
	if err := c.Geometry.Validate(); err != nil {
		return err
	}
	if err := c.Friction.Validate(); err != nil {
		return err
	}
	err := bound.First(
		bound.Check("intake-valve closing", c.IntakeValveClosing, -180, -60, "° after firing TDC"),
		bound.Check("exhaust-valve opening", c.ExhaustValveOpening, 60, 180, "° after firing TDC"),
		bound.Check("heat-transfer scale", c.HeatTransfer.Scale, 0, 3, ""),
		bound.Check("wall temperature rise", c.HeatTransfer.WallRise, 0, 200, "K"),
		bound.Check("wall heating share", c.Charging.WallHeating, 0, 0.8, ""),
		bound.Check("evaporation share", c.Charging.Evaporation, 0, 1, ""),
		bound.Check("residual temperature", c.Charging.ResidualTemperature, 600, 1600, "K"),
		bound.Check("exhaust pressure ratio", c.Charging.ExhaustRatio, 0.5, 3, ""),
		bound.Check("least exhaust pressure", c.Charging.ExhaustFloor, 50e3, 200e3, "Pa"),
		bound.Check("combustion efficiency", c.CombustionEfficiency, 0.7, 1, ""),
		bound.Check("delay scale", c.DelayScale, 0.2, 5, ""),
		bound.Check("anchor speed", b.RPM, 500, 10000, "rpm"),
		bound.Check("anchor absolute load", b.AbsoluteLoad, 10, 400, "%"),
		bound.Check("anchor lambda", b.Lambda, minLambda, maxLambda, ""),
		bound.Check("anchor spark", b.Spark, -30, 60, "° before TDC"),
		bound.Check("anchor ignition lag", b.Lag, 1, 45, "°"),
		bound.Check("anchor burn duration", b.Duration, 10, 120, "°"),
	)
	if err != nil {
		return err
	}
	if c.Step != 0 {
		return bound.Check("crank step", c.Step, 0.01, 2, "°")
	}
	return nil
}

// Crank steps of the default grid. Nodes stand half a degree apart, a step is a whole number of degrees: coarse outside
// the burn, and inside it a share of the duration.
const (
	nodeSpacing  = 0.5
	coarseNodes  = 12   // 6° outside the burn
	farNodes     = 20   // 10° outside the burn and farther than farAngle from top dead centre
	farAngle     = 60.0 // degrees
	burnStepsMin = 10.0 // steps a Wiebe duration, at least
	burnStepMax  = 4.0  // degrees
)

// burnStride returns the nodes a step takes while a burn of a duration in degrees lasts.
func (g *grid) burnStride(duration float64) int {
	if g.fixed {
		return g.coarse
	}
	return 2 * int(min(burnStepMax, max(1, duration/burnStepsMin)))
}

func newGrid(cfg Config) grid {
	span := cfg.ExhaustValveOpening - cfg.IntakeValveClosing
	g := grid{coarse: coarseNodes, far: farNodes}
	spacing := nodeSpacing
	if cfg.Step > 0 {
		spacing = cfg.Step / 2
		g.coarse, g.far, g.fixed = 2, 2, true
	}
	g.nodes = 2 * int(math.Ceil(span/(2*spacing)))
	g.d = span / float64(g.nodes)
	n := g.nodes + 1
	g.volume, g.logSlope = make([]float64, n), make([]float64, n)
	g.film, g.polytrope = make([]float64, n), make([]float64, n)
	for i := range n {
		deg := cfg.IntakeValveClosing + float64(i)*g.d
		v := cfg.Geometry.Volume(deg)
		g.volume[i] = v
		g.logSlope[i] = cfg.Geometry.VolumeSlope(deg) / v
		g.film[i] = cfg.Geometry.Area(deg) * math.Pow(v, -0.8)
		g.polytrope[i] = math.Pow(v, -polytropicExponent)
	}
	return g
}

// anchor reads the scaling indices at the anchor.
func (e *Engine) anchor() error {
	b := e.cfg.Burn
	v := e.cfg.Geometry.CylinderDisplacement()
	mass, err := air.MassFromLoad(b.AbsoluteLoad, v)
	if err != nil {
		return err
	}
	pressure, err := air.PressureBySpeedDensity(mass, b.ChargeTemperature, 1, v)
	if err != nil {
		return err
	}
	s := State{RPM: b.RPM, AirMass: mass, ManifoldPressure: pressure, ChargeTemperature: b.ChargeTemperature,
		CoolantTemperature: b.CoolantTemperature, Lambda: b.Lambda, Spark: b.Spark, Fuel: b.Fuel, Octane: 95}
	if err := s.validate(e); err != nil {
		return err
	}
	var c charge
	if err := e.mix(&s, &c); err != nil {
		return err
	}
	e.lag0 = e.lagIndex(&s, &c)
	e.dur0 = e.durationIndex(&s, &c, b.Lag)
	return nil
}
