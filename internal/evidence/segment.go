package evidence

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"headroom/internal/runlog"
	"headroom/models/channel"
	"headroom/models/value"
)

// Segment is one stretch of a run that is counted as one observation: samples [From, To).
type Segment struct {
	Kind     string // KindPull or KindSteady
	From, To int
	Gear     float64 // NaN when not logged
	Reason   string  // one plain sentence: why this is a segment
}

// Tolerances of the segment rules: common practice, no source.
const (
	fallRPM       = 50   // speed may fall this much from its highest before a rise has ended …
	fallShare     = 0.02 // … or this share of it, whichever is more
	stallSeconds  = 1.0  // a rise has ended when speed found no new height for this long …
	stallSamples  = 3    // … or this many sample intervals, whichever is more
	minSamples    = 3    // fewest usable speed samples of a pull
	ratioJump     = 0.11 // change of ln(engine speed/vehicle speed) that is another gear
	ratioSpeedMin = 20   // km/h below which that ratio is too coarse
	ratioMemory   = 5    // samples whose median is the present ratio
	slopeJump     = 4    // a step this many times the median step …
	slopeShare    = 0.03 // … and this share of the speed is a downshift
	steadySpeed   = 0.05 // largest spread of speed in a steady stretch, share of the speed …
	steadyRPM     = 100  // … or rpm, whichever is more
	steadyLoad    = 10   // largest spread of load, % (kPa where only manifold pressure is logged)
	runningRPM    = 400  // below this the engine is being cranked or stands
	idleRPM       = 1200 // at and below this, with the car at rest as far as its speed is logged, it idles
	idleSamples   = 5    // fewest at idle that tell what the throttle does there
	idleOpen      = 50   // % of throttle at idle from which the flap is no demand: a diesel's stands open
	gearSeconds   = 1.0  // a gear that does not last so long, or comes back within it, flickers
)

// Segments finds the pulls and the steady part-throttle stretches of an aligned run, in time order, and says what was
// left out and why.
//
// A pull is a maximal stretch in which the driver's demand stays at or above Pulls.ThrottleMin, engine speed rises, and
// the gear is one: by a constant ratio of engine to vehicle speed, else by the gear channel, else by the continuity of
// the slope of speed. It must last MinSeconds and rise by MinSpanRPM. Speed is smoothed by a running median of three
// for this purpose only. Demand is the pedal where one is logged (a control unit may close the throttle itself) and the
// throttle where none is, or where the pedal never shows full on its scale and the throttle does. A throttle that
// stands open at idle, as a diesel's flap does, is no demand.
//
// A steady stretch is part throttle with speed within 5 % (at least 100 rpm) and load within 10 points, for at least
// SteadySeconds. Load is absolute load, else manifold pressure, else calculated load, else throttle.
//
// One unusable sample in a row is bridged, two are not, and no segment crosses a gap in time of more than 2.5 median
// sample intervals. A pull that starts below Pulls.WarmCoolant, and any steady sample below it, is left out; where no
// coolant temperature is logged, warmth is unknown and a finding says so.
func Segments(run *runlog.Run, setup *Setup) ([]Segment, []runlog.Finding) {
	load, _ := AbsoluteLoad(run, setup)
	f := newFinder(run, setup, load)
	if f.speed == nil {
		return nil, []runlog.Finding{wholeRun(run, channel.EngineSpeed, KindNoSpeed, "engine speed is not logged: no "+
			"segment can be found")}
	}
	if f.demand == nil {
		why := "neither throttle nor pedal is logged"
		if f.idleThrottle > 0 {
			why = fmt.Sprintf("no pedal is logged, and the throttle stands at %.0f %% at idle, so it is no demand",
				f.idleThrottle)
		}
		return nil, []runlog.Finding{wholeRun(run, channel.ThrottlePosition, KindNoThrottle, why+": full and part "+
			"throttle cannot be told apart, so no segment is counted")}
	}
	segments := append(f.pulls(), f.steady()...)
	slices.SortFunc(segments, func(a, b Segment) int { return cmp.Compare(a.From, b.From) })
	return segments, append(f.general(len(segments)), f.findings...)
}

