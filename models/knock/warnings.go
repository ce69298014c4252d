package knock

import (
	"fmt"
	"math"
)

// dataWarnings says what the rows cannot tell, before any fit.
func dataWarnings(cars []Car) []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	t := tally(cars)
	switch {
	case t.rows == 0:
		say("no rows: the result is the physics prior alone")
		return out
	case t.events == 0:
		say("no knock event in %d rows: the limit is bounded below only, above it is the prior's", t.rows)
	case t.events == t.rows:
		say("every one of %d rows holds a knock event: nothing shows where this fleet is clean", t.rows)
	}
	if t.cars == 1 {
		say("one car: the spread between cars is the prior's")
	} else if t.pulls == t.cars {
		say("one pull a car: the spreads of cars and of pulls cannot be told apart")
	}
	if t.cars > 1 && 2*t.largest > t.rows {
		say("car %q holds %.0f %% of the rows: the fleet is mostly that car", t.largestID,
			100*float64(t.largest)/float64(t.rows))
	}
	if 2*t.blind > t.rows {
		say("%.0f %% of the rows come from logs with less than an even chance of showing a knock event: their clean "+
			"cells are weak evidence", 100*float64(t.blind)/float64(t.rows))
	}
	for k := range t.low {
		if t.low[k] == t.high[k] {
			if t.low[k] != 0 {
				say("%s does not vary: its slope is the prior's and cannot be told from the level", Name(k))
			}
			continue
		}
		if t.events >= 3 && t.events < t.rows && (t.eventLow[k] > t.cleanHigh[k] || t.eventHigh[k] < t.cleanLow[k]) {
			say("%s parts the events from the clean rows without overlap: its slope rests on the prior", Name(k))
		}
	}
	return out
}

type counts struct {
	rows, events, cars, pulls, blind, largest int
	largestID                                 string
	low, high, eventLow, eventHigh            [NumCovariates]float64
	cleanLow, cleanHigh                       [NumCovariates]float64
}

func tally(cars []Car) counts {
	var t counts
	for k := range t.low {
		t.low[k], t.eventLow[k], t.cleanLow[k] = math.Inf(1), math.Inf(1), math.Inf(1)
		t.high[k], t.eventHigh[k], t.cleanHigh[k] = math.Inf(-1), math.Inf(-1), math.Inf(-1)
	}
	for _, c := range cars {
		before := t.rows
		for _, p := range c.Pulls {
			if len(p.Cells) > 0 {
				t.pulls++
			}
			for _, cell := range p.Cells {
				t.add(cell)
			}
		}
		n := t.rows - before
		if n > 0 {
			t.cars++
		}
		if n > t.largest {
			t.largest, t.largestID = n, c.ID
		}
	}
	return t
}

func (t *counts) add(c Cell) {
	t.rows++
	if c.Detect < 0.5 {
		t.blind++
	}
	lo, hi := &t.cleanLow, &t.cleanHigh
	if !c.Clean() {
		t.events++
		lo, hi = &t.eventLow, &t.eventHigh
	}
	for k, z := range c.Z {
		t.low[k], t.high[k] = math.Min(t.low[k], z), math.Max(t.high[k], z)
		lo[k], hi[k] = math.Min(lo[k], z), math.Max(hi[k], z)
	}
}

const (
	oddCarSDs        = 3.5
	oddCarsShown     = 5
	highContaminated = 0.05
)

// fitWarnings says what looks wrong in a fit that converged.
func (m *Model) fitWarnings() []string {
	var out []string
	if m.Contamination > highContaminated {
		out = append(out, fmt.Sprintf("%.0f %% of the cells look like false knock: check the knock channel and the "+
			"controller's step", 100*m.Contamination))
	}
	for k, s := range m.Shown {
		if s.Contradicts() {
			fitted, _ := m.Slope(k)
			out = append(out, fmt.Sprintf("the rows alone show a slope over %s of %+.2g ± %.2g° a unit (%s), which "+
				"contradicts physics: the fit takes %+.2g, whose sign is physics'", Name(k), s.Slope, s.SD, Unit(k),
				fitted))
		}
	}
	odd := 0
	for _, e := range m.Effects {
		if math.Abs(e.Mean) < oddCarSDs*m.CarSD {
			continue
		}
		if odd++; odd <= oddCarsShown {
			out = append(out, fmt.Sprintf("car %q differs from the fleet by %+.1f°, more than cars do: check its "+
				"knock sensor, fuel and spark channels", e.ID, e.Mean))
		}
	}
	if odd > oddCarsShown {
		out = append(out, fmt.Sprintf("%d more cars differ from the fleet as much", odd-oddCarsShown))
	}
	return out
}
