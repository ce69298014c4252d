package runlog

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
)

// Thresholds of the quality gate: common practice, no source.
const (
	warmCoolant      = 70.0  // °C below which an engine counts as cold
	movingSpan       = 500.0 // rpm: an engine whose speed spans less has not moved
	frozenSpan       = 1000.0
	frozenSeconds    = 10.0
	frozenSamples    = 20
	clippedRun       = 5    // equal samples at the end of the scale
	missingShare     = 0.05 // of a channel's samples
	gapFactor        = 5.0  // intervals that make a hole
	gapSeconds       = 1.0
	jitterFactor     = 2.0
	maxFindingsAKind = 10 // of one channel; the rest is counted in one finding
)

// applyQuality runs the gate over a run: samples no engine could have produced become NaN, and every doubt becomes a
// finding. empty says which cells the file leaves empty, by channel. Findings end in time order, then by channel.
func applyQuality(r *Run, empty map[channel.ID][]bool) {
	checkTime(r)
	checkRepeats(r)
	speed := r.Values(channel.EngineSpeed)
	for i := range r.Series {
		s := &r.Series[i]
		def, _ := channel.Lookup(s.Channel)
		checkMissing(r, s)
		checkRange(r, s, def)
		checkClipped(r, s, speed)
		checkSteps(r, s, def)
		checkStuck(r, s, def, speed)
		checkFrozen(r, s, speed)
	}
	checkCrossed(r)
	checkComputed(r)
	checkCold(r)
	holdSlow(r, empty)
	sort.SliceStable(r.Findings, func(i, j int) bool {
		a, b := r.Findings[i], r.Findings[j]
		if a.From != b.From {
			return a.From < b.From
		}
		if oa, ob := findingOrder(a.Channel), findingOrder(b.Channel); oa != ob {
			return oa < ob
		}
		return a.Kind < b.Kind
	})
}

// findingOrder puts findings about the whole file first.
func findingOrder(id channel.ID) int {
	if id == "" {
		return -1
	}
	return channel.Order(id)
}

// span is a stretch of samples, both ends included.
type span struct{ from, to int }

// spans gathers the samples at which bad holds into stretches; pauses of one sample do not part them.
func spans(n int, bad func(i int) bool) []span {
	var out []span
	for i := range n {
		if !bad(i) {
			continue
		}
		if k := len(out); k > 0 && i-out[k-1].to <= 2 {
			out[k-1].to = i
			continue
		}
		out = append(out, span{i, i})
	}
	return out
}

// remove takes the samples at which bad holds out of a series, with a finding for each stretch.
func remove(r *Run, s *Series, kind string, bad []bool, say func(sp span, count int) string) {
	stretches := spans(len(bad), func(i int) bool { return bad[i] })
	rest, restFrom, restTo := 0, 0, 0
	for k, sp := range stretches {
		count := 0
		for i := sp.from; i <= sp.to; i++ {
			if bad[i] {
				count++
			}
		}
		if k < maxFindingsAKind {
			r.Findings = append(r.Findings, Finding{Channel: s.Channel, Kind: kind, From: r.Time[sp.from],
				To:      r.Time[sp.to],
				Samples: count, Detail: say(sp, count), Removed: true})
			continue
		}
		if rest == 0 {
			restFrom = sp.from
		}
		rest, restTo = rest+count, sp.to
	}
	if rest > 0 {
		r.Findings = append(r.Findings, Finding{Channel: s.Channel, Kind: kind, From: r.Time[restFrom],
			To: r.Time[restTo], Samples: rest, Removed: true,
			Detail: fmt.Sprintf("the same in %d further stretches, %d samples", len(stretches)-maxFindingsAKind, rest)})
	}
	for i, b := range bad {
		if b {
			s.Values[i] = math.NaN()
		}
	}
}

