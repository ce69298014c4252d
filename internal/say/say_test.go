package say

import (
	"testing"

	"headroom/internal/metric"
	"headroom/internal/result"
)

// What is rare is not written as never and what is likely not as certain; what is not known is said to be so.
func TestWording(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{Percent(0), "under 0.1 %"}, {Percent(0.0004), "under 0.1 %"}, {Percent(0.034), "3.4 %"},
		{Percent(0.51), "51 %"},
		{Percent(1), "over 99.9 %"}, {Percent(result.Unknown()), "unknown"},
		{Short(1234.5), "1234"}, {Short(-12.34), "-12.3"}, {Short(0.126), "0.13"}, {Short(result.Unknown()), "unknown"},
		{Quantity(0.8764, "lambda"), "λ 0.876"}, {Quantity(95.26, "°C"), "95.3 °C"},
		{Quantity(result.Unknown(), "lambda"), "unknown lambda"},
		{Count(0, "car"), "0 cars"}, {Count(1, "car"), "1 car"}, {Count(12, "pull"), "12 pulls"},
		{Capital(""), ""}, {Capital("λ error"), "Λ error"}, {Capital("boost"), "Boost"}, {Capital("3 cars"), "3 cars"},
		{Words("low_speed_load"), "low speed load"}, {Metric("oil_temperature"), "oil temperature"},
		{Metric(metric.BMEP), "brake mean effective pressure"},
		{Join("", "b"), "b"}, {Join("a", ""), "a"}, {Join("a", "b"), "a; b"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}
