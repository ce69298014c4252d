package reading

import (
	"fmt"
	"math"

	"headroom/internal/runlog/header"
	"headroom/internal/runlog/samples"
	"headroom/models/unit"
)

// displayAFR is the stoichiometric ratio by which mixture displays scale gasoline: common practice, no source.
const displayAFR = 14.7

// readMixture turns λ, air–fuel ratio or equivalence ratio into λ.
func (ctx *Context) readMixture(c header.Claim, u unit.Unit, raw []float64) (Reading, error) {
	if u == unit.Fraction {
		u = "" // "ratio" says nothing about which ratio
	}
	values := positive(raw)
	if len(samples.Sorted(values)) == 0 {
		return Reading{}, refuse("it is zero or empty throughout: not supported, and zero is no mixture")
	}
	asIs := Conversion{scale: 1, positive: true}
	mid := samples.Median(values)
	nearOne := mid > 0.5 && mid < 2.2
	isAFR := mid >= 6 && mid <= 25 || (c.AirFuel || u == unit.AFR) && mid >= 4.5 && mid <= 25
	switch {
	case u == unit.LambdaUnit && nearOne && !c.Equivalence:
		return Reading{Values: values, Conversion: asIs, Unit: string(u), Confidence: 1, Why: asWritten(u)}, nil
	case u == unit.AFR && isAFR, u == "" && c.AirFuel && isAFR:
		return ctx.fromAFR(values, "air-fuel ratio as written"), nil
	case u == unit.LambdaUnit && isAFR, u == unit.AFR && nearOne:
		return Reading{}, refuse("its unit is written as %s but its median is %.4g", u, mid)
	case u == "" && !c.Equivalence && isAFR:
		r := ctx.fromAFR(values, fmt.Sprintf("no unit is written; a median of %.4g is an air-fuel ratio, not λ", mid))
		r.Confidence = 0.75
		return r, nil
	case u == "" && c.Equivalence && mid >= 12 && mid <= 16:
		r := ctx.fromAFR(values, fmt.Sprintf("no unit is written; a median of %.4g is an air-fuel ratio, no "+
			"equivalence ratio", mid))
		r.Confidence = 0.8
		return r, nil
	case c.Equivalence || u == unit.Phi:
		return ctx.fromEquivalence(u, values)
	case u == "" && nearOne:
		if narrowBand(values) {
			return Reading{}, refuse("its readings jump between two ends as a narrow-band sensor's voltage does")
		}
		return Reading{Values: values, Conversion: asIs, Unit: string(unit.LambdaUnit), Confidence: 0.9,
			Why: fmt.Sprintf("a median of %.3g is λ", mid)}, nil
	}
	return Reading{}, refuse("a median of %.4g is neither λ nor an air-fuel ratio", mid)
}

// positive keeps readings above zero: a zero is a parameter that is not supported or a sensor that is not ready.
func positive(raw []float64) []float64 {
	out := make([]float64, len(raw))
	for i, v := range raw {
		out[i] = v
		if !(v > 0) {
			out[i] = math.NaN()
		}
	}
	return out
}

// narrowBand recognises a switching sensor: hardly any readings between its two ends.
func narrowBand(values []float64) bool {
	sorted := samples.Sorted(values)
	low, high := samples.Quantile(sorted, 0.02), samples.Quantile(sorted, 0.98)
	if low > 0.35 || high > 1.1 || high < 0.6 {
		return false
	}
	middle := 0
	for _, v := range sorted {
		if v > 0.3 && v < 0.6 {
			middle++
		}
	}
	return 4*middle < len(sorted)
}

// A commanded air–fuel ratio stands at the stoichiometric ratio of its scale where the control unit holds λ at 1. A
// number that it stands at is taken for that ratio where it is one of gasoline, up to a blend of 15 % ethanol, or of a
// blend of 65 % and more, by Heywood's equation 3.6 (13.7 to 14.8, 8.9 to 10.9), and holds for plateauShare of part
// throttle: common practice, no source.
const (
	plateauShare   = 0.3
	plateauWidth   = 0.004 // of the ratio, within which a commanded one stands: the digits of displays and of trims
	plateauSamples = 20
	scaleAgrees    = 0.03 // a display whose median there lies within this share of the ratio has the same scale
)

// IsStoich reports whether a number can be the stoichiometric air–fuel ratio by which a display of mixture is scaled.
func IsStoich(ratio float64) bool {
	return ratio >= 13.7 && ratio <= 14.8 || ratio >= 8.9 && ratio <= 10.9
}

// LearnStoich learns from a commanded air–fuel ratio, numbers as logged, by which stoichiometric ratio the logger
// scales it. Speed and throttle must have been settled.
func (ctx *Context) LearnStoich(commanded []float64) {
	commanded = ctx.carried(commanded)
	s := samples.Sorted(samples.Where(commanded, ctx.partThrottle))
	from, to := densest(s, plateauWidth)
	if len(s) < plateauSamples || float64(to-from) < plateauShare*float64(len(s)) {
		return
	}
	stands := samples.Quantile(s[from:to], 0.5)
	if !IsStoich(stands) {
		return
	}
	ctx.stoich, ctx.held = stands, make([]bool, len(commanded))
	for i, v := range commanded {
		ctx.held[i] = v >= s[from] && v <= s[to-1] && ctx.partThrottle(i)
	}
}

