package reading

import (
	"fmt"
	"math"

	"headroom/internal/runlog/header"
	"headroom/internal/runlog/samples"
	"headroom/models/channel"
	"headroom/models/unit"
)

// standardAir is the standard atmosphere at sea level in kPa (ISO 2533).
const standardAir = unit.PascalPerAtmosphere / unit.PascalPerKilopascal

// reference is what a pressure is measured from.
type reference int

const (
	unsettled reference = iota
	absolute
	gauge
)

// readManifold reads manifold pressure or its target as absolute kPa.
func (ctx *Context) readManifold(c header.Claim, u unit.Unit, raw []float64) (Reading, error) {
	if u == "" {
		return ctx.manifoldWithoutUnit(c, raw)
	}
	scale, _, err := unit.Linear(u.Absolute(), unit.Kilopascal)
	if err != nil {
		return Reading{}, refuse("%v", err)
	}
	kpa := samples.Scaled(raw, scale, 0)
	stated := statedReference(c, u)
	if c.Channel == channel.ManifoldPressure && !c.Stated {
		if err := ctx.aboveAir(u, kpa); err != nil {
			return Reading{}, err
		}
	}
	seen, evidence := ctx.referenceOf(c.Channel, kpa)
	r := Reading{Conversion: Conversion{scale: scale}, Unit: string(u), Confidence: 1, Why: asWritten(u)}
	switch {
	case stated != unsettled && seen != unsettled && stated != seen && c.Stated:
		r.Why += ", " + referenceName(stated) + " as channels.yaml states"
		r.assumes("channels.yaml states %s pressure, but %s", referenceName(stated), evidence)
		return ctx.toAbsolute(r, kpa, stated)
	case stated != unsettled && seen != unsettled && stated != seen:
		return Reading{}, refuse("it is written as %s but %s", referenceName(stated), evidence)
	case seen != unsettled:
		r.Why += ", " + referenceName(seen) + ": " + evidence
		r.Confidence = 0.95
		if seen == gauge {
			r.Unit = string(u.Absolute().Gauge())
		}
		return ctx.toAbsolute(r, kpa, seen)
	case stated != unsettled:
		r.Why += ", " + referenceName(stated) + " as written"
		return ctx.toAbsolute(r, kpa, stated)
	case c.Gauge:
		return Reading{}, lacks(LackReference,
			fmt.Sprintf("write unit: %s or unit: %s abs in channels.yaml", u.Absolute().Gauge(), u.Absolute()),
			"boost is usually above the surroundings but may be absolute, and neither the unit nor its values (%s) "+
				"tell",
			spanOf(kpa, "kPa"))
	case u.Quantity() == unit.Pressure:
		r.Confidence = 0.75
		r.Why += ", absolute: manifold pressure without another word is absolute in SAE J1979, and its values do not " +
			"contradict"
		return ctx.toAbsolute(r, kpa, absolute)
	}
	return Reading{}, lacks(LackReference, stateUnit, "whether it is absolute or gauge is not said and its values do "+
		"not tell")
}

// aboveAir refuses a written unit under which the manifold holds far more than the surrounding air while the car stands
// and the engine idles.
func (ctx *Context) aboveAir(u unit.Unit, kpa []float64) error {
	closed := samples.Sorted(samples.Where(kpa, func(i int) bool { return ctx.road != nil && ctx.idling(i) }))
	if len(closed) < 10 || samples.Quantile(closed, 0.1) < 1.4*standardAir ||
		samples.Quantile(closed, 0.9) > 1.5*samples.Quantile(closed, 0.1) {
		return nil // too few, or no manifold at rest in any unit
	}
	return refuse("its unit is written as %s, but so it reads %.4g kPa at idle, more than the surrounding air", u,
		samples.Median(closed))
}

// statedReference reads the reference from the unit's or the name's words.
func statedReference(c header.Claim, u unit.Unit) reference {
	switch {
	case u.Quantity() == unit.GaugePressure:
		return gauge
	case c.Unit.Marked || header.Parse(c.Unit.Name).Has("absolute"):
		return absolute
	case header.Parse(c.Unit.Name).Has("gauge") || header.Parse(c.Unit.Name).Has("relative"):
		return gauge
	}
	return unsettled
}

func referenceName(r reference) string {
	if r == gauge {
		return "gauge"
	}
	return "absolute"
}

func spanOf(values []float64, unitName string) string {
	s := samples.Sorted(values)
	if len(s) == 0 {
		return "none"
	}
	return fmt.Sprintf("%.4g to %.4g %s", s[0], s[len(s)-1], unitName)
}

