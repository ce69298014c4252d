package reading

import (
	"math"

	"gonum.org/v1/gonum/stat"

	"headroom/internal/runlog/header"
	"headroom/internal/runlog/samples"
	"headroom/models/channel"
)

// What values must show where a name and its unit leave other quantities open; common practice, no source.
const (
	largestRetard  = 25.0 // degrees that knock control takes away
	retardRests    = 0.2  // share of samples without retard
	commandedRests = 0.5  // share of samples at which a measured ratio never stands at one number
	dutyFollows    = 0.95 // correlation of injector duty with air flow
	dutyFits       = 0.15 // share by which injector duty may lie from pulse and speed
	tentativeMin   = 30   // samples that tell
	directRail     = 2000 // kPa: a direct injection's rail, and no supply
	warmingRate    = 0.2  // K a second by which a charge warms under boost …
	warmingShare   = 0.8  // … in this share of the stretches of boost …
	boostSeconds   = 2.0  // … that last so long
	heatedStanding = 20.0 // K above its usual reading that only a heated air flow meter makes of standing air
)

// speaksFor refuses a column whose values do not speak for a claim that its name and unit leave open, and one that
// holds one number throughout where the quantity never does.
func (ctx *Context) speaksFor(c header.Claim, values []float64) error {
	if c.Stated || !c.Tentative && !c.StandsIn && c.Channel != channel.Torque {
		return nil
	}
	n, low, high := samples.Extent(values)
	if n == 0 {
		return nil
	}
	if c.Channel == channel.Torque && low == high {
		return refuse("it stands at %.4g throughout: nothing was measured", low)
	}
	if c.StandsIn && ctx.Metered && ctx.boosted() && !ctx.warmsUnderBoost(values) {
		return lacks(LackPlace, "write channel: charge_temperature in channels.yaml if it sits behind the charge "+
			"cooler", "the engine is charged, its air flow is metered, and it does not warm under boost: the sensor "+
			"may sit before the compressor, where it does not show the charge")
	}
	if !c.Tentative {
		return nil
	}
	switch c.Channel {
	case channel.KnockRetard, channel.KnockRetardLearned:
		return tentativeRetard(c, values, low, high)
	case channel.Lambda:
		if at, share := commonest(values); share > commandedRests {
			return lacks(LackName, nameIt, "it stands at %.4g in %.0f %% of its samples, as a commanded ratio does",
				at, 100*share)
		}
	case channel.InjectorDuty:
		return ctx.tentativeDuty(values)
	case channel.InjectorPulse:
		if mid := samples.Median(values); low < 0 || mid < 0.5 || high > 40 {
			return lacks(LackName, nameIt, "its values (%.4g to %.4g) are no injector's pulses in ms", low,
				high)
		}
	case channel.RailPressure:
		if mid := samples.Median(values); mid < directRail {
			return lacks(LackName, nameIt, "at %.4g kPa it may be the supply's pressure as well as the rail's", mid)
		}
	case channel.ModuleVoltage:
		if mid := samples.Median(values); mid < 11 || mid > 15.5 {
			return lacks(LackName, nameIt, "a median of %.4g V is not a battery's under charge", mid)
		}
	case channel.SparkAdvance:
		if mid := samples.Median(values); mid < 3 || high > 60 || low == high {
			return lacks(LackName, nameIt, "its values (%.4g to %.4g) are not those of spark advance", low,
				high)
		}
	}
	return nil
}

