// Package say holds the wording that results share: how a count, a share, a value with its unit and a name are put in
// the sentences that stand inside a result. How a result is laid out and in which units it is shown is
// internal/report's; a sentence is part of the result, in the units of the workspace, and is the same in every format.
package say

import (
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"headroom/internal/metric"
	"headroom/internal/result"
)

// Count writes a number with its noun: "1 car", "12 cars".
func Count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// Capital is s with its first letter a capital.
func Capital(s string) string {
	if s == "" {
		return s
	}
	first, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[size:]
}

// Words turns an identifier, such as a hazard's name, into words.
func Words[S ~string](name S) string { return strings.ReplaceAll(string(name), "_", " ") }

// Metric is what a metric is called in a sentence.
func Metric(id metric.ID) string {
	if m, ok := metric.Of(id); ok {
		return m.Spoken
	}
	return Words(id)
}

// Join puts two reasons, either of which may be empty, in one line.
func Join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// Percent writes a probability so that neither a rare event nor a near-certain one is rounded into certainty.
func Percent(p result.Number) string {
	v := float64(p) * 100
	switch {
	case !p.Known():
		return "unknown"
	case v < 0.1:
		return "under 0.1 %"
	case v > 99.9:
		return "over 99.9 %"
	case v < 10:
		return fmt.Sprintf("%.1f %%", v)
	}
	return fmt.Sprintf("%.0f %%", v)
}

// Short writes a value to three or four digits.
func Short(v result.Number) string {
	if !v.Known() {
		return "unknown"
	}
	if a := math.Abs(float64(v)); a >= 100 {
		return fmt.Sprintf("%.0f", float64(v))
	} else if a >= 10 {
		return fmt.Sprintf("%.1f", float64(v))
	}
	return fmt.Sprintf("%.2f", float64(v))
}

// Quantity writes a value with its unit, lambda to the thousandth because a hundredth decides.
func Quantity(v result.Number, unit string) string {
	if unit == "lambda" && v.Known() {
		return fmt.Sprintf("λ %.3f", float64(v))
	}
	return Short(v) + " " + unit
}
