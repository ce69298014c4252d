package timebase

import (
	"fmt"
	"math"

	"headroom/internal/runlog/header"
	"headroom/internal/runlog/samples"
	"headroom/internal/runlog/source"
	"headroom/models/unit"
)

// indexColumn finds a column that counts samples up without repeating, −1 without one.
func indexColumn(tb *source.Table, taken map[int]bool) int {
	for i, c := range tb.Columns {
		if taken[i] || c.Private != "" || c.Kind != source.CellNumber || !header.Parse(c.Header).CountsSamples() {
			continue
		}
		forward, repeat := advancing(c.Values)
		if forward > 0.95 && repeat < 0.01 && c.Filled == len(c.Values) && samples.Whole(c.Values) {
			return i
		}
	}
	return -1
}

// advancingColumn finds the column that advances most steadily, whatever its name; −1 where none does.
func advancingColumn(tb *source.Table, taken map[int]bool) int {
	best, most := -1, 0.0
	for i, c := range tb.Columns {
		if taken[i] || c.Private != "" || c.Header == "" || 10*c.Filled < 8*len(c.Values) {
			continue
		}
		forward, repeat := advancing(c.Values)
		if score := forward - 0.5*repeat; forward > 0.95 && score > most {
			best, most = i, score
		}
	}
	return best
}

// timeScore judges by name and behaviour whether a column is the time axis: 0 is no, with a reason when the name said
// so.
func timeScore(c *source.Column) (float64, string) {
	if c.Private != "" || c.Filled == 0 {
		return 0, ""
	}
	n := header.Parse(header.Base(c.Header))
	if only, named := n.Time(); !only || !named && c.Kind != source.CellClock && c.Kind != source.CellStamp {
		return 0, ""
	}
	advance, repeat := advancing(c.Values)
	if advance < 0.8 {
		return 0, "named like time, but its values do not advance"
	}
	score := 1.0 + (1 - repeat)
	if c.Kind == source.CellStamp {
		score += 0.1
	}
	if n.Has("engine") || n.Has("start") || n.Respelled != "" {
		score -= 0.2
	}
	if c.Filled*10 < len(c.Values)*8 {
		return 0, "named like time, but a fifth of its cells are empty"
	}
	return score, ""
}

// advancing returns the shares of steps that do not go back, and that repeat; a column that never moves advances not.
func advancing(values []float64) (forward, repeat float64) {
	last := math.NaN()
	steps, up, same := 0, 0, 0
	for _, v := range values {
		if math.IsNaN(v) {
			continue
		}
		if !math.IsNaN(last) {
			steps++
			switch {
			case v > last:
				up++
			case v == last:
				same++
			}
		}
		last = v
	}
	if steps == 0 || up == 0 {
		return 0, 0
	}
	return float64(up+same) / float64(steps), float64(same) / float64(steps)
}

// timeUnit reads the unit from the rule, the header or the units row, else concludes it from the values.
func timeUnit(c *source.Column, unitName string) (unit.Unit, string) {
	if unitName != "" {
		if u, err := unit.Parse(unitName); err == nil && u.Quantity() == unit.Time {
			return u, "unit " + string(u) + " as stated"
		}
		return "", fmt.Sprintf("%q is not a unit of time", unitName)
	}
	for _, way := range header.Units(c.Header, c.UnitsRow) {
		if way.Unit.Quantity() == unit.Time {
			return way.Unit, "unit " + string(way.Unit) + " as written"
		}
		if way.Text != "" && !way.Known && !header.ClockPattern(way.Text) {
			return "", fmt.Sprintf("its unit %q is not known", way.Text)
		}
	}
	values := samples.Sorted(c.Values)
	mid := samples.Quantile(values, 0.5)
	step, whole := medianStep(c.Values), samples.Whole(values)
	switch {
	case mid > 5e8 && mid < 5e9:
		return unit.Second, "no unit is written; values are seconds since 1970"
	case mid > 5e11 && mid < 5e12:
		return unit.Millisecond, "no unit is written; values are milliseconds since 1970"
	case mid > 5e14 && mid < 5e15:
		return unit.Microsecond, "no unit is written; values are microseconds since 1970"
	case mid > 5e17 && mid < 5e18:
		return unit.Nanosecond, "no unit is written; values are nanoseconds since 1970"
	case step >= 5 && step <= 2000:
		return unit.Millisecond, fmt.Sprintf("no unit is written; steps of %.4g are milliseconds: no log is sampled "+
			"every %.4g s", step, step)
	case step > 2000:
		return "", fmt.Sprintf("no unit is written and steps of %.4g fit none", step)
	case whole && step == 1 && len(values) > 2 && values[len(values)-1]-values[0] > 6*3600:
		return "", "no unit is written and whole numbers over so long a span may be sample numbers"
	}
	return unit.Second, fmt.Sprintf("no unit is written; steps of %.4g are seconds", step)
}

// medianStep is the median of the steps forward.
func medianStep(values []float64) float64 {
	var steps []float64
	last := math.NaN()
	for _, v := range values {
		if math.IsNaN(v) {
			continue
		}
		if v > last {
			steps = append(steps, v-last)
		}
		last = v
	}
	return samples.Median(steps)
}
