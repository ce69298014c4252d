package fleet

import (
	"math"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/models/value"
)

// Quantity is how a limited metric is measured, what physics says of it, and how sure that is. Its unit, side and
// inputs are the catalogue's (internal/metric).
type Quantity struct {
	metric.Info

	// Measured reads the logged value of a state's row; nil when no log can show it.
	Measured func(p *state.Platform, s *state.State) float64
	// Predictor is the physics value that carries the change from parent to revision. For a measured metric it is a
	// covariate (the level comes from the fleet); for a computed one it is the value itself.
	Predictor func(p *state.Platform, s *state.State) float64
	// slope and slopeSD are the prior of the predictor's coefficient in a measured metric's model.
	slope, slopeSD float64
	// together is how the logarithms of the coefficients of its parts are correlated beforehand.
	together float64
	// flow is what a revision's change of air flow adds to the predictor a unit of its logarithm; 0: nothing.
	flow float64
	// ChangeSD and SparkSD are the relative standard deviations of the change that a revision makes to the predictor,
	// through all but spark and through spark (see ChangeOf): the fleet's logs, however many, do not hold the
	// revision's change. SparkSD is 0 for a predictor that spark does not enter.
	ChangeSD, SparkSD float64
	// Stands allows the predictor to stand for the metric where nothing was measured; bias is then the relative
	// standard deviation of the model's level.
	Stands bool
	bias   float64
	// Moves says that the metric is judged at every sample kept of a cell (state.Visit), because it and limits on it
	// change within one; else it is an extreme of the cell, met at the speed and load that place gives (nil: of the
	// state).
	Moves bool
	place func(r *evidence.Row) (rpm, load float64)
	// sample reads a logged sample, where the metric moves and can be measured; nil else.
	sample func(p *state.Platform, at *evidence.Sample) float64
}

// logged makes a reader of rows one of states.
func logged(read func(r *evidence.Row) float64) func(*state.Platform, *state.State) float64 {
	return func(_ *state.Platform, s *state.State) float64 { return read(s.Row) }
}

// quantities holds every limited metric but the knock margin, which has a model of its own (models/knock). Slopes of 1
// say "physics gives the slope": a change of the predictor moves the metric by as much, give or take the stated share
// (35 % for physics slopes; tighter where the predictor is the commanded value itself). What follows air mass moves
// with it to within a tenth, torque and pressure follow burn phasing to within a fifth. Bias and change shares are
// common practice, no source.
var quantities = []Quantity{
	{Info: row(metric.Lambda), ChangeSD: 0.05, slope: 1, slopeSD: 0.1,
		Measured:  logged(func(r *evidence.Row) float64 { return r.LambdaLeanest }),
		Predictor: func(_ *state.Platform, s *state.State) float64 { return s.LambdaCommanded },
		place:     func(r *evidence.Row) (rpm, load float64) { return r.LeanestRPM, r.LeanestLoad }},
	{Info: row(metric.InjectorDuty), ChangeSD: 0.1, slope: 1, slopeSD: 0.35, Stands: true, bias: 0.10,
		Measured:  logged(func(r *evidence.Row) float64 { return r.InjectorDuty }),
		Predictor: (*state.Platform).InjectorDuty},
	{Info: row(metric.InjectionWindowUse), ChangeSD: 0.1, slope: 1, slopeSD: 0.35, Stands: true, bias: 0.10,
		Measured:  (*state.Platform).LoggedWindowUse,
		Predictor: (*state.Platform).WindowUse},
	{Info: row(metric.PumpUse), ChangeSD: 0.1, slope: 1, slopeSD: 0.35, Stands: true, bias: 0.10,
		Measured:  (*state.Platform).LoggedPumpUse,
		Predictor: (*state.Platform).PumpUse},
	{Info: row(metric.RailShortfall), ChangeSD: 0.2, slope: 1, slopeSD: 0.35,
		Measured:  logged(func(r *evidence.Row) float64 { return r.RailShortfall }),
		Predictor: (*state.Platform).PumpDroop},
	{Info: row(metric.ChargeTemperature), ChangeSD: 0.2, slope: 1, slopeSD: 0.35,
		Measured:  logged(func(r *evidence.Row) float64 { return r.ChargeTemperatureMax }),
		Predictor: (*state.Platform).ChargeRise},
	{Info: row(metric.CoolantTemperature), ChangeSD: 0.2, slope: 0, slopeSD: 0.5,
		Measured:  logged(func(r *evidence.Row) float64 { return r.CoolantTemperature }),
		Predictor: (*state.Platform).FuelFlow},
	{Info: row(metric.OilTemperature), ChangeSD: 0.2, slope: 0, slopeSD: 0.5,
		Measured:  logged(func(r *evidence.Row) float64 { return r.OilTemperature }),
		Predictor: (*state.Platform).FuelFlow},
	{Info: row(metric.ExhaustTemperature), ChangeSD: 0.2, SparkSD: 0.2, slope: 0.7, slopeSD: 0.35, together: onTheWay,
		Measured:  (*state.Platform).SettledExhaust,
		Predictor: func(_ *state.Platform, s *state.State) float64 { return s.Simulated.ExhaustC },
		flow:      flowHeats},
	{Info: row(metric.PeakPressure), ChangeSD: 0.1, SparkSD: 0.2, Stands: true, bias: 0.08, Moves: true,
		Predictor: func(_ *state.Platform, s *state.State) float64 { return s.Simulated.PeakKPa }},
	{Info: row(metric.BMEP), ChangeSD: 0.1, SparkSD: 0.2, slope: 1, slopeSD: 0.2, Stands: true, bias: 0.08, Moves: true,
		Measured:  func(p *state.Platform, s *state.State) float64 { return p.BMEPOf(s.Row.Bound.Torque) },
		sample:    func(p *state.Platform, at *evidence.Sample) float64 { return p.BMEPOf(at.Torque) },
		Predictor: func(_ *state.Platform, s *state.State) float64 { return s.Simulated.BMEPKPa }},
	{Info: row(metric.BoostOvershoot), ChangeSD: 0.5, slope: boostLoopLag, slopeSD: 0.15,
		Measured:  logged(overshootOnTarget),
		Predictor: targetFall},
	{Info: row(metric.WastegateDuty), ChangeSD: 0.2, slope: 0, slopeSD: 0.5,
		Measured:  logged(dutyOnTarget),
		Predictor: boostOnTarget},
	{Info: row(metric.Torque), ChangeSD: 0.1, SparkSD: 0.2, slope: 1, slopeSD: 0.2, Stands: true, bias: 0.08,
		Moves:     true,
		Measured:  logged(func(r *evidence.Row) float64 { return r.Bound.Torque }),
		sample:    func(_ *state.Platform, at *evidence.Sample) float64 { return at.Torque },
		Predictor: func(_ *state.Platform, s *state.State) float64 { return s.Simulated.TorqueNm }},
}

