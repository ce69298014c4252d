package reading

import (
	"math"
	"slices"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
	"headroom/models/unit"
)

// Context is what has been settled of a run so far: the columns read later are judged against it. What was stated and
// the seconds are given by the caller, who keeps the channels as they are settled (Keep) and notes imperial units.
type Context struct {
	Barometer    float64   // stated, kPa absolute; 0 or NaN: not known
	Stoich       float64   // stated ratio by which logged air–fuel ratios are scaled; 0: not known
	Standard     float64   // that of the standard atmosphere at the stated altitude, kPa; NaN: none is stated
	Altitude     float64   // stated, m
	Displacement float64   // stated, of the engine, litres; 0: not known
	Seconds      []float64 // of every row, NaN where there is none

	Metered bool // a column is named like mass air flow
	Forced  bool // a column is named like boost, its target or its valve

	Speed    []float64 // rpm, nil when not logged
	Opening  []float64 // throttle, or pedal without one, %, nil when not logged
	road     []float64 // km/h
	baro     []float64 // kPa absolute, nil when not logged
	manifold []float64 // kPa absolute, nil when not settled
	lambda   []float64 // measured

	air    Air     // of the surroundings, once it had to be assumed
	stoich float64 // air–fuel ratio at which the commanded one stands at part throttle; 0: not known
	held   []bool  // whether it stands there, by sample

	pulse       []float64 // injector pulse, ms, nil when not settled
	flow        []float64 // air mass flow, g/s, nil when not settled
	atRest      []bool    // samples of an engine that stands for long enough, nil before it was asked for
	closedAt    float64   // throttle below which it is closed, %
	closedKnown bool

	// Conclusions about the logger's habits, which hold for all rows of the log.
	Imperial    bool      // some column is in mph, psi, °F or lb/min
	thermal     unit.Unit // unit of the temperatures without a written one, as settled so far; "" when none
	kilopascals bool      // barometric pressure without a written unit is in kPa
}

// Keep records a channel that was settled, by which later ones are judged.
//
// A column that is read more slowly than rows are written holds its last reading here for up to heldSeconds, so that
// columns that have no row in common can be judged by one another.
func (ctx *Context) Keep(id channel.ID, r Reading) {
	if id != channel.BarometricPressure {
		r.Values = ctx.carried(r.Values)
	}
	switch id {
	case channel.EngineSpeed:
		ctx.Speed = r.Values
	case channel.VehicleSpeed:
		ctx.road = r.Values
	case channel.ThrottlePosition:
		ctx.Opening, ctx.closedKnown = r.Values, false
	case channel.PedalPosition:
		if ctx.Opening == nil {
			ctx.Opening, ctx.closedKnown = r.Values, false
		}
	case channel.BarometricPressure:
		ctx.baro = r.Values
	case channel.ManifoldPressure:
		ctx.manifold = r.Values
	case channel.Lambda:
		ctx.lambda = r.Values
	case channel.MassAirFlow:
		ctx.flow = r.Values
	case channel.InjectorPulse:
		ctx.pulse = r.Values
	}
}

// heldSeconds is how long a reading stands for the present one while columns are settled: common practice, no source.
const heldSeconds = 2.0

// carried fills missing readings with the last one where that is recent; values without any missing are returned as
// they are.
func (ctx *Context) carried(values []float64) []float64 {
	if !slices.ContainsFunc(values, math.IsNaN) {
		return values
	}
	out := slices.Clone(values)
	last := -1
	for i, v := range values {
		switch {
		case !math.IsNaN(v):
			last = i
		case last >= 0 && i < len(ctx.Seconds) && ctx.Seconds[i]-ctx.Seconds[last] <= heldSeconds:
			out[i] = values[last]
		}
	}
	return out
}

// Further is the context of further rows of the same log: what was stated and concluded stays, no channel is settled.
func (ctx *Context) Further(seconds []float64) *Context {
	return &Context{Barometer: ctx.Barometer, Standard: ctx.Standard, Altitude: ctx.Altitude, Stoich: ctx.Stoich,
		Displacement: ctx.Displacement, Seconds: seconds,
		Metered: ctx.Metered, Forced: ctx.Forced,
		thermal: ctx.thermal, kilopascals: ctx.kilopascals, Imperial: ctx.Imperial}
}

