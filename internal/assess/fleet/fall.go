package fleet

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/models/value"
)

// A slow log sees less of an extreme: the leanest mixture, the highest exhaust temperature and the lowest rail pressure
// fall between its samples. What is missed is told by faster logs of the fleet, each pull of which is thinned to a
// slower rate (evidence.Thinned), and is added to what slow logs show; how much the fall differs from car to car widens
// the car's level, how much from row to row is in the spread of rows that slow logs show.

// fallShown is how far a row's extreme fell when its samples were thinned from one interval to another, seconds.
type fallShown struct {
	car            string
	from, to, fall float64
}

const (
	// walkGap is what a random walk of step deviation σ between its samples rises above the highest of them, in σ:
	// −ζ(1/2)/√(2π) (Asmussen, Glynn and Pitman, Annals of Applied Probability 5, 1995; Broadie, Glasserman and Kou,
	// Mathematical Finance 7, 1997).
	walkGap   = 0.5826
	walkPower = 0.5
	// Before it is told, a fall goes with a power of the interval between a random walk's and noise's, of which 16
	// readings reach 1.21 deviations higher than 2, and these 0.56 higher than 1, as with a power of 0.3; a trend has
	// 1. That it is so, give or take fallPowerSD: common practice, no source.
	fallPower   = 0.4
	fallPowerSD = 0.25
	powerStep   = 0.05
	leastPower  = 0.1
	mostPower   = 1.2
	// guessedFall is the deviation of a fall that no thinned log shows, and of a row about it, as a share of it: the
	// gap of a random walk deviates by about half its mean. Common practice, no source.
	guessedFall = 0.5
	// fastFrom is the interval, seconds, from which on no log shows what happens within it; common practice, no source.
	fastFrom = 0.15
	// fallCars are the cars that must show it: how they differ is part of the error.
	fallCars = 3
)

// fitFall fits the fall to what thinned rows show, by least squares with the power drawn to fallPower. guess is the
// scale for a random walk, in the same unit: it stands where fewer than fallCars show the fall, unless they show more.
func fitFall(shown []fallShown, guess float64) state.Fall {
	out := state.Fall{Scale: guess, Power: walkPower, Row: guessedFall, Car: guessedFall}
	byCar := evidence.NewIndex[string]()
	for _, s := range shown {
		byCar.Of(s.car)
	}
	if len(shown) < 2*fallCars {
		return out
	}
	best, least := out, math.Inf(1)
	_, variance := fallScale(shown, fallPower)
	for power := leastPower; power <= mostPower+1e-9; power += powerStep {
		scale, left := fallScale(shown, power)
		off := (power - fallPower) / fallPowerSD
		if miss := left/variance*float64(len(shown)) + off*off; miss < least {
			best.Scale, best.Power, least = scale, power, miss
		}
	}
	cars := len(byCar.Keys)
	if cars < fallCars {
		if best.At(1) > out.At(1) {
			out.Scale, out.Power = best.Scale, best.Power
		}
		return out
	}
	best.Cars, best.Rows = cars, len(shown)
	best.Row, best.Car = fallSpread(shown, best, byCar)
	finest := slices.MinFunc(shown, func(a, b fallShown) int { return cmp.Compare(a.from, b.from) })
	if finest.from > fastFrom {
		best.Car = math.Hypot(best.Car, guessedFall)
	}
	return best
}

// fallScale is the scale at a power, 0 and more, and the mean square it leaves.
func fallScale(shown []fallShown, power float64) (scale, left float64) {
	products, squares := 0.0, 0.0
	for _, s := range shown {
		x := math.Pow(s.to, power) - math.Pow(s.from, power)
		products += x * s.fall
		squares += x * x
	}
	scale = math.Max(0, products/squares)
	for _, s := range shown {
		e := s.fall - scale*(math.Pow(s.to, power)-math.Pow(s.from, power))
		left += e * e / float64(len(shown))
	}
	return scale, math.Max(left, 1e-12)
}

// fallSpread are the deviations of rows about a fall, and of cars' mean falls with the error of the fleet's, as shares
// of it.
func fallSpread(shown []fallShown, f state.Fall, byCar *evidence.Index[string]) (row, car float64) {
	expected, fell := make([]float64, len(byCar.Keys)), make([]float64, len(byCar.Keys))
	missed, squares := 0.0, 0.0
	for _, s := range shown {
		x := f.Scale * (math.Pow(s.to, f.Power) - math.Pow(s.from, f.Power))
		k := byCar.Of(s.car)
		expected[k] += x
		fell[k] += s.fall
		missed += (s.fall - x) * (s.fall - x)
		squares += x * x
	}
	if !(squares > 0) {
		return 0, 0
	}
	between, all := 0.0, 0.0
	for k := range fell {
		off := fell[k]/expected[k] - 1
		between += expected[k] * off * off
		all += expected[k]
	}
	return math.Sqrt(missed / squares), math.Sqrt(between / all * (1 + 1/float64(len(fell)-1)))
}