// referenceOf tells gauge from absolute by the values in kPa. With the engine at rest the manifold holds the
// surrounding air: about 100 absolute, 0 gauge. A running engine's manifold never falls to a few kPa absolute, and at
// full throttle never lies far under the barometer. A target is compared with the measured pressure it is followed by.
func (ctx *Context) referenceOf(id channel.ID, kpa []float64) (reference, string) {
	if id == channel.ManifoldPressureTarget {
		return ctx.targetReference(kpa)
	}
	baro := ctx.barometer()
	if math.IsNaN(baro) {
		baro = standardAir
	}
	known := !math.IsNaN(ctx.barometer())
	if rest := samples.Where(kpa, ctx.stopped); len(rest) >= 2 {
		m := samples.Median(rest)
		switch {
		case known && math.Abs(m-baro) <= restGap || !known && m > 58 && m < 110:
			return absolute, fmt.Sprintf("with the engine at rest it reads %.4g kPa, the surrounding air", m)
		case math.Abs(m) < 10:
			return gauge, fmt.Sprintf("with the engine at rest it reads %.3g kPa", m)
		}
	}
	turning := samples.Sorted(samples.Where(kpa, func(i int) bool { return ctx.Speed == nil || ctx.Speed[i] > 400 }))
	if len(turning) == 0 {
		return unsettled, ""
	}
	low := samples.Quantile(turning, 0.02)
	full := samples.Where(kpa, ctx.settledOpen)
	switch {
	case low < -8:
		return gauge, fmt.Sprintf("it falls to %.4g kPa: below zero is vacuum", low)
	case low < 8 && samples.Quantile(turning, 0.5) < 300:
		return gauge, fmt.Sprintf("it falls to %.3g kPa, which no running engine's manifold does absolutely", low)
	case len(full) >= 3 && samples.Median(full) < 0.75*baro:
		return gauge, fmt.Sprintf("it reads %.4g kPa at full throttle, far below the surrounding air",
			samples.Median(full))
	case low < 75 && ctx.partLoad(kpa):
		return absolute, fmt.Sprintf("at small throttle it reads down to %.4g kPa and at no time falls near zero", low)
	}
	return unsettled, ""
}

// partLoad reports whether the run reads as a throttled engine's absolute pressure at closed throttle, where a gauge
// reading would be vacuum.
func (ctx *Context) partLoad(kpa []float64) bool { return ctx.closedWithin(kpa, 12, 75) }

// closedWithin reports whether at least five closed-throttle samples with the engine turning (idle or overrun) lie
// between low and high.
func (ctx *Context) closedWithin(kpa []float64, low, high float64) bool {
	n := 0
	for _, v := range samples.Where(kpa, ctx.closedThrottle) {
		if v > low && v < high {
			n++
		}
	}
	return n >= 5
}

// restGap is how far, in kPa, a pressure at rest may lie from the barometer that another sensor shows: common practice,
// no source.
const restGap = 8

// targetReference compares a target with the settled manifold pressure near full throttle.
func (ctx *Context) targetReference(kpa []float64) (reference, string) {
	if ctx.manifold == nil {
		if s := samples.Sorted(kpa); len(s) > 0 && s[0] < 8 {
			return gauge, fmt.Sprintf("it falls to %.3g kPa", s[0])
		}
		return unsettled, ""
	}
	baro := ctx.barometer()
	if math.IsNaN(baro) {
		baro = standardAir
	}
	asAbsolute, asGauge, n := ctx.targetGaps(kpa, baro)
	if n < 5 {
		return unsettled, ""
	}
	switch {
	case asAbsolute < 0.5*asGauge:
		return absolute, fmt.Sprintf("at wide throttle it lies %.3g kPa from the measured pressure as absolute, %.3g "+
			"as gauge", asAbsolute, asGauge)
	case asGauge < 0.5*asAbsolute:
		return gauge, fmt.Sprintf("at wide throttle it lies %.3g kPa from the measured pressure as gauge, %.3g as "+
			"absolute", asGauge, asAbsolute)
	}
	return unsettled, ""
}

// targetGaps are the mean gaps in kPa between a target, taken as absolute and as gauge, and the measured pressure at
// wide throttle; n is the number of samples there.
func (ctx *Context) targetGaps(kpa []float64, baro float64) (asAbsolute, asGauge float64, n int) {
	for i, v := range kpa {
		if i >= len(ctx.manifold) || math.IsNaN(v) || math.IsNaN(ctx.manifold[i]) ||
			(ctx.Opening != nil && !(ctx.Opening[i] >= 70)) {
			continue
		}
		asAbsolute += math.Abs(v - ctx.manifold[i])
		asGauge += math.Abs(v + baro - ctx.manifold[i])
		n++
	}
	return asAbsolute / float64(n), asGauge / float64(n), n
}