// idling reports whether sample i is at idle: turning slowly with the car at rest, as far as road speed is logged.
func (ctx *Context) idling(i int) bool {
	if i >= len(ctx.Speed) || !(ctx.Speed[i] > 400 && ctx.Speed[i] < 1150) {
		return false
	}
	return ctx.road == nil || ctx.road[i] < 3
}

// How long the engine has to stand, or the throttle to be open, before a pressure is believed to have settled; common
// practice, no source.
const (
	restSeconds = 1.5
	openSeconds = 1.0
	restSamples = 3
	untimedRest = 8 // samples, where time stands still with the engine
)

// stopped reports whether sample i has the engine at rest, for long enough that the manifold has filled.
func (ctx *Context) stopped(i int) bool {
	if i >= len(ctx.Speed) || ctx.Speed[i] != 0 {
		return false
	}
	if len(ctx.atRest) != len(ctx.Speed) {
		ctx.atRest = ctx.lasting(func(i int) bool { return ctx.Speed[i] == 0 }, restSeconds)
	}
	return ctx.atRest[i]
}

// lasting marks the stretches in which a state holds for at least so many seconds and restSamples samples; samples
// without a speed do not end one.
func (ctx *Context) lasting(state func(i int) bool, seconds float64) []bool {
	out := make([]bool, len(ctx.Speed))
	from, n := -1, 0
	closeAt := func(end int) {
		past := ctx.elapsed(from, min(end, len(out)-1))
		if from >= 0 && (n >= restSamples && past >= seconds || n >= untimedRest && past == 0) {
			for i := from; i < end; i++ {
				out[i] = true
			}
		}
		from, n = -1, 0
	}
	for i, v := range ctx.Speed {
		switch {
		case math.IsNaN(v):
		case state(i):
			if from < 0 {
				from = i
			}
			n++
		default:
			closeAt(i)
		}
	}
	closeAt(len(out))
	return out
}

// elapsed is the time between two rows in seconds; 0 where either has none.
func (ctx *Context) elapsed(a, b int) float64 {
	if a < 0 || b >= len(ctx.Seconds) {
		return 0
	}
	if d := ctx.Seconds[b] - ctx.Seconds[a]; d > 0 {
		return d
	}
	return 0
}

// settledOpen reports whether sample i is at nearly full throttle under load and has been for openSeconds: before, the
// manifold may still fill.
func (ctx *Context) settledOpen(i int) bool {
	if !ctx.wideOpen(i) {
		return false
	}
	for j := i; j >= 0; j-- {
		if ctx.elapsed(j, i) >= openSeconds {
			return true
		}
		if ctx.Opening[j] < 80 {
			return false
		}
	}
	return false
}

// closedThrottle reports whether sample i has the engine turning with the throttle closed: at idle, or on the overrun.
func (ctx *Context) closedThrottle(i int) bool {
	if i >= len(ctx.Speed) || !(ctx.Speed[i] > 400) {
		return false
	}
	if ctx.idling(i) {
		return true
	}
	if !ctx.closedKnown {
		ctx.closedKnown, ctx.closedAt = true, samples.Quantile(samples.Sorted(ctx.Opening), 0.05)+2
	}
	return i < len(ctx.Opening) && ctx.Opening[i] <= ctx.closedAt && ctx.Opening[i] < 35
}

// boosted reports whether the engine is known to be charged: by its manifold pressure, or by the names of the columns.
func (ctx *Context) boosted() bool {
	if ctx.Forced {
		return true
	}
	baro := ctx.barometer()
	if math.IsNaN(baro) {
		baro = standardAir
	}
	s := samples.Sorted(ctx.manifold)
	return len(s) > 0 && samples.Quantile(s, 0.99) > boostedRatio*baro
}

// boostedRatio is the ratio of manifold to surrounding pressure that no engine reaches by breathing alone: ram and
// tuned pipes gain less than a tenth. Common practice, no source.
const boostedRatio = 1.15

// partThrottle reports whether sample i has the engine turning at part throttle or idle; at any throttle where it is
// not logged.
func (ctx *Context) partThrottle(i int) bool {
	if ctx.Opening != nil && !(i < len(ctx.Opening) && ctx.Opening[i] < 50) {
		return false
	}
	return i < len(ctx.Speed) && ctx.Speed[i] > 400
}

// wideOpen reports whether sample i is at nearly full throttle under load.
func (ctx *Context) wideOpen(i int) bool {
	if i >= len(ctx.Opening) || !(ctx.Opening[i] >= 80) {
		return false
	}
	return ctx.Speed == nil || ctx.Speed[i] > 1500
}