// checkTime reports holes and an uneven sample interval.
func checkTime(r *Run) {
	if len(r.Time) < 3 || r.SampleInterval <= 0 {
		return
	}
	steps := make([]float64, len(r.Time)-1)
	gaps, longest, at := 0, 0.0, 0
	for i := range steps {
		steps[i] = r.Time[i+1] - r.Time[i]
		if steps[i] > gapFactor*r.SampleInterval && steps[i] > gapSeconds {
			gaps++
			if gaps <= maxFindingsAKind {
				r.Findings = append(r.Findings, Finding{Kind: KindGap, From: r.Time[i], To: r.Time[i+1],
					Detail: fmt.Sprintf("no rows for %.3g s; the usual interval is %.3g s", steps[i],
						r.SampleInterval)})
			}
		}
		if steps[i] > longest {
			longest, at = steps[i], i
		}
	}
	if gaps > maxFindingsAKind {
		r.Findings = append(r.Findings, Finding{Kind: KindGap, From: r.Time[at], To: r.Time[at+1],
			Detail: fmt.Sprintf("%d holes altogether, the longest %.3g s", gaps, longest)})
	}
	slices.Sort(steps)
	if late := samples.Quantile(steps, 0.95); late > jitterFactor*r.SampleInterval {
		r.Findings = append(r.Findings, Finding{Kind: KindJitter, To: r.Duration(),
			Detail: fmt.Sprintf("one interval in twenty is longer than %.3g s; the usual one is %.3g s", late,
				r.SampleInterval)})
	}
}

// checkRepeats counts rows that repeat the one before in every channel although time went on: the logger wrote faster
// than it read, so the true sample interval is longer.
func checkRepeats(r *Run) {
	if len(r.Series) < 3 || len(r.Time) < 20 {
		return
	}
	repeats := 0
	for i := 1; i < len(r.Time); i++ {
		same, any := true, false
		for _, s := range r.Series {
			a, b := s.Values[i-1], s.Values[i]
			any = any || !math.IsNaN(b)
			if a != b && (!math.IsNaN(a) || !math.IsNaN(b)) {
				same = false
				break
			}
		}
		if same && any {
			repeats++
		}
	}
	if 10*repeats < len(r.Time) {
		return
	}
	r.Findings = append(r.Findings, Finding{Kind: KindDuplicate, To: r.Duration(), Samples: repeats,
		Detail: fmt.Sprintf("%d of %d rows repeat the readings of the row before: the true sample interval is about "+
			"%.3g s, not %.3g s",
			repeats, len(r.Time), r.SampleInterval*float64(len(r.Time))/float64(len(r.Time)-repeats),
			r.SampleInterval)})
}

// checkMissing reports a channel of which many samples are absent.
func checkMissing(r *Run, s *Series) {
	n := 0
	for _, v := range s.Values {
		if math.IsNaN(v) {
			n++
		}
	}
	if share := float64(n) / float64(len(s.Values)); share > missingShare {
		r.Findings = append(r.Findings, Finding{Channel: s.Channel, Kind: KindMissing, To: r.Duration(), Samples: n,
			Detail: fmt.Sprintf("%.0f %% of its samples are empty", 100*share)})
	}
}

// checkRange removes samples outside the plausible range.
func checkRange(r *Run, s *Series, def channel.Definition) {
	bad := make([]bool, len(s.Values))
	for i, v := range s.Values {
		bad[i] = v < def.Min || v > def.Max
	}
	values := slices.Clone(s.Values)
	remove(r, s, KindOutOfRange, bad, func(sp span, count int) string {
		return fmt.Sprintf("%d samples outside %.4g to %.4g %s, the first %.4g", count, def.Min, def.Max, def.Unit,
			values[sp.from])
	})
}

// pressureScaleEnd is the end of the scale of SAE J1979's one-byte manifold pressure in kPa (from memory): a reading
// there means "at least".
const pressureScaleEnd = 255

// clippable channels can run into the end of a sensor's scale under load, where it matters most.
var clippable = map[channel.ID]bool{
	channel.ManifoldPressure: true, channel.MassAirFlow: true, channel.AbsoluteLoad: true,
	channel.ExhaustTemperature: true, channel.RailPressure: true,
}

// checkClipped removes plateaus at the highest reading of channels that otherwise never stand still: the true value lay
// above.
func checkClipped(r *Run, s *Series, speed []float64) {
	if !clippable[s.Channel] || speed == nil {
		return
	}
	n, _, top := samples.Extent(s.Values)
	if n < 4*clippedRun {
		return
	}
	bad := make([]bool, len(s.Values))
	found := false
	for _, sp := range spans(len(s.Values), func(i int) bool { return s.Values[i] == top && speed[i] > 1200 }) {
		if sp.to-sp.from+1 < clippedRun || !movedDuring(speed, sp, 150) {
			continue
		}
		for i := sp.from; i <= sp.to; i++ {
			bad[i] = s.Values[i] == top
			found = true
		}
	}
	if !found || (s.Channel != channel.ManifoldPressure || top != pressureScaleEnd) && restless(s.Values, top) < 0.7 {
		return
	}
	remove(r, s, KindClipped, bad, func(sp span, count int) string {
		return fmt.Sprintf("%d samples stand at %.5g, the end of the sensor's or the message's scale: the true "+
			"reading lay above", count, top)
	})
}