// barometer is the surrounding pressure in kPa: the logged median, else the stated one, else what an absolute manifold
// pressure reads with the engine at rest, else NaN.
func (ctx *Context) barometer() float64 {
	kpa, _ := ctx.barometerFrom()
	return kpa
}

// standardFrom says that the barometer is the standard atmosphere's.
const standardFrom = "standard atmosphere's"

// barometerFrom also says in a word where the barometer comes from.
func (ctx *Context) barometerFrom() (kpa float64, from string) {
	if m := samples.Median(ctx.baro); !math.IsNaN(m) {
		return m, "logged"
	}
	if ctx.Barometer > 0 {
		return ctx.Barometer, "stated"
	}
	if rest := samples.Where(ctx.manifold, ctx.stopped); len(rest) >= 2 {
		if m := samples.Median(rest); m > 58 && m < 110 {
			return m, "key-on manifold reading as"
		}
	}
	if ctx.Standard > 0 {
		return ctx.Standard, standardFrom
	}
	return math.NaN(), ""
}

// assumedFrom says that nothing told of the barometer.
const assumedFrom = "assumed"

// The surrounding air where nothing tells of it. The median person lives at 194 m, where the standard atmosphere (ISO
// 2533) has 99.0 kPa, three of four below 500 m (Cohen and Small, PNAS 95, 1998). The range is that of the air over the
// sea in high pressure to that at 2000 m in low: common practice, no source.
const (
	usualAltitude = 194
	usualAir      = 99.0
	thinnestAir   = 78.0
	densestAir    = 104.0
)

// leastManifold is the pressure, kPa, below which no running engine pulls its manifold: common practice, no source.
const leastManifold = 12.0

// Air is the pressure of the surroundings, kPa absolute, where it had to be assumed, and between which bounds it may
// lie. The zero value: nothing had to be assumed.
type Air struct{ KPa, Low, High float64 }

// assumedAir is the surrounding air of a log that does not tell of it, by the first gauge pressure that asks for it:
// the deepest vacuum of the running engine bounds it from below. It is the same for all columns of the log.
func (ctx *Context) assumedAir(gauge []float64) Air {
	if ctx.air.KPa > 0 {
		return ctx.air
	}
	air := Air{KPa: usualAir, Low: thinnestAir, High: densestAir}
	turning := samples.Sorted(samples.Where(gauge, func(i int) bool { return ctx.Speed == nil || ctx.Speed[i] > 400 }))
	if len(turning) > 0 {
		air.Low = math.Min(math.Max(air.Low, leastManifold-samples.Quantile(turning, 0.02)), air.High)
		air.KPa = math.Max(air.KPa, air.Low)
	}
	ctx.air = air
	return air
}

// toAbsolute adds the barometer to a gauge pressure; where none is known, what the air usually is, which is said.
func (ctx *Context) toAbsolute(r Reading, kpa []float64, ref reference) (Reading, error) {
	if ref == absolute {
		r.Values = kpa
		return r, nil
	}
	baro, from := ctx.barometerFrom()
	if math.IsNaN(baro) {
		r.Air = ctx.assumedAir(kpa)
		baro, from = r.Air.KPa, assumedFrom
	}
	r.Values = make([]float64, len(kpa))
	for i, v := range kpa {
		b := baro
		if i < len(ctx.baro) && channel.BarometricPressure.Plausible(ctx.baro[i]) {
			b = ctx.baro[i]
		}
		r.Values[i] = v + b
	}
	r.Conversion.gauge, r.Conversion.barometer = true, baro
	ctx.dropFloor(&r, kpa)
	r.Why += fmt.Sprintf("; the %s barometric pressure of %.4g kPa was added", from, baro)
	switch from {
	case assumedFrom:
		r.assumes("neither a barometer nor the altitude is known: %.4g kPa was taken for the surrounding air, that of "+
			"%d m, which may be %.0f to %.0f kPa; write barometer_kpa or altitude_m in headroom.yaml (logs), "+
			"vehicles.csv or channels.yaml", baro, usualAltitude, r.Air.Low, r.Air.High)
	case standardFrom:
		r.assumes("the barometer is the standard atmosphere's at %g m (ISO 2533), %.4g kPa: weather moves it by some "+
			"±2 kPa", ctx.Altitude, baro)
	}
	return r, nil
}