// starves reports whether a starving pump shows in the metric.
func (m *Quantity) starves() bool { return m.ID == metric.Lambda }

// PhysicsSlope is what physics expects the metric to move by for one unit of its predictor; 0 where it expects nothing.
func (m *Quantity) PhysicsSlope() float64 { return m.slope }

// trails reports whether the probe that measures the metric trails it by state.ProbeLag.
func (m *Quantity) trails() bool { return m.ID == metric.ExhaustTemperature }

// row is a metric's row of the catalogue.
func row(id metric.ID) metric.Info {
	m, _ := metric.Of(id)
	return m
}

// QuantityOf is how a metric is measured and computed; nil for a metric that this package does not know how to judge.
func QuantityOf(id metric.ID) *Quantity {
	for i := range quantities {
		if quantities[i].ID == id {
			return &quantities[i]
		}
	}
	return nil
}

// PlaceOf is the speed (rpm) and absolute load (%) at which the metric is held against a limit. What moves the load of
// a state moves that of the place by the same factor.
func (m *Quantity) PlaceOf(s *state.State) (rpm, load float64) {
	if m.place == nil || s.Row == nil || s.Edge {
		return s.RPM, s.Load
	}
	rpm, load = m.place(s.Row)
	return value.Or(rpm, s.RPM), value.Or(load*s.Load/s.Root().Load, s.Load)
}

// LimitBetween is the limit that the pull of a logged state met between its sample there and the one before or after,
// if any: a sample stands for half the way to its neighbours.
func (m *Quantity) LimitBetween(s *state.State, limit func(rpm, load float64) (float64, bool)) (at float64, met bool) {
	row := s.Root().Row
	if row == nil || !value.Known(row.SpeedRate) {
		return 0, false
	}
	rpm, load := m.PlaceOf(s)
	half := row.SpeedRate * row.SampleInterval / 2
	if at, met = limit(rpm-half, load); met {
		return at, true
	}
	return limit(rpm+half, load)
}

// Margin is the smallest measured margin of a logged state's row to a limit, positive inside; NaN where the metric was
// not measured or the limit does not apply. limit gives the limit at a speed and load, and whether it applies there.
func (m *Quantity) Margin(p *state.Platform, s *state.State, limit func(rpm, load float64) (float64, bool)) float64 {
	smallest := math.NaN()
	look := func(rpm, load, v float64) {
		at, applies := limit(rpm, load)
		if margin := m.Side.Sign() * (at - v); applies && value.Known(margin) && !(margin >= smallest) {
			smallest = margin
		}
	}
	if m.sample == nil {
		rpm, load := s.Row.RPM, s.Row.Load
		if m.place != nil {
			atRPM, atLoad := m.place(s.Row)
			rpm, load = value.Or(atRPM, rpm), value.Or(atLoad, load)
		}
		look(rpm, load, m.Measured(p, s))
		return smallest
	}
	for _, at := range s.Row.Kept() {
		look(at.RPM, at.Load, m.sample(p, at))
	}
	return smallest
}

