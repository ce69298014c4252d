package reading

import (
	"headroom/models/channel"
	"headroom/models/unit"
)

// Context is what has been settled of a run so far: the columns read later are judged against it. What was stated and
// the seconds are given by the caller, who keeps the channels as they are settled (Keep) and notes imperial units.
type Context struct {
	Barometer    float64   // stated, kPa absolute; 0 or NaN: not known
	Stoich       float64   // stated ratio by which logged air–fuel ratios are scaled; 0: not known
	Displacement float64   // stated, of the engine, litres; 0: not known
	Seconds      []float64 // of every row, NaN where there is none

	Speed    []float64 // rpm, nil when not logged
	Opening  []float64 // throttle, or pedal without one, %, nil when not logged
	road     []float64 // km/h
	baro     []float64 // kPa absolute, nil when not logged
	manifold []float64 // kPa absolute, nil when not settled
	lambda   []float64 // measured

	stoich float64 // air–fuel ratio at which the commanded one stands at part throttle; 0: not known
	held   []bool  // whether it stands there, by sample

	// Conclusions about the logger's habits, which hold for all rows of the log.
	Imperial    bool      // some column is in mph, psi, °F or lb/min
	thermal     unit.Unit // unit of the temperatures without a written one, as settled so far; "" when none
	kilopascals bool      // barometric pressure without a written unit is in kPa
}

// Keep records a channel that was settled, by which later ones are judged.
func (ctx *Context) Keep(id channel.ID, r Reading) {
	switch id {
	case channel.EngineSpeed:
		ctx.Speed = r.Values
	case channel.VehicleSpeed:
		ctx.road = r.Values
	case channel.ThrottlePosition:
		ctx.Opening = r.Values
	case channel.PedalPosition:
		if ctx.Opening == nil {
			ctx.Opening = r.Values
		}
	case channel.BarometricPressure:
		ctx.baro = r.Values
	case channel.ManifoldPressure:
		ctx.manifold = r.Values
	case channel.Lambda:
		ctx.lambda = r.Values
	}
}

// Further is the context of further rows of the same log: what was stated and concluded stays, no channel is settled.
func (ctx *Context) Further(seconds []float64) *Context {
	return &Context{Barometer: ctx.Barometer, Stoich: ctx.Stoich, Displacement: ctx.Displacement, Seconds: seconds,
		thermal: ctx.thermal, kilopascals: ctx.kilopascals, Imperial: ctx.Imperial}
}

// idling reports whether sample i is at idle: turning slowly with the car at rest, as far as road speed is logged.
func (ctx *Context) idling(i int) bool {
	if i >= len(ctx.Speed) || !(ctx.Speed[i] > 400 && ctx.Speed[i] < 1150) {
		return false
	}
	return ctx.road == nil || ctx.road[i] < 3
}

// stopped reports whether sample i has the engine at rest.
func (ctx *Context) stopped(i int) bool { return i < len(ctx.Speed) && ctx.Speed[i] == 0 }

// partThrottle reports whether sample i has the engine turning at part throttle or idle.
func (ctx *Context) partThrottle(i int) bool {
	return i < len(ctx.Opening) && ctx.Opening[i] < 50 && i < len(ctx.Speed) && ctx.Speed[i] > 400
}

// wideOpen reports whether sample i is at nearly full throttle under load.
func (ctx *Context) wideOpen(i int) bool {
	if i >= len(ctx.Opening) || !(ctx.Opening[i] >= 80) {
		return false
	}
	return ctx.Speed == nil || ctx.Speed[i] > 1500
}