// dropFloor takes out what a boost gauge that stops at zero shows instead of vacuum: readings of zero with the engine
// turning, in a column that never falls below.
func (ctx *Context) dropFloor(r *Reading, kpa []float64) {
	lowest := samples.Quantile(samples.Sorted(kpa), 0)
	if ctx.Speed == nil || !(math.Abs(lowest) < 1) {
		return
	}
	n := 0
	r.Conversion.floored, r.Conversion.floor = true, lowest+0.5
	for i, v := range kpa {
		if ctx.Speed[i] > 400 && v < lowest+0.5 {
			r.Values[i] = math.NaN()
			n++
		}
	}
	r.Floored = n
}

// pressureFit is a unit and a reference under which a column without a unit reads as manifold pressure.
type pressureFit struct {
	unit  unit.Unit
	ref   reference
	why   string
	kpa   []float64
	scale float64
}

// manifoldWithoutUnit settles unit and reference together: with the engine at rest, with the throttle closed and open
// the readings must be those of a manifold. kPa is asked first, as SAE J1979's unit; another unit needs readings at
// rest or with the throttle closed, and to be the only one that fits. What is left over because all others failed is
// not taken.
func (ctx *Context) manifoldWithoutUnit(c header.Claim, raw []float64) (Reading, error) {
	if len(samples.Sorted(raw)) == 0 {
		return Reading{}, refuse("it has no readings")
	}
	if c.Channel == channel.ManifoldPressureTarget {
		return ctx.targetWithoutUnit(raw)
	}
	var fits []pressureFit
	for _, u := range []unit.Unit{unit.Kilopascal, unit.PSI, unit.Bar, unit.Millibar, unit.InchHg} {
		scale, _, err := unit.Linear(u, unit.Kilopascal)
		if err != nil {
			return Reading{}, refuse("%v", err)
		}
		kpa := samples.Scaled(raw, scale, 0)
		for _, ref := range []reference{absolute, gauge} {
			if why, ok := ctx.manifoldFit(c, kpa, ref, u == unit.Kilopascal); ok {
				fits = append(fits, pressureFit{u, ref, why, kpa, scale})
			}
		}
	}
	if len(fits) == 0 || len(fits) > 1 && fits[0].unit != unit.Kilopascal ||
		len(fits) > 1 && fits[1].unit == unit.Kilopascal {
		return Reading{}, lacks(LackUnit, "write its unit in channels.yaml", "no unit is written and its values (%s) "+
			"fit %d units",
			spanOf(raw, "as logged"), len(fits))
	}
	f := fits[0]
	r := Reading{Conversion: Conversion{scale: f.scale}, Confidence: 0.8, Unit: string(f.unit)}
	if f.ref == gauge {
		r.Unit = string(f.unit.Gauge())
	}
	which := "only " + string(f.unit) + " fits"
	if len(fits) > 1 {
		which = string(f.unit) + " fits, which is SAE J1979's unit"
	}
	r.Why = fmt.Sprintf("no unit is written; %s (%s), %s: %s", which, spanOf(f.kpa, "kPa"), referenceName(f.ref), f.why)
	if statedReference(c, "") == absolute && f.ref == gauge {
		return Reading{}, refuse("it is named absolute but %s", f.why)
	}
	return ctx.toAbsolute(r, f.kpa, f.ref)
}

// manifoldFit reports whether kPa of a reference are a manifold's, and what shows it. first allows what only full
// throttle shows.
func (ctx *Context) manifoldFit(c header.Claim, kpa []float64, ref reference, first bool) (why string, ok bool) {
	baro, known := ctx.barometer(), true
	if math.IsNaN(baro) {
		baro, known = standardAir, false
	}
	offset, air := 0.0, baro // of the surroundings, on the column's scale
	if ref == gauge {
		offset, air = baro, 0
	}
	s := samples.Sorted(kpa)
	low, high := samples.Quantile(s, 0.05)+offset, samples.Quantile(s, 0.995)+offset
	if low < 12 || high < 55 || high > 500 || s[0]+offset < 0 {
		return "", false
	}
	if ref == gauge && !ctx.closedWithin(kpa, -90, -35) {
		return "", false // zero is zero in every unit: only the vacuum tells
	}
	if seen, _ := ctx.referenceOf(c.Channel, kpa); seen != unsettled && seen != ref {
		return "", false
	}
	gap := float64(restGap)
	if !known {
		gap = 26 // of 84 kPa, which is from sea level to 3500 m
		if ref == absolute {
			air = 84
		}
	}
	if rest := samples.Where(kpa, ctx.stopped); len(rest) >= restSamples {
		m := samples.Median(rest)
		if ref == gauge {
			gap = restGap
		}
		if math.Abs(m-air) > gap {
			return "", false // at rest it does not read the surrounding air
		}
		why = fmt.Sprintf("with the engine at rest it reads %.4g kPa, the surrounding air", m)
	}
	if closed := samples.Where(kpa, ctx.closedThrottle); len(closed) >= 5 {
		m := samples.Median(closed)
		switch {
		case m+offset > baro+restGap, m+offset < 12:
			return "", false
		case m+offset < 0.8*baro && why == "":
			why = fmt.Sprintf("with the throttle closed it reads %.4g kPa", m)
		}
	}
	full := samples.Where(kpa, ctx.settledOpen)
	if len(full) >= restSamples {
		m := samples.Median(full)
		if m+offset < 0.7*baro {
			return "", false
		}
		if why == "" && first && ref == absolute && !c.Gauge {
			why = fmt.Sprintf("at full throttle it reads %.4g kPa", m)
		}
	}
	return why, why != ""
}