// finder holds what the two searches share.
type finder struct {
	run      *runlog.Run
	setup    *Setup
	speed    []float64 // nil when not logged
	demand   []float64 // of the driver, %; nil when nothing logged shows it
	gear     []float64
	vehicle  []float64
	coolant  []float64 // last usable value at or before the sample
	load     []float64 // what steadiness of load is judged by
	interval float64
	findings []runlog.Finding

	idleThrottle float64 // % at which a throttle that is no demand stands at idle; 0: it is one
}

func newFinder(run *runlog.Run, setup *Setup, load []float64) *finder {
	f := &finder{
		run: run, setup: setup,
		speed:   logged(run, channel.EngineSpeed),
		gear:    logged(run, channel.Gear),
		vehicle: unstepped(run.Time, logged(run, channel.VehicleSpeed)),
		coolant: carried(logged(run, channel.CoolantTemperature)),
		load: firstLogged(load, logged(run, channel.ManifoldPressure), logged(run, channel.CalculatedLoad),
			logged(run, channel.ThrottlePosition)),
		interval: sampleInterval(run.Time),
	}
	f.demand = f.driver(logged(run, channel.ThrottlePosition), logged(run, channel.PedalPosition))
	return f
}

// driver is the driver's demand of throttle and pedal, either of which may be nil.
func (f *finder) driver(throttle, pedal []float64) []float64 {
	if throttle != nil && f.speed != nil {
		if open := f.atIdle(throttle); open >= idleOpen {
			throttle, f.idleThrottle = nil, open
		}
	}
	switch {
	case pedal == nil:
		return throttle
	case throttle == nil:
		return pedal
	case peak(pedal) < f.setup.Pulls.ThrottleMin && peak(throttle) >= f.setup.Pulls.ThrottleMin:
		return throttle
	}
	out := slices.Clone(pedal)
	for i, v := range out {
		if !value.Known(v) {
			out[i] = throttle[i]
		}
	}
	return out
}

// peak is the largest usable value, −∞ without one.
func peak(values []float64) float64 {
	top := math.Inf(-1)
	for _, v := range values {
		if v > top {
			top = v
		}
	}
	return top
}

// atIdle is the median of a channel while the engine idles; 0 where too few samples show it.
func (f *finder) atIdle(values []float64) float64 {
	var idle []float64
	for i, v := range values {
		if value.Known(v) && f.speed[i] >= runningRPM && f.speed[i] <= idleRPM && !(at(f.vehicle, i) >= 3) {
			idle = append(idle, v)
		}
	}
	if len(idle) < idleSamples {
		return 0
	}
	return value.Median(idle)
}

func firstLogged(choices ...[]float64) []float64 {
	for _, c := range choices {
		if c != nil {
			return c
		}
	}
	return nil
}

// carried holds a slow channel's last usable value; before the first one, the first. It gates segments and never
// enters a Row.
func carried(values []float64) []float64 {
	if values == nil {
		return nil
	}
	out := slices.Clone(values)
	last := firstUsable(values, 0, len(values))
	for i, v := range out {
		if value.Known(v) {
			last = v
		}
		out[i] = last
	}
	return out
}

// general findings hold for the whole run.
func (f *finder) general(segments int) []runlog.Finding {
	var out []runlog.Finding
	if f.coolant == nil && segments > 0 {
		out = append(out, wholeRun(f.run, channel.CoolantTemperature, KindWarmthUnknown, "coolant temperature is not "+
			"logged: segments are counted without knowing that the engine was warm"))
	}
	all := make([]int, len(f.demand))
	for i := range all {
		all[i] = i
	}
	if top := largest(f.demand, all); top < f.setup.Pulls.ThrottleMin {
		out = append(out, wholeRun(f.run, channel.ThrottlePosition, KindNoFullThrottle, fmt.Sprintf(
			"throttle and pedal stay below %.0f %% (largest %.1f %%): no pulls; if %.1f %% is the stop of this "+
				"throttle, lower pulls.throttle_min_pct in the platform file",
			f.setup.Pulls.ThrottleMin, top, top)))
	}
	return out
}