// densest is the range of sorted values that lie within the share width of one another and are most.
func densest(sorted []float64, width float64) (from, to int) {
	for i, j := 0, 0; j < len(sorted); j++ {
		for sorted[j]-sorted[i] > width*math.Abs(sorted[j]) {
			i++
		}
		if j+1-i >= to-from { // of equally many the largest: the others command rich
			from, to = i, j+1
		}
	}
	return from, to
}

// scaleOf is the stoichiometric ratio by which a displayed air–fuel ratio is scaled, as the commanded one shows it; ok
// is false where it shows none, or this display stands elsewhere while the control unit holds λ at 1.
func (ctx *Context) scaleOf(values []float64) (stoich float64, ok bool) {
	held := samples.Median(samples.Where(values, func(i int) bool { return i < len(ctx.held) && ctx.held[i] }))
	return ctx.stoich, ctx.stoich > 0 && math.Abs(held/ctx.stoich-1) <= scaleAgrees
}

// fromAFR divides by the stated stoichiometric ratio, else by that of the commanded plateau, else by that of the usual
// display, and checks the choice at idle, where λ is 1 by control.
func (ctx *Context) fromAFR(values []float64, why string) Reading {
	stoich := ctx.Stoich
	r := Reading{Unit: string(unit.AFR), Confidence: 0.95}
	plateau, found := ctx.scaleOf(values)
	switch {
	case stoich > 0:
	case found:
		stoich = plateau
		why += ", the scale by where the commanded ratio stands at part throttle"
	default:
		stoich = displayAFR
		r.Confidence = 0.85
		r.assumes("air-fuel ratio was divided by %.4g, the usual scale of a gasoline display; state the display's "+
			"stoichiometric ratio if it differs", stoich)
	}
	r.Values = samples.Scaled(values, 1/stoich, 0)
	r.Conversion = Conversion{scale: 1 / stoich, positive: true}
	r.Why = fmt.Sprintf("%s, divided by %.4g", why, stoich)
	if rest := samples.Median(samples.Where(values, ctx.idling)); !math.IsNaN(rest) {
		if share := rest / stoich; math.Abs(share-1) > 0.03 {
			r.assumes("at idle the air-fuel ratio is %.2f, which by %.4g is λ %.3f, not 1: the display's scale may be "+
				"another", rest, stoich, share)
		} else {
			r.Why += fmt.Sprintf(" (%.2f at idle confirms it)", rest)
		}
	}
	return r
}

// fromEquivalence tells φ (fuel–air: above 1 is rich) from the ratio that SAE J1979 calls equivalence ratio
// (air–fuel: below 1 is rich) by which side full load lies on, or by a measured λ.
func (ctx *Context) fromEquivalence(u unit.Unit, values []float64) (Reading, error) {
	inverse := make([]float64, len(values))
	for i, v := range values {
		inverse[i] = 1 / v
	}
	asIs, reciprocal := Conversion{scale: 1, positive: true}, Conversion{scale: 1, positive: true, inverse: true}
	direct := 0 // votes: positive for λ, negative for φ
	why := ""
	if full := samples.Where(values, ctx.wideOpen); len(full) >= 5 {
		m := samples.Median(full)
		if m < 0.97 {
			direct, why = direct+1, fmt.Sprintf("%.3f at full throttle is rich, so below 1 is rich: λ", m)
		} else if m > 1.03 {
			direct, why = direct-1, fmt.Sprintf("%.3f at full throttle is rich, so above 1 is rich: fuel-air ratio "+
				"φ, λ = 1/φ", m)
		}
	}
	if ctx.lambda != nil && direct == 0 {
		asLambda, asPhi := meanGap(values, ctx.lambda), meanGap(inverse, ctx.lambda)
		switch {
		case asLambda < 0.5*asPhi && asPhi > 0.01:
			direct, why = 1, "it agrees with measured λ as it stands"
		case asPhi < 0.5*asLambda && asLambda > 0.01:
			direct, why = -1, "its reciprocal agrees with measured λ"
		}
	}
	switch {
	case u == unit.Phi && direct > 0, u == unit.LambdaUnit && direct < 0:
		return Reading{}, refuse("its unit is written as %s, but %s", u, why)
	case u == unit.LambdaUnit:
		return Reading{Values: values, Conversion: asIs, Unit: string(u), Confidence: 0.9, Why: asWritten(u)}, nil
	case u == unit.Phi && direct < 0:
		return Reading{Values: inverse, Conversion: reciprocal, Unit: string(unit.Phi), Confidence: 0.95, Why: why}, nil
	case direct > 0:
		return Reading{Values: values, Conversion: asIs, Unit: string(unit.LambdaUnit), Confidence: 0.8, Why: why}, nil
	case direct < 0:
		return Reading{Values: inverse, Conversion: reciprocal, Unit: string(unit.Phi), Confidence: 0.8, Why: why}, nil
	}
	return Reading{}, lacks(LackReference, stateUnit, "an equivalence ratio may be fuel-air (above 1 is rich) or "+
		"air-fuel as SAE J1979 has it (below 1 is rich); neither full throttle nor a measured λ tells which")
}

// meanGap is the mean absolute difference of two columns where both have readings and the second is off 1.
func meanGap(a, b []float64) float64 {
	sum, n := 0.0, 0
	for i := range a {
		if i < len(b) && !math.IsNaN(a[i]) && !math.IsNaN(b[i]) && math.Abs(b[i]-1) > 0.02 && b[i] < 1.3 {
			sum += math.Abs(a[i] - b[i])
			n++
		}
	}
	if n < 5 {
		return 0
	}
	return sum / float64(n)
}