// targetWithoutUnit takes the unit and reference under which the target is what the measured pressure follows at wide
// throttle, where one stands out.
func (ctx *Context) targetWithoutUnit(raw []float64) (Reading, error) {
	open := lacks(LackUnit, "write its unit in channels.yaml", "no unit is written, and kPa, psi, bar and their "+
		"gauge kin are all possible")
	baro := ctx.barometer()
	if math.IsNaN(baro) {
		baro = standardAir
	}
	best, second := math.Inf(1), math.Inf(1)
	var f pressureFit
	for _, u := range []unit.Unit{unit.Kilopascal, unit.PSI, unit.Bar, unit.Millibar, unit.InchHg} {
		scale, _, err := unit.Linear(u, unit.Kilopascal)
		if err != nil {
			return Reading{}, refuse("%v", err)
		}
		kpa := samples.Scaled(raw, scale, 0)
		asAbsolute, asGauge, n := ctx.targetGaps(kpa, baro)
		if n < 5 {
			return Reading{}, open
		}
		for ref, gap := range map[reference]float64{absolute: asAbsolute, gauge: asGauge} {
			if gap < best {
				best, second = gap, best
				f = pressureFit{unit: u, ref: ref, kpa: kpa, scale: scale}
			} else if gap < second {
				second = gap
			}
		}
	}
	if best > targetFollows || second < 3*best {
		return Reading{}, open
	}
	r := Reading{Conversion: Conversion{scale: f.scale}, Confidence: 0.8, Unit: string(f.unit)}
	if f.ref == gauge {
		r.Unit = string(f.unit.Gauge())
	}
	r.Why = fmt.Sprintf("no unit is written; as %s %s it lies %.3g kPa from the measured pressure at wide throttle, "+
		"otherwise %.3g kPa or more", f.unit, referenceName(f.ref), best, second)
	return ctx.toAbsolute(r, f.kpa, f.ref)
}

// targetFollows is how far, in kPa, the measured pressure may lie from its target at wide throttle on average: common
// practice, no source.
const targetFollows = 20

// readRail reads rail pressure as absolute kPa. SAE J1979 gives it as gauge except where it says absolute.
func (ctx *Context) readRail(c header.Claim, u unit.Unit, raw []float64) (Reading, error) {
	if u == "" {
		return Reading{}, lacks(LackUnit, stateUnit, "no unit is written, and kPa, bar, MPa and psi are all possible")
	}
	scale, _, err := unit.Linear(u.Absolute(), unit.Kilopascal)
	if err != nil {
		return Reading{}, refuse("%v", err)
	}
	kpa := samples.Scaled(raw, scale, 0)
	r := Reading{Conversion: Conversion{scale: scale}, Unit: string(u), Confidence: 1, Why: asWritten(u)}
	ref := statedReference(c, u)
	if ref == absolute {
		return ctx.toAbsolute(r, kpa, absolute)
	}
	r.Unit = string(u.Absolute().Gauge())
	if ref == unsettled {
		r.Why += ", gauge as SAE J1979 gives rail pressure"
		r.Confidence = 0.85
	}
	if high := samples.Quantile(samples.Sorted(kpa), 0.5); high < 2000 || !math.IsNaN(ctx.barometer()) {
		return ctx.toAbsolute(r, kpa, gauge)
	}
	r.Values = samples.Scaled(kpa, 1, standardAir)
	r.Conversion.offset = standardAir
	r.Why += fmt.Sprintf("; %.4g kPa was added for the surrounding air", standardAir)
	r.assumes("the barometric pressure is not known: %.4g kPa (ISO 2533) was added to rail pressure, at most some "+
		"35 kPa too much at altitude", standardAir)
	return r, nil
}