// unmeasured reports whether a metric is computed at the samples kept of a cell and no log measures it there: between
// samples it is higher as load is, which it follows.
func (m *Quantity) unmeasured() bool { return m.Moves && m.Measured == nil }

// fitFalls tells what slow logs of pulls miss of each metric's extreme; of one that no log measures the natural
// logarithm.
func (f *Fleet) fitFalls(pulls []*state.Visit) state.Falls {
	out := state.Falls{}
	for i := range quantities {
		m := &quantities[i]
		read := func(s *state.State) float64 { return m.Side.Sign() * m.Measured(f.Platform, s) }
		if m.unmeasured() {
			read = func(s *state.State) float64 { return math.Log(s.Row.LoadMax) }
		} else if m.Moves {
			continue
		}
		if fall := fallOf(pulls, read); fall.Scale > 0 {
			out[m.ID] = fall
		}
	}
	return out
}

// fallOf is the fall of what is read of rows, the larger the harder on the engine.
func fallOf(pulls []*state.Visit, read func(s *state.State) float64) state.Fall {
	var shown []fallShown
	for _, v := range pulls {
		slow, ok := v.Row.AsThinned()
		if !ok {
			continue
		}
		s := v.State
		s.Row = &slow
		if fall := read(&v.State) - read(&s); value.Known(fall) {
			shown = append(shown, fallShown{v.Car, v.Row.SampleInterval, slow.SampleInterval, fall})
		}
	}
	return fitFall(shown, walkGap*walkOf(pulls, read))
}

// walkOf is the deviation of a random walk over a second that takes the steps read from cell to cell of pulls, trends
// included.
func walkOf(pulls []*state.Visit, read func(s *state.State) float64) float64 {
	index := evidence.NewIndex[string]()
	var byPull [][]*state.State
	for _, v := range pulls {
		k := index.Of(v.Pull)
		if k == len(byPull) {
			byPull = append(byPull, nil)
		}
		byPull[k] = append(byPull[k], &v.State)
	}
	squares, seconds := 0.0, 0.0
	for _, states := range byPull {
		slices.SortStableFunc(states, func(a, b *state.State) int { return cmp.Compare(a.Row.Start, b.Row.Start) })
		for i := 1; i < len(states); i++ {
			step, took := read(states[i])-read(states[i-1]), states[i].Row.Start-states[i-1].Row.Start
			if value.Known(step) && took > 0 {
				squares += step * step
				seconds += took
			}
		}
	}
	if seconds == 0 {
		return 0
	}
	return math.Sqrt(squares / seconds)
}

// Fine is what a log fast enough to see an extreme whole is expected to have shown of a metric where this one was
// logged; NaN where it was not measured. A metric that moves is read at a sample, which is no extreme.
func (m *Quantity) Fine(p *state.Platform, s *state.State) float64 {
	v := m.Measured(p, s)
	if m.Moves {
		return v
	}
	return v + m.Side.Sign()*p.Falls[m.ID].At(s.Row.SampleInterval)
}

// Unsampled is the factor by which a metric that no log measures is taken to be higher between the samples of a logged
// state's cell than at them; 1 for others.
func (m *Quantity) Unsampled(p *state.Platform, s *state.State) float64 {
	row := s.Root().Row
	if !m.unmeasured() || row == nil {
		return 1
	}
	return math.Exp(p.Falls[m.ID].At(row.SampleInterval))
}

// UnsampledSD is the relative deviation of that from one visit to the next.
func (m *Quantity) UnsampledSD(p *state.Platform, s *state.State) float64 {
	if !m.unmeasured() {
		return 0
	}
	f := p.Falls[m.ID]
	return f.Row * f.At(s.Row.SampleInterval)
}

// UnseenSD is the deviation, in the metric's unit, of what Fine adds to logged states, of a car's level: the mean over
// them.
func (m *Quantity) UnseenSD(p *state.Platform, s *state.State) float64 {
	f := p.Falls[m.ID]
	return f.Car * f.At(s.Row.SampleInterval)
}