func (f *finder) cold(i int) bool {
	return f.coolant != nil && f.coolant[i] < f.setup.Pulls.WarmCoolant
}

func (f *finder) full(i int) bool { return f.demand[i] >= f.setup.Pulls.ThrottleMin }

func (f *finder) turning(i int) bool { return f.speed[i] >= runningRPM }

// span is a half-open range of samples.
type span struct{ from, to int }

// blocks are the maximal ranges whose samples pass, with at most one failing sample in a row and no gap in time. They
// start and end with a passing sample.
func (f *finder) blocks(pass func(i int) bool) []span {
	var out []span
	open := false
	var b span
	for i := range f.run.Time {
		gap := i > 0 && f.run.Time[i]-f.run.Time[i-1] > gapFactor*f.interval
		if open && (gap || i-b.to >= 2) {
			out, open = append(out, b), false
		}
		if !pass(i) {
			continue
		}
		if !open {
			b, open = span{from: i}, true
		}
		b.to = i + 1
	}
	if open {
		out = append(out, b)
	}
	return out
}

// pulls finds every pull of the run.
func (f *finder) pulls() []Segment {
	var out []Segment
	short := 0
	for _, block := range f.blocks(func(i int) bool { return f.full(i) && f.turning(i) }) {
		for _, rise := range f.rises(block) {
			for _, piece := range f.oneGear(rise) {
				s, ok := f.pull(piece)
				switch {
				case !ok:
					short++
				case f.cold(s.From):
					f.leftOutCold(s)
				default:
					out = append(out, s)
				}
			}
		}
	}
	if short > 0 {
		f.findings = append(f.findings, runlog.Finding{
			Channel: channel.EngineSpeed, Kind: KindShort, From: f.run.Time[0], To: f.run.Time[len(f.run.Time)-1],
			Detail: fmt.Sprintf("%d near-full-throttle stretches are shorter than %g s or rise by less than %g rpm "+
				"in one gear and are not counted as pulls",
				short, f.setup.Pulls.MinSeconds, f.setup.Pulls.MinSpanRPM),
		})
	}
	return out
}

func (f *finder) leftOutCold(s Segment) {
	f.findings = append(f.findings, runlog.Finding{
		Channel: channel.CoolantTemperature, Kind: runlog.KindCold, From: f.run.Time[s.From], To: f.run.Time[s.To-1],
		Samples: s.To - s.From, Removed: true,
		Detail: fmt.Sprintf("a pull starts at %.0f °C coolant, below %.0f °C, and is left out of evidence",
			f.coolant[s.From], f.setup.Pulls.WarmCoolant),
	})
}

// rises cuts a block into maximal stretches of rising speed. A stretch starts at the last sample before speed leaves
// its lowest for good and ends where speed was highest.
func (f *finder) rises(block span) []span {
	smooth := median3(f.speed, block.from, block.to)
	stall := math.Max(stallSeconds, stallSamples*f.interval)
	var out []span
	start, top := -1, -1
	keep := func() {
		if start >= 0 && top > start {
			out = append(out, span{block.from + start, block.from + top + 1})
		}
	}
	for i, v := range smooth {
		if !value.Known(v) {
			continue
		}
		if start < 0 {
			start, top = i, i
			continue
		}
		slack := math.Max(fallRPM, fallShare*smooth[top])
		stalled := f.run.Time[block.from+i]-f.run.Time[block.from+top] > stall
		switch {
		case v > smooth[top]:
			top = i
		case v < smooth[top]-slack || stalled:
			keep()
			start, top = i, i
		case v <= smooth[start]:
			start, top = i, i
		}
	}
	keep()
	return out
}

