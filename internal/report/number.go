package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"headroom/internal/result"
)

const (
	missing = "–"      // what is not known
	nbsp    = "\u00a0" // keeps a number and its unit on one line; the terminal and Markdown print a plain space
	minus   = "−"
)

// decimalsOf is how many decimals a reading in a unit is worth showing.
var decimalsOf = map[string]int{
	"deg": 1, "λ": 3, "%": 1, "kPa": 0, "bar": 2, "psi": 1, "MPa": 2, "°C": 0, "°F": 0, "K": 0, "N·m": 0, "lbf·ft": 0,
	"kW": 0, "ms": 2, "s": 1, "g/s": 1, "rpm": 0, "km/h": 0, "V": 1,
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

// fixed writes a number with n decimals, a true minus sign and no negative zero.
func fixed(v float64, n int) string {
	s := strconv.FormatFloat(v, 'f', n, 64)
	if !strings.HasPrefix(s, "-") {
		return s
	}
	if strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return minus + s[1:]
}

// signed is fixed with a plus sign on what shows above zero.
func signed(v float64, n int) string {
	s := fixed(v, n)
	if v > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

func withUnit(number, unit string) string {
	if unit == "" {
		return number
	}
	return number + nbsp + unit
}

// value is a reading with its unit.
func (d display) value(v result.Number, unit string) string {
	if !v.Known() {
		return missing
	}
	s := d.of(unit)
	shown := float64(v)*s.factor + s.offset
	return withUnit(fixed(shown, decimals(s.name, shown, 0)), s.name)
}

// interval is a pair of readings with one unit, "−1.1 to 3.4 deg".
func (d display) interval(span result.Span, unit string) string {
	if !span[0].Known() || !span[1].Known() {
		return missing
	}
	s := d.of(unit)
	low, high := float64(span[0])*s.factor+s.offset, float64(span[1])*s.factor+s.offset
	n := decimals(s.name, max(math.Abs(low), math.Abs(high)), high-low)
	return withUnit(fixed(low, n)+" to "+fixed(high, n), s.name)
}

// fromTo is a reading before and after with one unit, "412 → 438 N·m".
func (d display) fromTo(span result.Span, unit string) string {
	if !span[0].Known() && !span[1].Known() {
		return missing
	}
	s := d.of(unit)
	shown := func(v result.Number) string {
		if !v.Known() {
			return missing
		}
		x := float64(v)*s.factor + s.offset
		return fixed(x, decimals(s.name, x, 0))
	}
	return withUnit(shown(span[0])+nbsp+"→"+nbsp+shown(span[1]), s.name)
}

// difference is a distance between two readings, so a temperature scale has no zero point.
func (d display) difference(v result.Number, unit string) string {
	if !v.Known() {
		return missing
	}
	s := d.step(unit)
	shown := float64(v) * s.factor
	return withUnit(fixed(shown, decimals(s.name, shown, math.Abs(shown))), s.name)
}

// change is a difference with its sign.
func (d display) change(v result.Number, unit string) string {
	if !v.Known() {
		return missing
	}
	s := d.step(unit)
	shown := float64(v) * s.factor
	return withUnit(signed(shown, decimals(s.name, shown, math.Abs(shown))), s.name)
}

// differences is a pair of distances with one unit.
func (d display) differences(span result.Span, unit string) string {
	if !span[0].Known() || !span[1].Known() {
		return missing
	}
	s := d.step(unit)
	low, high := float64(span[0])*s.factor, float64(span[1])*s.factor
	n := decimals(s.name, max(math.Abs(low), math.Abs(high)), high-low)
	return withUnit(fixed(low, n)+" to "+fixed(high, n), s.name)
}

// margin is a margin with its standard deviation, "1.2 ± 1.4 deg".
func (d display) margin(m, sd result.Number, unit string) string {
	if !m.Known() || !sd.Known() {
		return d.difference(m, unit)
	}
	s := d.step(unit)
	shown, spread := float64(m)*s.factor, float64(sd)*s.factor
	n := decimals(s.name, shown, spread)
	return withUnit(fixed(shown, n)+nbsp+"±"+nbsp+fixed(spread, n), s.name)
}

// step is the scale of a difference in a stored unit; a difference of temperature is in kelvins where Celsius is
// shown.
func (d display) step(unit string) scale {
	s := d.of(unit)
	if s.name == "°C" {
		s.name = "K"
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
		return fixed(pct, 1)
	case pct <= 90:
		return fixed(pct, 0)
	case pct <= 99.9:
		return fixed(pct, 1)
	}
	return ">99.9"
}

// probability is a chance from 0 to 1 in percent, "<0.1 %" and ">99.9 %" at the ends.
func probability(p result.Number) string {
	if !p.Known() {
		return missing
	}
	if p < 0 || p > 1 {
		return fmt.Sprintf("%s (%g is not a probability)", missing, float64(p))
	}
	return percentDigits(float64(p)) + nbsp + "%"
}

// probabilities is an interval of a probability, "1.2 to 7.1 %".
func probabilities(span result.Span) string {
	for _, p := range span {
		if !p.Known() || p < 0 || p > 1 {
			return missing
		}
	}
	low, high := percentDigits(float64(span[0])), percentDigits(float64(span[1]))
	if low == high {
		return low + nbsp + "%"
	}
	return low + " to " + high + nbsp + "%"
}

// bound is an upper bound of a share in percent with two significant digits: one in ten thousand is worth its digits.
func bound(p result.Number) string {
	if !p.Known() {
		return missing
	}
	pct := 100 * float64(p)
	if pct <= 0 {
		return fixed(pct, 0) + nbsp + "%"
	}
	n := min(max(1-int(math.Floor(math.Log10(pct))), 0), 6)
	return fixed(pct, n) + nbsp + "%"
}

// number is a plain figure with up to n decimals, without a unit of its own (a chart's statistic).
func number(v result.Number, n int) string {
	if !v.Known() {
		return missing
	}
	return fixed(float64(v), n)
}

// rangeOf is the two edges of a cell, "3000–3500 rpm".
func rangeOf(span result.Span, unit string) string {
	if !span[0].Known() || !span[1].Known() {
		return missing
	}
	dash := "–"
	if span[0] < 0 || span[1] < 0 {
		dash = " to "
	}
	return withUnit(fixed(float64(span[0]), 0)+dash+fixed(float64(span[1]), 0), unit)
}

// count is a number of things, "1 car", "12 cars", "3 stretches".
func count(n int, thing string) string {
	switch {
	case n == 1:
	case strings.HasSuffix(thing, "ch"):
		thing += "es"
	default:
		thing += "s"
	}
	return strconv.Itoa(n) + nbsp + thing
}

// spokenNames are hazards and metrics whose identifiers do not read as words; any other name is shown with its
// underscores as blanks.
var spokenNames = map[string]string{
	"lean": "lean mixture", "low_speed_load": "low-speed load", "bmep": "BMEP", "short_term_trim": "short-term trim",
	"long_term_trim": "long-term trim",
}

// plain is an identifier of the result in words.
func plain(name string) string {
	if said, ok := spokenNames[name]; ok {
		return said
	}
	return or(strings.ReplaceAll(name, "_", " "), missing)
}

// or is s, or what to say instead when it is empty.
func or(s, instead string) string {
	if s == "" {
		return instead
	}
	return s
}

// sentence is s closed by a full stop.
func sentence(s string) string {
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}
