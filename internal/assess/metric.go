package assess

import (
	"math"

	"headroom/internal/evidence"
	"headroom/models/value"
)

// metric is one quantity a limit can be set on: where it is measured, what physics says of it, and how sure that is.
type metric struct {
	name string
	unit string
	side float64 // +1: the limit is an upper one; −1: a lower one

	// measured reads the logged value of a row; nil when no log can show it.
	measured func(p *platform, r *evidence.Row) float64
	// predictor is the physics value that carries the change from parent to revision. For a measured metric it is a
	// covariate (the level comes from the fleet); for a computed one it is the value itself.
	predictor func(p *platform, s *state) float64
	// slope and slopeSD are the prior of the predictor's coefficient in a measured metric's model.
	slope, slopeSD float64
	// changeSD and sparkSD are the relative standard deviations of the change that a revision makes to the predictor,
	// through all but spark and through spark (see changeOf): the fleet's logs, however many, do not hold the
	// revision's change. sparkSD is 0 for a predictor that spark does not enter.
	changeSD, sparkSD float64
	// computed allows the predictor to stand for the metric where nothing was measured; bias is then the relative
	// standard deviation of the model's level.
	computed bool
	bias     float64
	// moves says that the metric is judged at every sample kept of a cell (see state.ends), because it and limits on it
	// change within one; else it is an extreme of the cell, met at the speed that place gives (nil: of the state).
	moves bool
	place func(r *evidence.Row) float64
	// sample reads a logged sample, where the metric moves and can be measured; nil else.
	sample func(p *platform, at *evidence.Sample) float64
	// noClaim explains what is missing when there are neither measurements nor a computed value.
	noClaim string
}

// KnockMargin is the metric of the hazard knock: degrees of spark left to the knock limit. It is predicted by its own
// model (models/knock); side −1, because less margin is worse.
const KnockMargin = "knock_margin"