// restless is the share of steps that change, among samples in the upper half below top.
func restless(values []float64, top float64) float64 {
	mid := samples.Median(values)
	steps, changed := 0, 0
	for i := 1; i < len(values); i++ {
		if values[i] > mid && values[i] < top && values[i-1] < top && !math.IsNaN(values[i-1]) {
			steps++
			if values[i] != values[i-1] {
				changed++
			}
		}
	}
	if steps == 0 {
		return 0
	}
	return float64(changed) / float64(steps)
}

// movedDuring reports whether engine speed spanned more than rpm within a stretch.
func movedDuring(speed []float64, sp span, rpm float64) bool {
	s := samples.Sorted(speed[sp.from : sp.to+1])
	return len(s) > 1 && s[len(s)-1]-s[0] > rpm
}

// checkSteps removes samples that the rest of the channel cannot have reached in the time: from the longest stretch
// without an impossible step outward, a sample is kept when it lies within the largest rate of the last one kept. One
// and a half steps of the channel's own resolution are allowed on top, and never less than a usual sensor's digit.
func checkSteps(r *Run, s *Series, def channel.Definition) {
	if def.MaxRate == 0 || len(s.Values) < 3 {
		return
	}
	allow := func(i, j int) float64 {
		return def.MaxRate * math.Max(math.Abs(r.Time[i]-r.Time[j]), r.SampleInterval/2)
	}
	sorted := samples.Sorted(s.Values)
	slack := 1.5 * samples.Resolution(sorted)
	if len(sorted) > 0 {
		slack = math.Min(slack, 0.1*(sorted[len(sorted)-1]-sorted[0]))
	}
	slack = math.Max(slack, def.Digit)
	start, ok := longestSteady(s.Values, func(i, j int) bool {
		return math.Abs(s.Values[i]-s.Values[j]) <= allow(i,
			j)+slack
	})
	if !ok {
		return
	}
	bad := make([]bool, len(s.Values))
	walk := func(from, to, step int) {
		last := from
		for i := from + step; i != to; i += step {
			if math.IsNaN(s.Values[i]) {
				continue
			}
			if math.Abs(s.Values[i]-s.Values[last]) > allow(i, last)+slack {
				bad[i] = true
				continue
			}
			last = i
		}
	}
	walk(start.to, len(s.Values), 1)
	walk(start.from, -1, -1)
	values := slices.Clone(s.Values)
	remove(r, s, KindStep, bad, func(sp span, count int) string {
		return fmt.Sprintf("%d samples from %.4g could not be reached: %s changes by at most %.4g %s a second", count,
			values[sp.from], s.Channel, def.MaxRate, def.Unit)
	})
}

// longestSteady finds the longest series of present samples each of which follows the one before.
func longestSteady(values []float64, follows func(i, j int) bool) (span, bool) {
	best, cur, found := span{}, span{}, false
	last, length, bestLength := -1, 0, 0
	for i, v := range values {
		if math.IsNaN(v) {
			continue
		}
		if last < 0 || !follows(i, last) {
			cur, length = span{i, i}, 0
		}
		cur.to = i
		length++
		last = i
		if length > bestLength {
			best, bestLength, found = cur, length, true
		}
	}
	return best, found
}

// checkStuck removes a channel that never changed although engine speed did.
func checkStuck(r *Run, s *Series, def channel.Definition, speed []float64) {
	if def.MayRest && s.Channel != channel.PedalPosition && s.Channel != channel.ThrottlePosition {
		return
	}
	n, level, high := samples.Extent(s.Values)
	if n < 30 || level != high {
		return
	}
	moved := movingSpan
	if def.MayRest {
		moved = 3 * movingSpan // a resting foot is no fault until the engine has run up
	}
	shown := func(i int) bool { return speed[i] > 0 && !math.IsNaN(s.Values[i]) }
	turning := samples.Sorted(samples.Where(speed, shown))
	if s.Channel == channel.EngineSpeed || len(turning) < 30 ||
		samples.Quantile(turning, 0.98)-samples.Quantile(turning, 0.02) < moved {
		return
	}
	if def.MayRest && level >= 80 {
		return // a log of nothing but full throttle
	}
	bad := make([]bool, len(s.Values))
	for i, v := range s.Values {
		bad[i] = !math.IsNaN(v)
	}
	remove(r, s, KindStuck, bad, func(span, int) string {
		return fmt.Sprintf("it stands at %.5g %s throughout while engine speed moves from %.0f to %.0f rpm", level,
			def.Unit, turning[0], turning[len(turning)-1])
	})
}

