package reading

import (
	"fmt"
	"math"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
	"headroom/models/unit"
)

// wide channels run through their range in any drive: a whole log below one percent is no percentage.
var wide = map[channel.ID]bool{channel.ThrottlePosition: true, channel.PedalPosition: true,
	channel.CalculatedLoad: true, channel.AbsoluteLoad: true, channel.InjectorDuty: true}

// readShare reads percentages and fractions.
func readShare(id channel.ID, u unit.Unit, raw []float64) (Reading, error) {
	sorted := samples.Sorted(raw)
	if len(sorted) == 0 {
		return Reading{}, refuse("it has no readings")
	}
	low, high := sorted[0], sorted[len(sorted)-1]
	fractional := high > 0 && high <= 1.05 && low >= -0.05
	varied := high-low > 0.02
	switch {
	case u == unit.Fraction:
		return convert(u, unit.Percent, raw)
	case u == unit.Percent && fractional && (varied || wide[id]) && high > 0.3:
		return Reading{}, refuse("its unit is written as %% but its values lie between %.3g and %.3g as fractions do",
			low, high)
	case u != "":
		return convert(u, unit.Percent, raw)
	case fractional && varied && high > 0.3:
		return assume(unit.Fraction, unit.Percent, raw, 0.85, fmt.Sprintf("no unit is written; values from %.3g to "+
			"%.3g are fractions", low, high))
	case high > 1.5:
		return assume(unit.Percent, unit.Percent, raw, 0.95, fmt.Sprintf("no unit is written; values up to %.4g are "+
			"percent", high))
	case high == 0 && low == 0:
		return assume(unit.Percent, unit.Percent, raw, 0.9, "no unit is written; zero is the same in percent and as "+
			"a fraction")
	}
	return Reading{}, lacks(LackUnit, stateUnit, "no unit is written and values up to %.3g may be percent or "+
		"fractions", high)
}

// readTrim reads fuel trims: percent, fraction, or a factor around 1.
func readTrim(u unit.Unit, raw []float64) (Reading, error) {
	sorted := samples.Sorted(raw)
	if len(sorted) == 0 {
		return Reading{}, refuse("it has no readings")
	}
	low, high := sorted[0], sorted[len(sorted)-1]
	factor := low > 0.6 && high < 1.5 && math.Abs(samples.Quantile(sorted, 0.5)-1) < 0.25 && high > low
	switch {
	case u == unit.Fraction && factor:
		return fromFactor(raw, 0.9, "values around 1 multiply the fuel: 1 is no trim"), nil
	case u != "":
		return convert(u, unit.Percent, raw)
	case factor:
		return fromFactor(raw, 0.75, fmt.Sprintf("no unit is written; values from %.3g to %.3g multiply the fuel: "+
			"1 is no trim", low, high)), nil
	case high > 1 || low < -1:
		return assume(unit.Percent, unit.Percent, raw, 0.9, fmt.Sprintf("no unit is written; values from %.3g to "+
			"%.3g are percent", low, high))
	case high == 0 && low == 0:
		return assume(unit.Percent, unit.Percent, raw, 0.9, "no unit is written; zero is the same in percent and as "+
			"a fraction")
	}
	return Reading{}, lacks(LackUnit, stateUnit, "no unit is written and values from %.3g to %.3g may be percent or "+
		"fractions",
		low, high)
}

// fromFactor reads a trim that multiplies the fuel.
func fromFactor(raw []float64, confidence float64, why string) Reading {
	return Reading{Values: samples.Scaled(raw, 100, -100), Conversion: Conversion{scale: 100, offset: -100},
		Unit: "factor", Confidence: confidence, Why: why}
}
