package evidence

import (
	"math"

	"headroom/models/value"
)

// oneGear cuts a rising stretch where the gear changes without speed falling (a downshift, a slipping converter that
// locks is none): by the logged gear, else by the ratio of engine to vehicle speed, else by a jump of speed.
func (f *finder) oneGear(p span) []span {
	switch {
	case f.gear != nil:
		return f.cutByGear(p)
	case f.vehicle != nil:
		return f.cutByRatio(p)
	}
	return f.cutBySlope(p)
}

// cutByGear ends a piece at the last sample of the old gear and starts the next at the first of the new one; samples
// without a gear (0 while shifting, or not logged) in between belong to neither. A gear seen for one sample only is
// taken for a glitch.
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
		if g != current && f.nextGear(i, p.to) == g {
			out = append(out, span{from, last + 1})
			from, current = i, g
		}
		if g == current {
			last = i
		}
	}
	return append(out, span{from, p.to})
}

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
