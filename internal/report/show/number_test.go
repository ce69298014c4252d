package show

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"headroom/internal/result"
)

func plainBlanks(s string) string { return strings.ReplaceAll(s, NBSP, " ") }

func TestProbability(t *testing.T) {
	for _, c := range []struct {
		p    float64
		want string
	}{
		{0, "<0.1 %"}, {1e-6, "<0.1 %"}, {0.00099, "<0.1 %"}, {0.001, "0.1 %"}, {0.0314, "3.1 %"}, {0.0994, "9.9 %"},
		{0.0996, "10 %"},
		{0.19, "19 %"}, {0.5, "50 %"}, {0.9, "90 %"}, {0.905, "90.5 %"}, {0.999, "99.9 %"}, {0.9991, ">99.9 %"},
		{1, ">99.9 %"},
		{math.NaN(), "–"}, {math.Inf(1), "–"}, {1.2, "– (1.2 is not a probability)"},
		{-0.1, "– (-0.1 is not a probability)"},
	} {
		if got := plainBlanks(Probability(result.Number(c.p))); got != c.want {
			t.Errorf("Probability(%v) = %q, want %q", c.p, got, c.want)
		}
	}
}

// TestProbabilityIsHonest: no chance is ever written as 0 or 100 %, and what is written is within rounding of it.
func TestProbabilityIsHonest(t *testing.T) {
	digits := regexp.MustCompile(`^([<>]?)([0-9.]+) %$`)
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		m := digits.FindStringSubmatch(plainBlanks(Probability(result.Number(p))))
		if m == nil {
			t.Fatalf("%v gives %q", p, Probability(result.Number(p)))
		}
		shown, err := strconv.ParseFloat(m[2], 64)
		if err != nil || shown <= 0 || shown >= 100 {
			t.Fatalf("%v is shown as %v", p, shown)
		}
		switch m[1] {
		case "<":
			if 100*p >= shown {
				t.Fatalf("%v is not below %v %%", p, shown)
			}
		case ">":
			if 100*p <= shown {
				t.Fatalf("%v is not above %v %%", p, shown)
			}
		default:
			if math.Abs(100*p-shown) > 0.5+1e-9 || (p < 0.095 && math.Abs(100*p-shown) > 0.05+1e-9) {
				t.Fatalf("%v is shown as %v %%", p, shown)
			}
		}
	})
}

func TestProbabilities(t *testing.T) {
	for _, c := range []struct {
		span result.Span
		want string
	}{
		{result.Span{0.012, 0.071}, "1.2 to 7.1 %"}, {result.Span{0, 0.0008}, "<0.1 %"},
		{result.Span{0, 0.2}, "<0.1 to 20 %"},
		{result.Span{0.12, 1}, "12 to >99.9 %"}, {result.UnknownSpan(), "–"}, {result.Span{0.1, result.Unknown()}, "–"},
		{result.Span{-1, 0.5}, "–"},
	} {
		if got := plainBlanks(Probabilities(c.span)); got != c.want {
			t.Errorf("Probabilities(%v) = %q, want %q", c.span, got, c.want)
		}
	}
}

func TestBound(t *testing.T) {
	for _, c := range []struct {
		p    float64
		want string
	}{{0.0950, "9.5 %"}, {0.00719, "0.72 %"}, {0.0000123, "0.0012 %"}, {0.5, "50 %"}, {0, "0 %"}, {math.NaN(), "–"}} {
		if got := plainBlanks(Bound(result.Number(c.p))); got != c.want {
			t.Errorf("Bound(%v) = %q, want %q", c.p, got, c.want)
		}
	}
}

// TestDisplayUnits: conversion factors are those of NIST SP 811 (psi 6894.757 Pa, lbf·ft 1.355818 N·m, hp 745.6999
// W); 100 °C is 212 °F, but a difference of 10 K is one of 18 °F.
func TestDisplayUnits(t *testing.T) {
	imperial, err := NewDisplay(Units{Pressure: "psi", Temperature: "F", Torque: "lbfft"})
	if err != nil {
		t.Fatal(err)
	}
	bars, err := NewDisplay(Units{Pressure: "bar"})
	if err != nil {
		t.Fatal(err)
	}
	var stored Display
	if stored, err = NewDisplay(Units{}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ got, want string }{
		{stored.Value(101.325, "kPa"), "101 kPa"}, {imperial.Value(101.325, "kPa"), "14.7 psi"},
		{bars.Value(11240, "kPa"), "112.4 bar"}, {bars.Value(160, "kPa"), "1.60 bar"},
		{stored.Value(78, "°C"), "78 °C"}, {imperial.Value(100, "°C"), "212 °F"}, {stored.Difference(10, "°C"), "10 K"},
		{imperial.Difference(10, "°C"), "18 °F"},
		{imperial.Difference(10, "K"), "18 °F"}, {stored.Difference(10, "K"), "10 K"}, {imperial.Margin(-8, 4, "°C"),
			"−14 ± 7 °F"},
		{stored.Value(400, "Nm"), "400 N·m"}, {stored.Value(400, "N·m"), "400 N·m"}, {imperial.Value(400, "Nm"),
			"295 lbf·ft"},
		{stored.Value(149.1, "kW"), "149 kW"}, {imperial.Value(149.14, "kW"), "200 hp"},
		{imperial.FromTo(result.Span{140.2, 149.1}, "kW"), "188 → 200 hp"}, {bars.Value(149.1, "kW"), "149 kW"},
		{stored.Value(0.8423, "lambda"), "0.842 λ"}, {stored.Value(6.5, "deg"), "6.5 deg"},
		{imperial.Interval(result.Span{71.4, 84.9}, "°C"), "161 to 185 °F"},
		{stored.Value(4.25, "furlong"), "4.25 furlong"}, {stored.Value(result.Unknown(), "kPa"), "–"},
		{stored.Margin(result.Unknown(), 1, "kPa"), "–"}, {stored.Margin(1.2, result.Unknown(), "deg"), "1.2 deg"},
	} {
		if got := plainBlanks(c.got); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

func TestDigits(t *testing.T) {
	d, err := NewDisplay(Units{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ got, want string }{
		{d.Margin(1.2, 1.4, "deg"), "1.2 ± 1.4 deg"}, {d.Margin(0.03, 0.012, "deg"), "0.03 ± 0.01 deg"},
		{d.Margin(-0.04, 1.4, "deg"), "0.0 ± 1.4 deg"},
		{d.Margin(1760, 700, "kPa"), "1760 ± 700 kPa"}, {d.Interval(result.Span{-1.1, 3.4}, "deg"), "−1.1 to 3.4 deg"},
		{d.Change(1.5, "deg"), "+1.5 deg"}, {d.Change(-0.01, "lambda"), "−0.010 λ"}, {d.Change(0, "kPa"), "0 kPa"},
		{Range(result.Span{3000, 3500}, "rpm"), "3000–3500 rpm"}, {Range(result.Span{-5, 5}, "deg"), "−5 to 5 deg"},
		{Range(result.UnknownSpan(), "rpm"), "–"},
		{Fixed(-0.0001, 2), "0.00"}, {Fixed(-3, 0), "−3"}, {Signed(0.0001, 1), "0.0"},
	} {
		if got := plainBlanks(c.got); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}
