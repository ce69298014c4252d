// Package show answers one question: how is a number written for the person who reads it? A stored number, or a pair,
// goes in with its unit; digits in the unit the reader asked for come out, with as many decimals as the unit and the
// spread are worth, "–" for what is not known, and chances that never read as none or as all. The conversion factors
// are those of models/unit; no other published source is involved.
package show

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"headroom/internal/result"
)

const (
	// Missing stands for what is not known.
	Missing = "–"
	// NBSP is the unbreakable blank that keeps a number and its unit on one line; the terminal and Markdown print a
	// plain blank.
	NBSP  = "\u00a0"
	minus = "−"
)

// decimalsOf is how many decimals a reading in a unit is worth showing.
var decimalsOf = map[string]int{
	"deg": 1, "λ": 3, "%": 1, "kPa": 0, "bar": 2, "psi": 1, "MPa": 2, "°C": 0, "°F": 0, "K": 0, "N·m": 0, "lbf·ft": 0,
	"kW": 0, "hp": 0, "ms": 2, "s": 1, "g/s": 1, "rpm": 0, "km/h": 0, "V": 1,
}

// decimals of a reading of the given size: what the unit is worth, but four digits at most, and up to two more where
// the spread that is shown beside it (0: none) is smaller than one step.
func decimals(unit string, size, spread float64) int {
	n, known := decimalsOf[unit]
	if !known {
		n = 2
	}
	for n > 0 && math.Abs(size) >= math.Pow10(4-n) {
		n--
	}
	for extra := 0; extra < 2 && spread > 0 && spread < math.Pow10(-n); extra++ {
		n++
	}
	return n
}

// Fixed writes a number with n decimals, a true minus sign and no negative zero.
func Fixed(v float64, n int) string {
	s := strconv.FormatFloat(v, 'f', n, 64)
	if !strings.HasPrefix(s, "-") {
		return s
	}
	if strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return minus + s[1:]
}