// pull makes a segment of a rising stretch in one gear when it is long enough.
func (f *finder) pull(p span) (Segment, bool) {
	smooth := median3(f.speed, p.from, p.to)
	low, high, n := math.Inf(1), math.Inf(-1), 0
	for _, v := range smooth {
		if value.Known(v) {
			low, high, n = math.Min(low, v), math.Max(high, v), n+1
		}
	}
	seconds := f.run.Time[p.to-1] - f.run.Time[p.from]
	if n < minSamples || seconds < f.setup.Pulls.MinSeconds || high-low < f.setup.Pulls.MinSpanRPM {
		return Segment{}, false
	}
	return Segment{
		Kind: KindPull, From: p.from, To: p.to, Gear: f.usualGear(p),
		Reason: fmt.Sprintf("throttle or pedal at or above %g %%, %.0f to %.0f rpm in %.1f s, one gear by %s",
			f.setup.Pulls.ThrottleMin, low, high, seconds, f.gearBasis(p)),
	}, true
}

// usualGear is the most frequent logged gear of a stretch, the lower of two equally frequent; NaN when not logged.
func (f *finder) usualGear(p span) float64 {
	counts := map[float64]int{}
	for i := p.from; i < p.to; i++ {
		if g := at(f.gear, i); g > 0 {
			counts[g]++
		}
	}
	best := math.NaN()
	for g, n := range counts {
		if math.IsNaN(best) || n > counts[best] || (n == counts[best] && g < best) {
			best = g
		}
	}
	return best
}

func (f *finder) gearBasis(p span) string {
	switch {
	case f.rolling(p):
		return "the ratio of engine to vehicle speed"
	case f.gear != nil:
		return "the logged gear"
	}
	return "the continuity of engine speed"
}

// steady finds every steady part-throttle stretch, earliest first.
func (f *finder) steady() []Segment {
	if f.load == nil {
		return nil
	}
	var out []Segment
	cold := 0
	part := func(i int) bool {
		if !f.turning(i) || f.full(i) || !value.Known(f.demand[i]) || !value.Known(f.load[i]) {
			return false
		}
		if f.cold(i) {
			cold++
			return false
		}
		return true
	}
	for _, block := range f.blocks(part) {
		for from := block.from; from < block.to; {
			to := f.steadyFrom(from, block.to)
			if f.run.Time[to-1]-f.run.Time[from] < f.setup.Pulls.SteadySeconds {
				from++
				continue
			}
			out = append(out, f.steadySegment(span{from, to}))
			from = to
		}
	}
	if cold > 0 {
		f.findings = append(f.findings, runlog.Finding{
			Channel: channel.CoolantTemperature, Kind: runlog.KindCold, From: f.run.Time[0],
			To: f.run.Time[len(f.run.Time)-1], Samples: cold, Removed: true,
			Detail: fmt.Sprintf("%d part-throttle samples below %.0f °C coolant are left out of evidence", cold,
				f.setup.Pulls.WarmCoolant),
		})
	}
	return out
}

// steadyFrom returns the end of the longest steady range that starts at from.
func (f *finder) steadyFrom(from, limit int) int {
	lowN, highN := math.Inf(1), math.Inf(-1)
	lowL, highL := math.Inf(1), math.Inf(-1)
	end := from + 1
	for i := from; i < limit; i++ {
		n, l := f.speed[i], f.load[i]
		if !value.Known(n) || !value.Known(l) {
			continue
		}
		lowN, highN = math.Min(lowN, n), math.Max(highN, n)
		lowL, highL = math.Min(lowL, l), math.Max(highL, l)
		if highN-lowN > math.Max(steadyRPM, steadySpeed*lowN) || highL-lowL > steadyLoad {
			break
		}
		end = i + 1
	}
	return end
}

func (f *finder) steadySegment(p span) Segment {
	places := make([]int, 0, p.to-p.from)
	for i := p.from; i < p.to; i++ {
		places = append(places, i)
	}
	return Segment{
		Kind: KindSteady, From: p.from, To: p.to, Gear: f.usualGear(p),
		Reason: fmt.Sprintf("part throttle, %.0f rpm within %.0f, load within %.1f, for %.1f s",
			mean(f.speed, places), largest(f.speed, places)-smallest(f.speed, places),
			largest(f.load, places)-smallest(f.load, places), f.run.Time[p.to-1]-f.run.Time[p.from]),
	}
}