// Part is what a calibration moves a metric's predictor through.
type Part int

// The parts of a change: air flow, which is all of it for a metric that has no other part; the mixture; spark; and what
// the cycle gives for charge, whose slope no past revision tells apart from air flow's.
const (
	ThroughAir Part = iota
	ThroughMixture
	ThroughSpark
	ThroughCharge
	NumParts
)

// flowHeats is how much hotter exhaust reaches a probe for a unit more of the logarithm of air flow, K, before the way
// to the probe takes its part, beside what the cycle gives, whose gas leaves the cylinder cooler the denser the charge:
// port and manifold take a smaller share of a larger flow's heat. Together it is about 80 K, 55 from half to full load
// at the same phasing and mixture. Common practice, no source.
const flowHeats = 200

// onTheWay is the correlation of what a probe sees of changes through air, mixture and spark: the way from cylinder to
// probe takes its share of every change of the gas alike, beside which the cycle errs for each. Common practice, no
// source.
const onTheWay = 0.7

// Parts is something of each part.
type Parts [NumParts]float64

// PartsOf is how far a metric's predictor moved from what was logged, by part. They are kept apart because physics is
// off by different amounts in each, and so are their errors: more charge and less spark may cancel in torque, what is
// not known of either does not. A metric that the cycle model has no part in moves through ThroughAir alone.
func (m *Quantity) PartsOf(p *state.Platform, s *state.State) (out Parts) {
	if s.Logged == nil {
		return out
	}
	with := func(combustion state.Simulated) float64 {
		at := *s
		at.Simulated = combustion
		return m.Predictor(p, &at)
	}
	now, kept, air, then := m.Predictor(p, s), with(s.SparkKept), with(s.OnlyAir), m.Predictor(p, s.Logged)
	if !value.AllKnown(now, kept, air, then) {
		return out
	}
	by := Parts{ThroughMixture: kept - air, ThroughSpark: now - kept}
	if m.flow > 0 {
		by[ThroughAir] = m.flow * math.Log(s.Load*s.RPM/(s.Logged.Load*s.Logged.RPM))
	}
	m.takesCharge(&by, air-then)
	return by
}

// takesCharge puts what the predictor gives for charge where the metric has it.
func (m *Quantity) takesCharge(out *Parts, by float64) {
	if m.flow > 0 {
		out[ThroughCharge] = by
	} else {
		out[ThroughAir] = by
	}
}

// ChangeOf is how far a metric's predictor moved from what was logged: through spark, and through all else.
func (m *Quantity) ChangeOf(p *state.Platform, s *state.State) (rest, spark float64) {
	by := m.PartsOf(p, s)
	return by[ThroughAir] + by[ThroughCharge] + by[ThroughMixture], by[ThroughSpark]
}

// overshootOnTarget is a cell's boost overshoot, NaN while the turbocharger still spools.
func overshootOnTarget(r *evidence.Row) float64 {
	if evidence.Spooling(r.BoostOvershoot) {
		return math.NaN()
	}
	return r.BoostOvershoot
}

// dutyOnTarget is a cell's wastegate duty, NaN while the turbocharger still spools or where that cannot be told: the
// valve is then shut on purpose and its duty says nothing of what is left.
func dutyOnTarget(r *evidence.Row) float64 {
	if math.IsNaN(overshootOnTarget(r)) {
		return math.NaN()
	}
	return r.WastegateDuty
}

// boostOnTarget is how far the manifold lies above ambient, kPa; NaN as in dutyOnTarget.
func boostOnTarget(_ *state.Platform, s *state.State) float64 {
	if !value.Known(s.Overshoot) || evidence.Spooling(s.Overshoot) {
		return math.NaN()
	}
	return s.Manifold - s.Barometer
}

// boostLoopLag is how far, in seconds, manifold pressure trails a moving target; common practice, no source.
const boostLoopLag = 0.25

// targetFall is how fast the boost target falls, kPa/s, 0 while it rises: pressure that trails a falling target
// overshoots it by as much a second of lag. NaN while the turbocharger still spools.
func targetFall(_ *state.Platform, s *state.State) float64 {
	if !value.Known(s.Overshoot) || evidence.Spooling(s.Overshoot) || !value.Known(s.TargetRate) {
		return math.NaN()
	}
	return math.Max(0, -s.TargetRate)
}