// lively channels change with engine speed at every sample; standing still they are frozen.
var lively = map[channel.ID]bool{
	channel.ManifoldPressure: true, channel.MassAirFlow: true, channel.AbsoluteLoad: true, channel.InjectorPulse: true,
	channel.CalculatedLoad: true,
}

// checkFrozen removes long stretches in which a lively channel stood still to the last digit while engine speed moved.
func checkFrozen(r *Run, s *Series, speed []float64) {
	if !lively[s.Channel] || speed == nil {
		return
	}
	bad := make([]bool, len(s.Values))
	values := slices.Clone(s.Values)
	for from := 0; from < len(s.Values); {
		to := from
		for to+1 < len(s.Values) && s.Values[to+1] == s.Values[from] {
			to++
		}
		sp := span{from, to}
		if to-from+1 >= frozenSamples && r.Time[to]-r.Time[from] >= frozenSeconds &&
			movedDuring(speed, sp, frozenSpan) && slices.Min(samples.Sorted(speed[from:to+1])) > 0 {
			for i := from; i <= to; i++ {
				bad[i] = true
			}
		}
		from = to + 1
	}
	remove(r, s, KindFrozen, bad, func(sp span, count int) string {
		return fmt.Sprintf("it stood at %.5g for %.3g s while engine speed moved by more than %.0f rpm",
			values[sp.from], r.Time[sp.to]-r.Time[sp.from], frozenSpan)
	})
}

// checkCrossed removes coolant and charge temperature when they look exchanged: the "coolant" swings with load while
// the "charge" stands where a thermostat holds coolant.
func checkCrossed(r *Run) {
	coolant, charge := r.series(channel.CoolantTemperature), r.series(channel.ChargeTemperature)
	if coolant == nil || charge == nil || r.Duration() < 120 {
		return
	}
	half := len(r.Time) / 2
	cool, air := samples.Sorted(coolant.Values[half:]), samples.Sorted(charge.Values[half:])
	if len(cool) < 30 || len(air) < 30 {
		return
	}
	thermostat := func(s []float64) bool {
		return samples.Quantile(s, 0.5) > 78 && samples.Quantile(s, 0.5) < 115 &&
			samples.Quantile(s, 0.95)-samples.Quantile(s, 0.05) < 12
	}
	if !thermostat(air) || thermostat(cool) || samples.Quantile(cool, 0.5) > 60 {
		return
	}
	for _, s := range []*Series{coolant, charge} {
		bad := make([]bool, len(s.Values))
		for i, v := range s.Values {
			bad[i] = !math.IsNaN(v)
		}
		remove(r, s, KindCrossed, bad, func(span, int) string {
			return fmt.Sprintf("coolant (%.3g °C) and charge temperature (%.3g °C) look exchanged: the charge stands "+
				"where a thermostat holds coolant", samples.Quantile(cool, 0.5), samples.Quantile(air, 0.5))
		})
	}
}

// checkCold reports how long the engine ran below its working temperature.
func checkCold(r *Run) {
	coolant := r.Values(channel.CoolantTemperature)
	speed := r.Values(channel.EngineSpeed)
	n, first, last, lowest := 0, -1, 0, math.Inf(1)
	for i, v := range coolant {
		if v < warmCoolant && (speed == nil || speed[i] > 0) {
			n++
			last = i
			lowest = math.Min(lowest, v)
			if first < 0 {
				first = i
			}
		}
	}
	if n > 0 {
		r.Findings = append(r.Findings, Finding{Channel: channel.CoolantTemperature, Kind: KindCold,
			From: r.Time[first], To: r.Time[last], Samples: n,
			Detail: fmt.Sprintf("the engine runs below %.0f °C, from %.3g °C, in %.0f %% of the samples", warmCoolant,
				lowest, 100*float64(n)/float64(len(coolant)))})
	}
}

// series finds a channel's series for changing it.
func (r *Run) series(id channel.ID) *Series {
	for i := range r.Series {
		if r.Series[i].Channel == id {
			return &r.Series[i]
		}
	}
	return nil
}