// warmsUnderBoost reports whether intake air gets warmer in nearly every stretch of boost, as it does behind a
// compressor; before it, flow cools a sensor that the engine has warmed. A sensor that gets hot in standing air sits
// beside the heated element of an air flow meter, before the compressor.
func (ctx *Context) warmsUnderBoost(celsius []float64) bool {
	baro := ctx.barometer()
	if math.IsNaN(baro) {
		baro = standardAir
	}
	turning := samples.Median(samples.Where(celsius, func(i int) bool {
		return i < len(ctx.Speed) &&
			ctx.Speed[i] > 400
	}))
	rest := samples.Sorted(samples.Where(celsius, ctx.stopped))
	if len(rest) > 0 && samples.Quantile(rest, 0.9) > turning+heatedStanding {
		return false
	}
	warmed, stretches := 0, 0
	first, last := -1, -1
	end := func() {
		if first >= 0 && ctx.elapsed(first, last) >= boostSeconds {
			stretches++
			if rise := celsius[last] - celsius[first]; rise >= 1 && rise > warmingRate*ctx.elapsed(first, last) {
				warmed++
			}
		}
		first, last = -1, -1
	}
	for i, v := range celsius {
		if math.IsNaN(v) || i >= len(ctx.manifold) || i >= len(ctx.Speed) {
			continue
		}
		if !(ctx.manifold[i] > boostedRatio*baro && ctx.Speed[i] > 1500) {
			end()
			continue
		}
		if first < 0 {
			first = i
		}
		last = i
	}
	end()
	return stretches > 0 && float64(warmed) >= warmingShare*float64(stretches)
}

// tentativeRetard refuses what does not rest at zero between small steps, as retard in degrees does.
func tentativeRetard(c header.Claim, values []float64, low, high float64) error {
	rests := len(samples.Where(values, func(i int) bool { return values[i] == 0 }))
	all := len(samples.Sorted(values))
	learned := c.Channel == channel.KnockRetardLearned
	switch {
	case low == 0 && high == 0:
		return lacks(LackName, nameIt, "it is zero throughout, so nothing shows that it is retard in degrees")
	case high > largestRetard || low < -largestRetard:
		return lacks(LackName, nameIt, "its values (%.4g to %.4g) are no degrees of retard", low,
			high)
	case c.Unit.Unit == "" && high <= 1.05 && low >= -0.05 && high != 1:
		return lacks(LackName, nameIt, "its values (%.4g to %.4g) may be a share", low, high)
	case !learned && float64(rests) < retardRests*float64(all):
		return lacks(LackName, nameIt, "it hardly ever rests at zero as knock retard does")
	}
	return nil
}

// commonest is the most frequent value, and its share of the samples.
func commonest(values []float64) (at, share float64) {
	counts, n, best := map[float64]int{}, 0, 0
	for _, v := range values {
		if math.IsNaN(v) {
			continue
		}
		n++
		counts[v]++
		if m := counts[v]; m > best || m == best && v < at {
			at, best = v, m
		}
	}
	if n == 0 {
		return math.NaN(), 0
	}
	return at, float64(best) / float64(n)
}

// tentativeDuty takes a duty for the injectors' only where it is their pulse over the cycle, or follows the air flow:
// the boost valve's and the idle valve's do not.
func (ctx *Context) tentativeDuty(values []float64) error {
	var gaps, duty, air []float64
	for i, v := range values {
		if i >= len(ctx.Speed) || !(ctx.Speed[i] > 400) || math.IsNaN(v) {
			continue
		}
		if i < len(ctx.pulse) && ctx.pulse[i] > 0 {
			// % of a cycle of 120 000/rpm ms: two turns (four-stroke)
			expected := ctx.pulse[i] * ctx.Speed[i] / 1200
			gaps = append(gaps, math.Abs(v-expected)/math.Max(expected, 1))
		}
		flow := math.NaN()
		switch {
		case i < len(ctx.flow):
			flow = ctx.flow[i]
		case i < len(ctx.manifold):
			flow = ctx.manifold[i] * ctx.Speed[i]
		}
		if flow > 0 {
			duty, air = append(duty, v), append(air, flow)
		}
	}
	switch {
	case len(gaps) >= tentativeMin && samples.Median(gaps) <= dutyFits:
		return nil
	case len(gaps) < tentativeMin && len(duty) >= tentativeMin && samples.Quantile(samples.Sorted(duty), 0.02) > 0 &&
		stat.Correlation(duty, air, nil) >= dutyFollows:
		return nil
	}
	return lacks(LackName, nameIt, "it may be the injectors', the boost valve's or another's, and neither pulse nor "+
		"air flow shows that it is the injectors'")
}