// Signed is Fixed with a plus sign on what shows above zero.
func Signed(v float64, n int) string {
	s := Fixed(v, n)
	if v > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// WithUnit is a written number and its unit, held together on one line; a quantity without a unit is the number alone.
func WithUnit(number, unit string) string {
	if unit == "" {
		return number
	}
	return number + NBSP + unit
}

// Value is a reading with its unit.
func (d Display) Value(v result.Number, unit string) string {
	if !v.Known() {
		return Missing
	}
	return WithUnit(d.Bare(v, unit), d.Of(unit).Name)
}

// Bare is a reading without its unit.
func (d Display) Bare(v result.Number, unit string) string {
	if !v.Known() {
		return Missing
	}
	s := d.Of(unit)
	shown := float64(v)*s.Factor + s.Offset
	return Fixed(shown, decimals(s.Name, shown, 0))
}

// Interval is a pair of readings with one unit, "−1.1 to 3.4 deg".
func (d Display) Interval(span result.Span, unit string) string {
	if !span[0].Known() || !span[1].Known() {
		return Missing
	}
	s := d.Of(unit)
	low, high := float64(span[0])*s.Factor+s.Offset, float64(span[1])*s.Factor+s.Offset
	n := decimals(s.Name, max(math.Abs(low), math.Abs(high)), high-low)
	return WithUnit(Fixed(low, n)+" to "+Fixed(high, n), s.Name)
}

// FromTo is a reading before and after with one unit, "412 → 438 N·m".
func (d Display) FromTo(span result.Span, unit string) string {
	if !span[0].Known() && !span[1].Known() {
		return Missing
	}
	return WithUnit(d.Bare(span[0], unit)+NBSP+"→"+NBSP+d.Bare(span[1], unit), d.Of(unit).Name)
}

// Difference is a distance between two readings, so a temperature scale has no zero point.
func (d Display) Difference(v result.Number, unit string) string {
	if !v.Known() {
		return Missing
	}
	s := d.Step(unit)
	shown := float64(v) * s.Factor
	return WithUnit(Fixed(shown, decimals(s.Name, shown, math.Abs(shown))), s.Name)
}

// Change is a difference with its sign.
func (d Display) Change(v result.Number, unit string) string {
	if !v.Known() {
		return Missing
	}
	s := d.Step(unit)
	shown := float64(v) * s.Factor
	return WithUnit(Signed(shown, decimals(s.Name, shown, math.Abs(shown))), s.Name)
}

// Differences is a pair of distances with one unit.
func (d Display) Differences(span result.Span, unit string) string {
	if !span[0].Known() || !span[1].Known() {
		return Missing
	}
	s := d.Step(unit)
	low, high := float64(span[0])*s.Factor, float64(span[1])*s.Factor
	n := decimals(s.Name, max(math.Abs(low), math.Abs(high)), high-low)
	return WithUnit(Fixed(low, n)+" to "+Fixed(high, n), s.Name)
}

// Margin is a margin with its standard deviation, "1.2 ± 1.4 deg".
func (d Display) Margin(m, sd result.Number, unit string) string {
	if !m.Known() || !sd.Known() {
		return d.Difference(m, unit)
	}
	s := d.Step(unit)
	shown, spread := float64(m)*s.Factor, float64(sd)*s.Factor
	n := decimals(s.Name, shown, spread)
	return WithUnit(Fixed(shown, n)+NBSP+"±"+NBSP+Fixed(spread, n), s.Name)
}

// Step is the scale of a difference in a stored unit; a difference of temperature is in kelvins where Celsius is
// shown.
func (d Display) Step(unit string) Scale {
	s := d.Of(unit)
	if s.Name == "°C" {
		s.Name = "K"
	}
	return s
}

// percentDigits is a probability in percent without the sign. Certainty is never claimed: what would round to none
// or to all of a thousand pulls is written as a bound.
func percentDigits(p float64) string {
	pct := 100 * p
	switch {
	case pct < 0.1:
		return "<0.1"
	case pct < 9.95:
		return Fixed(pct, 1)
	case pct <= 90:
		return Fixed(pct, 0)
	case pct <= 99.9:
		return Fixed(pct, 1)
	}
	return ">99.9"
}

// Probability is a chance from 0 to 1 in percent, "<0.1 %" and ">99.9 %" at the ends.
func Probability(p result.Number) string {
	if !p.Known() {
		return Missing
	}
	if p < 0 || p > 1 {
		return fmt.Sprintf("%s (%g is not a probability)", Missing, float64(p))
	}
	return percentDigits(float64(p)) + NBSP + "%"
}

// Probabilities is an interval of a probability, "1.2 to 7.1 %".
func Probabilities(span result.Span) string {
	for _, p := range span {
		if !p.Known() || p < 0 || p > 1 {
			return Missing
		}
	}
	low, high := percentDigits(float64(span[0])), percentDigits(float64(span[1]))
	if low == high {
		return low + NBSP + "%"
	}
	return low + " to " + high + NBSP + "%"
}

// Bound is an upper bound of a share in percent with two significant digits: one in ten thousand is worth its digits.
func Bound(p result.Number) string {
	if !p.Known() {
		return Missing
	}
	return TwoDigits(100*float64(p)) + NBSP + "%"
}

// TwoDigits is a positive figure with two significant digits, at most six decimals; anything else as a whole number.
func TwoDigits(v float64) string {
	if v <= 0 {
		return Fixed(v, 0)
	}
	return Fixed(v, min(max(1-int(math.Floor(math.Log10(v))), 0), 6))
}

// Number is a plain figure with up to n decimals, without a unit of its own (a chart's statistic).
func Number(v result.Number, n int) string {
	if !v.Known() {
		return Missing
	}
	return Fixed(float64(v), n)
}

// Range is the two edges of a cell, "3000–3500 rpm".
func Range(span result.Span, unit string) string {
	if !span[0].Known() || !span[1].Known() {
		return Missing
	}
	dash := "–"
	if span[0] < 0 || span[1] < 0 {
		dash = " to "
	}
	return WithUnit(Fixed(float64(span[0]), 0)+dash+Fixed(float64(span[1]), 0), unit)
}
