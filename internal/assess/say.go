package assess

import (
	"fmt"
	"math"
	"strings"

	"headroom/internal/workspace"
)

// percent writes a probability so that neither a rare event nor a near-certain one is rounded into certainty.
func percent(p Number) string {
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

func chance(p Number, interval Span) string {
	return fmt.Sprintf("%s of pulls cross the limit (90 %% interval %s to %s)", percent(p), percent(interval[0]), percent(interval[1]))
}

func short(v Number) string {
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

// sentence says a finding in words a tuner can act on.
func (p *platform) sentence(f *Finding) string {
	where := fmt.Sprintf("at %.0f–%.0f rpm and %.0f–%.0f %% load", float64(f.Cell.RPM[0]), float64(f.Cell.RPM[1]), float64(f.Cell.LoadPct[0]), float64(f.Cell.LoadPct[1]))
	if f.Hazard == workspace.Knock {
		side := fmt.Sprintf("%.1f° short of", math.Abs(float64(f.Predicted)))
		if f.Predicted < 0 {
			side = fmt.Sprintf("%.1f° past", math.Abs(float64(f.Predicted)))
		}
		return fmt.Sprintf("Commanded spark %s is %s the expected knock limit; %s of pulls would take more than the tolerated %.1f° of retard there.",
			where, side, percent(f.ProbabilityPerPull), p.KnockControl.ToleratedRetardDeg)
	}
	return fmt.Sprintf("%s %s is expected at %s against a limit of %s; %s of pulls cross it there.",
		capital(metricWords(f.Metric)), where, quantity(f.Predicted, f.Unit), quantity(f.Limit, f.Unit), percent(f.ProbabilityPerPull))
}

// metricWords is what a metric is called in a sentence.
func metricWords(name string) string {
	switch name {
	case workspace.MetricBMEP:
		return "brake mean effective pressure"
	case workspace.MetricPeakPressure:
		return "peak cylinder pressure"
	case workspace.MetricInjectionWindowUse:
		return "use of the injection window"
	case workspace.MetricPumpUse:
		return "use of the fuel pump's capacity"
	}
	return words(name)
}

// quantity writes a value with its unit, lambda to the thousandth because a hundredth decides.
func quantity(v Number, unit string) string {
	if unit == "lambda" && v.Known() {
		return fmt.Sprintf("λ %.3f", float64(v))
	}
	return short(v) + " " + unit
}

// capital sets the first letter in capitals; metric and hazard names are plain ASCII.
func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// count writes a number with its noun.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
