package evidence

import (
	"math"
	"slices"

	"headroom/models/value"
)

// oneGear cuts a rising stretch where the gear changes without speed falling (a downshift, a slipping converter that
// locks is none): by the ratio of engine to vehicle speed, else by the logged gear, else by a jump of speed.
func (f *finder) oneGear(p span) []span {
	switch {
	case f.rolling(p):
		return f.cutByRatio(p)
	case f.gear != nil:
		return f.cutByGear(p)
	}
	return f.cutBySlope(p)
}

// cutByGear ends a piece at the last sample of the old gear and starts the next at the first of the new one; samples
// without a gear (0 while shifting, or not logged) in between belong to neither. A gear seen for one sample only is
// taken for a glitch, and a gear that does not last for gearSeconds or from which the old one comes back within it
// flickers: neither cuts.
func (f *finder) cutByGear(p span) []span {
	var out []span
	from, last, current := p.from, p.from, math.NaN()
	for i := p.from; i < p.to; i++ {
		g := f.gear[i]
		if !(g > 0) {
			continue
		}
		if math.IsNaN(current) {
			current = g
		}
		if g != current && f.nextGear(i, p.to) == g && f.lasts(i, p.to) {
			out = append(out, span{from, last + 1})
			from, current = i, g
		}
		if g == current {
			last = i
		}
	}
	return append(out, span{from, p.to})
}

// lasts reports whether the gear of sample i is the only one for gearSeconds.
func (f *finder) lasts(i, limit int) bool {
	for j := i + 1; j < limit; j++ {
		if f.gear[j] > 0 && f.gear[j] != f.gear[i] {
			return false
		}
		if f.run.Time[j]-f.run.Time[i] >= gearSeconds {
			return true
		}
	}
	return false
}

// rolling reports whether vehicle speed is high enough for the ratio to tell in most of a stretch.
func (f *finder) rolling(p span) bool {
	if f.vehicle == nil {
		return false
	}
	n := 0
	for i := p.from; i < p.to; i++ {
		if f.vehicle[i] >= ratioSpeedMin {
			n++
		}
	}
	return 2*n > p.to-p.from
}

// unstepped draws vehicle speed through the samples at which a new value was first seen: a speed that is sent less
// often than rows are written, or in whole km/h, stands still in between and would make the ratio to engine speed a
// saw. A value that stands for longer than stepSeconds was driven, until one usual step before the next.
func unstepped(time, values []float64) []float64 {
	if values == nil {
		return nil
	}
	var seen []int // samples at which a value is new
	var steps []float64
	for i, v := range values {
		if !value.Known(v) || len(seen) > 0 && v == values[seen[len(seen)-1]] {
			continue
		}
		if len(seen) > 0 {
			steps = append(steps, time[i]-time[seen[len(seen)-1]])
		}
		seen = append(seen, i)
	}
	usual := math.Min(value.Median(steps), stepSeconds)
	out := slices.Clone(values)
	for k := 1; k < len(seen); k++ {
		a, b := seen[k-1], seen[k]
		start := time[a]
		if time[b]-start > stepSeconds {
			start = time[b] - usual
		}
		for j := a + 1; j < b; j++ {
			if value.Known(values[j]) && time[j] > start {
				out[j] = values[a] + (values[b]-values[a])*(time[j]-start)/(time[b]-start)
			}
		}
	}
	return out
}

// stepSeconds is the longest time between two readings of vehicle speed in a log that tells gears: common practice, no
// source.
const stepSeconds = 1.5

// nextGear is the next usable gear after i, NaN when there is none.
func (f *finder) nextGear(i, limit int) float64 {
	for j := i + 1; j < limit; j++ {
		if f.gear[j] > 0 {
			return f.gear[j]
		}
	}
	return math.NaN()
}

// cutByRatio cuts where two samples in a row leave the present ratio (median of the last five) to the same side.
func (f *finder) cutByRatio(p span) []span {
	var out []span
	from := p.from
	var recent []float64
	suspect, suspectAt := 0.0, -1
	for i := p.from; i < p.to; i++ {
		if !(f.vehicle[i] >= ratioSpeedMin) || !(f.speed[i] > 0) {
			continue
		}
		ratio := math.Log(f.speed[i] / f.vehicle[i])
		away := ratio - value.Median(recent)
		if math.Abs(away) <= ratioJump || len(recent) == 0 {
			recent, suspectAt = remember(recent, ratio), -1
			continue
		}
		if suspectAt < 0 || (away > 0) != (suspect > 0) {
			suspect, suspectAt = away, i
			continue
		}
		out = append(out, span{from, suspectAt})
		from, recent, suspectAt = suspectAt, []float64{ratio}, -1
	}
	return append(out, span{from, p.to})
}

func remember(recent []float64, v float64) []float64 {
	recent = append(recent, v)
	return recent[max(0, len(recent)-ratioMemory):]
}

// cutBySlope cuts before a step of speed that is far steeper than the stretch's usual step.
func (f *finder) cutBySlope(p span) []span {
	smooth := median3(f.speed, p.from, p.to)
	var rates []float64
	last := -1
	for k := range smooth {
		if !value.Known(smooth[k]) {
			continue
		}
		if last >= 0 {
			rates = append(rates, f.slope(smooth, p, last, k))
		}
		last = k
	}
	usual := value.Median(rates)
	var out []span
	from := p.from
	last = -1
	for k := range smooth {
		if !value.Known(smooth[k]) {
			continue
		}
		if last >= 0 && smooth[k]-smooth[last] > slopeShare*smooth[last] &&
			f.slope(smooth, p, last, k) > slopeJump*usual {
			out = append(out, span{from, p.from + last + 1})
			from = p.from + k
		}
		last = k
	}
	return append(out, span{from, p.to})
}

func (f *finder) slope(smooth []float64, p span, a, b int) float64 {
	return (smooth[b] - smooth[a]) / (f.run.Time[p.from+b] - f.run.Time[p.from+a])
}