// metrics holds every metric but the knock margin. Slopes of 1 say "physics gives the slope": a change of the
// predictor moves the metric by as much, give or take the stated share (methods: 35 % for physics slopes; tighter
// where the predictor is the commanded value itself). What follows air
// mass moves with it to within a tenth, torque and pressure follow burn phasing to within a fifth. Bias and change
// shares are common practice, no source.
var metrics = []metric{
	{name: "lambda", unit: "lambda", side: 1, changeSD: 0.1,
		measured:  func(_ *platform, r *evidence.Row) float64 { return r.LambdaLeanest },
		predictor: func(_ *platform, s *state) float64 { return s.lambdaCmd },
		slope:     1, slopeSD: 0.15, place: func(r *evidence.Row) float64 { return r.LeanestRPM },
		noClaim: "no log has lambda"},
	{name: "injector_duty", unit: "%", side: 1, changeSD: 0.1,
		measured:  func(_ *platform, r *evidence.Row) float64 { return r.InjectorDuty },
		predictor: func(p *platform, s *state) float64 { return p.injectorDuty(s) },
		slope:     1, slopeSD: 0.35, computed: true, bias: 0.10,
		noClaim: "injector duty is not logged and cannot be computed"},
	{name: "injection_window_use", unit: "%", side: 1, changeSD: 0.1,
		measured: func(p *platform, r *evidence.Row) float64 { return p.loggedWindowUse(r) },
		slope:    1, slopeSD: 0.35,
		predictor: func(p *platform, s *state) float64 { return p.windowUse(s) },
		computed:  true, bias: 0.10, noClaim: "injection window use cannot be computed"},
	{name: "pump_use", unit: "%", side: 1, changeSD: 0.1,
		measured: func(p *platform, r *evidence.Row) float64 { return p.loggedPumpUse(r) },
		slope:    1, slopeSD: 0.35,
		predictor: func(p *platform, s *state) float64 { return p.pumpUse(s) },
		computed:  true, bias: 0.10, noClaim: "pump demand cannot be computed"},
	{name: "rail_shortfall", unit: "kPa", side: 1, changeSD: 0.35,
		measured:  func(_ *platform, r *evidence.Row) float64 { return r.RailShortfall },
		predictor: func(p *platform, s *state) float64 { return p.pumpDroop(s) },
		slope:     1, slopeSD: 0.35, noClaim: "no log has rail pressure and its target"},
	{name: "charge_temperature", unit: "°C", side: 1, changeSD: 0.35,
		measured:  func(_ *platform, r *evidence.Row) float64 { return r.ChargeTemperatureMax },
		predictor: func(p *platform, s *state) float64 { return p.chargeRise(s.manifold, s.baro, s.ambient) },
		slope:     1, slopeSD: 0.35, noClaim: "no log has charge temperature"},
	{name: "coolant_temperature", unit: "°C", side: 1, changeSD: 0.35,
		measured:  func(_ *platform, r *evidence.Row) float64 { return r.CoolantTemperature },
		predictor: func(p *platform, s *state) float64 { return p.fuelFlow(s) },
		slope:     0, slopeSD: 0.5, noClaim: "no log has coolant temperature"},
	{name: "oil_temperature", unit: "°C", side: 1, changeSD: 0.35,
		measured:  func(_ *platform, r *evidence.Row) float64 { return r.OilTemperature },
		predictor: func(p *platform, s *state) float64 { return p.fuelFlow(s) },
		slope:     0, slopeSD: 0.5, noClaim: "no log has oil temperature"},
	{name: "exhaust_temperature", unit: "°C", side: 1, changeSD: 0.35, sparkSD: 0.35,
		measured:  func(_ *platform, r *evidence.Row) float64 { return r.ExhaustTemperature },
		predictor: func(_ *platform, s *state) float64 { return s.sim.exhaustC },
		slope:     1, slopeSD: 0.35, noClaim: "no log has exhaust temperature; without data no claim is made"},
	{name: "peak_pressure", unit: "kPa", side: 1, changeSD: 0.1, sparkSD: 0.2,
		predictor: func(_ *platform, s *state) float64 { return s.sim.peakKPa },
		computed:  true, bias: 0.08, moves: true, noClaim: "the cycle cannot be computed"},
	{name: "bmep", unit: "kPa", side: 1, changeSD: 0.1, sparkSD: 0.2,
		measured:  func(p *platform, r *evidence.Row) float64 { return p.bmepOf(r.Bound.Torque) },
		sample:    func(p *platform, at *evidence.Sample) float64 { return p.bmepOf(at.Torque) },
		predictor: func(_ *platform, s *state) float64 { return s.sim.bmepKPa },
		slope:     1, slopeSD: 0.2, computed: true, bias: 0.08, moves: true, noClaim: "the cycle cannot be computed"},
	{name: "boost_overshoot", unit: "kPa", side: 1, changeSD: 0.5,
		measured:  overshootOnTarget,
		predictor: targetFall,
		slope:     boostLoopLag, slopeSD: 0.15, noClaim: "no log has manifold pressure and its target"},
	{name: "torque", unit: "N·m", side: 1, changeSD: 0.1, sparkSD: 0.2,
		measured:  func(_ *platform, r *evidence.Row) float64 { return r.Bound.Torque },
		sample:    func(_ *platform, at *evidence.Sample) float64 { return at.Torque },
		predictor: func(_ *platform, s *state) float64 { return s.sim.torqueNm },
		slope:     1, slopeSD: 0.2, computed: true, bias: 0.08, moves: true, noClaim: "the cycle cannot be computed"},
}

// speedOf is the speed at which the metric is held against a limit.
func (m *metric) speedOf(s *state) float64 {
	if m.place == nil || s.row == nil || s.end {
		return s.rpm
	}
	return value.Or(m.place(s.row), s.rpm)
}

// overshootOnTarget is a cell's boost overshoot, NaN while the turbocharger still spools.
func overshootOnTarget(_ *platform, r *evidence.Row) float64 {
	if evidence.Spooling(r.BoostOvershoot) {
		return math.NaN()
	}
	return r.BoostOvershoot
}

// boostLoopLag is how far, in seconds, manifold pressure trails a moving target; common practice, no source.
const boostLoopLag = 0.25

// targetFall is how fast the boost target falls, kPa/s, 0 while it rises: pressure that trails a falling target
// overshoots it by as much a second of lag. NaN while the turbocharger still spools.
func targetFall(_ *platform, s *state) float64 {
	if !value.Known(s.overshoot) || evidence.Spooling(s.overshoot) || !value.Known(s.targetRate) {
		return math.NaN()
	}
	return math.Max(0, -s.targetRate)
}
