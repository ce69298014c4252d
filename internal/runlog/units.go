package runlog

import (
	"fmt"
	"math"
	"slices"

	"headroom/internal/runlog/header"
	"headroom/models/channel"
	"headroom/models/unit"
)

// displayAFR is the stoichiometric ratio by which mixture displays scale gasoline: common practice, no source.
const displayAFR = 14.7

// standardAir is the standard atmosphere at sea level in kPa (ISO 2533).
const standardAir = unit.PascalPerAtmosphere / unit.PascalPerKilopascal

// reading is a column in stored units.
type reading struct {
	values     []float64
	conv       conversion // that makes the values of the column
	unit       string     // unit the file's values were taken to be in
	confidence float64
	why        string
	imperial   bool
	notes      []Finding // assumptions, without times
}

// context is what has been settled so far; later columns are judged against it.
type context struct {
	opts        Options
	seconds     []float64 // of every row, NaN where there is none
	speed       []float64 // rpm, nil when not logged
	opening     []float64 // throttle or pedal, %, nil when not logged
	road        []float64 // km/h
	baro        []float64 // kPa absolute, nil when not logged
	manifold    []float64 // kPa absolute, nil when not settled
	lambda      []float64 // measured
	thermal     unit.Unit // unit of the temperatures without a written one, as settled so far; "" when none
	kilopascals bool      // barometric pressure without a written unit is in kPa
	imperial    bool      // some column is in mph, psi, °F or lb/min
}

// failure is why a claim cannot be read.
type failure struct{ why string }

func refuse(format string, args ...any) *failure { return &failure{fmt.Sprintf(format, args...)} }

// read turns a column into stored units by the claim, or says why not.
func (ctx *context) read(c header.Claim, raw []float64) (reading, *failure) {
	def, _ := channel.Lookup(c.Channel)
	hu := c.Unit
	if hu.Text != "" && !hu.Known {
		return reading{}, refuse("its unit %q is not known", hu.Text)
	}
	if hu.Known && !header.Accepts(c.Channel, hu.Unit) {
		return reading{}, refuse("its unit %s is not a unit of %s", hu.Unit, def.Unit.Quantity())
	}
	u := hu.Unit
	if u == unit.One {
		u = ""
	}
	var r reading
	var f *failure
	switch {
	case c.Channel == channel.Lambda || c.Channel == channel.LambdaCommanded:
		r, f = ctx.readMixture(c, u, raw)
	case (c.Channel == channel.SparkAdvance || c.Channel == channel.SparkCommanded) && !c.Stated:
		r, f = ctx.readSpark(c.Channel, u, raw)
	case c.Channel == channel.KnockRetard || c.Channel == channel.KnockRetardLearned:
		r, f = ctx.readRetard(c.Channel, u, raw)
	case c.Channel == channel.ManifoldPressure || c.Channel == channel.ManifoldPressureTarget:
		r, f = ctx.readManifold(c, u, raw)
	case c.Channel == channel.RailPressure || c.Channel == channel.RailPressureTarget:
		r, f = ctx.readRail(c, u, raw)
	case c.Channel == channel.ShortTermTrim || c.Channel == channel.LongTermTrim:
		r, f = readTrim(u, raw)
	case def.Unit == unit.Percent:
		r, f = readShare(c.Channel, u, raw)
	case def.Unit == unit.Celsius:
		r, f = ctx.readTemperature(c.Channel, u, raw)
	default:
		r, f = ctx.readPlain(c.Channel, u, raw)
	}
	if f != nil {
		return reading{}, f
	}
	if f := plausible(def, r.values); f != nil {
		return reading{}, f
	}
	r.imperial = u == unit.PSI || u == unit.PSIGauge || u == unit.Fahrenheit || u == unit.MilePerHour ||
		u == unit.LbPerMinute
	return r, nil
}

// plausible refuses a column of which more than a fifth of the values lie outside the channel's range.
func plausible(def channel.Definition, values []float64) *failure {
	n, low, high := extent(values)
	if n == 0 {
		return refuse("it has no readings")
	}
	inside := 0
	for _, v := range values {
		if v >= def.Min && v <= def.Max {
			inside++
		}
	}
	if 5*inside < 4*n {
		return refuse("its values, %.4g to %.4g %s, do not fit %s (%.4g to %.4g)", low, high, def.Unit, def.ID, def.Min,
			def.Max)
	}
	return nil
}

// convert is the reading in a stated unit.
func convert(from, to unit.Unit, raw []float64) (reading, *failure) {
	scale, offset, err := unit.Linear(from, to)
	if err != nil {
		return reading{}, refuse("%v", err)
	}
	return reading{values: apply(raw, scale, offset), conv: conversion{scale: scale, offset: offset},
		unit: string(from), confidence: 1, why: "unit " + string(from) + " as written"}, nil
}

// assume is the reading in a unit that was concluded rather than read.
func assume(from, to unit.Unit, raw []float64, confidence float64, why string) (reading, *failure) {
	r, f := convert(from, to, raw)
	r.confidence, r.why = confidence, why
	return r, f
}

// candidate is a unit and the range in which its ordinary readings lie.
type candidate struct {
	unit      unit.Unit
	low, high float64 // of the median
}

// plainCandidates are the units of quantities whose ordinary readings do not overlap between units.
var plainCandidates = map[channel.ID][]candidate{
	channel.BarometricPressure: {{unit.Kilopascal, 55, 110}, {unit.PSI, 8, 15.95}, {unit.InchHg, 16.2, 32.5},
		{unit.Millibar, 550, 1100}, {unit.Bar, 0.55, 1.1}},
	channel.ModuleVoltage: {{unit.Volt, 5, 18}, {unit.Millivolt, 5000, 18000}},
	channel.InjectorPulse: {{unit.Millisecond, 0.3, 40}, {unit.Microsecond, 300, 40000}},
}

// readPlain reads quantities that need no more than a factor.
func (ctx *context) readPlain(id channel.ID, u unit.Unit, raw []float64) (reading, *failure) {
	def, _ := channel.Lookup(id)
	if u != "" {
		return convert(u, def.Unit, raw)
	}
	mid := median(raw)
	for _, c := range plainCandidates[id] {
		if mid >= c.low && mid <= c.high {
			ctx.kilopascals = ctx.kilopascals || c.unit == unit.Kilopascal
			return assume(c.unit, def.Unit, raw, 0.9, fmt.Sprintf("no unit is written; a median of %.4g is %s in no "+
				"other unit of the trade than %s", mid, id, c.unit))
		}
	}
	switch def.Unit.Quantity() {
	case unit.Count:
		return assume(def.Unit, def.Unit, raw, 0.95, fmt.Sprintf("no unit is written; %s is a plain number", id))
	case unit.RotationalSpeed, unit.Angle:
		return assume(def.Unit, def.Unit, raw, 0.95, fmt.Sprintf("no unit is written; %s is always logged in %s", id,
			def.Unit))
	case unit.Speed:
		if ctx.imperial {
			return reading{}, refuse("no unit is written and other columns are in imperial units: km/h and mph are " +
				"both possible")
		}
		return assume(def.Unit, def.Unit, raw, 0.75, "no unit is written; km/h is SAE J1979's, and nothing in the "+
			"file speaks for mph")
	case unit.MassFlow:
		return ctx.readFlow(raw)
	}
	return reading{}, refuse("no unit is written and its values (median %.4g) leave it open", mid)
}

// readFlow settles the unit of air mass flow. With the displacement known, the flow must make a volumetric efficiency
// (flow over displaced air at manifold density) an engine can have; without it, the idle flow must be possible in one
// unit only: engines of 1 to 4 litres idle on about 1.6 to 11 g/s. Both common practice, no source.
func (ctx *context) readFlow(raw []float64) (reading, *failure) {
	if ctx.opts.Displacement > 0 && ctx.manifold != nil && ctx.speed != nil {
		if ratios := ctx.breathing(raw); len(ratios) >= minBreaths {
			return ctx.flowByDensity(raw, median(ratios))
		}
	}
	idle := median(where(raw, ctx.idling))
	switch {
	case math.IsNaN(idle):
		return reading{}, refuse("no unit is written, and without idle readings g/s, kg/h and lb/min are all possible")
	case idle >= 1.6 && idle < 4.5:
		return assume(unit.GramPerSecond, unit.GramPerSecond, raw, 0.75,
			fmt.Sprintf("no unit is written; %.3g at idle fits g/s only", idle))
	case idle > 13 && idle <= 45:
		return assume(unit.KgPerHour, unit.GramPerSecond, raw, 0.7, fmt.Sprintf("no unit is written; %.3g at idle "+
			"fits kg/h only", idle))
	case idle >= 0.15 && idle < 1.1:
		return assume(unit.LbPerMinute, unit.GramPerSecond, raw, 0.7,
			fmt.Sprintf("no unit is written; %.3g at idle fits lb/min only", idle))
	}
	return reading{}, refuse("no unit is written, and %.3g at idle fits more than one of g/s, kg/h and lb/min", idle)
}

// airDensity is that of air at 20 °C, in g/L per kPa of pressure: 1/(R·T) with R = 0.287 kJ/(kg·K).
const airDensity = 1 / (0.287 * 293.15)

// minBreaths is how many samples at full throttle settle the unit of mass flow: common practice, no source.
const minBreaths = 10

// breathing is, at full throttle, the flow as written over the air that the displacement holds at manifold density
// (speed–density: flow = rpm/120 · displacement · density · efficiency for a four-stroke engine; Heywood, eq.
// 2.27).
func (ctx *context) breathing(raw []float64) (ratios []float64) {
	for i, v := range raw {
		p, n := ctx.manifold[i], ctx.speed[i]
		// a boost gauge that stops at zero is right at full throttle only
		if v > 0 && n > 1200 && p > 60 && ctx.wideOpen(i) {
			ratios = append(ratios, v/(n/120*ctx.opts.Displacement*p*airDensity))
		}
	}
	return ratios
}

// flowByDensity picks the unit under which the median volumetric efficiency at full throttle lies between 0.55 and
// 1.15.
func (ctx *context) flowByDensity(raw []float64, mid float64) (reading, *failure) {
	for _, u := range []unit.Unit{unit.GramPerSecond, unit.KgPerHour, unit.LbPerMinute} {
		scale, _, err := unit.Linear(u, unit.GramPerSecond)
		if err == nil && scale*mid >= 0.55 && scale*mid <= 1.15 {
			return assume(u, unit.GramPerSecond, raw, 0.85, fmt.Sprintf("no unit is written; with %s the engine "+
				"breathes at a volumetric efficiency of %.2f, with any other unit it could not", u, scale*mid))
		}
	}
	return reading{}, refuse("no unit is written, and neither g/s, kg/h nor lb/min gives a volumetric efficiency an "+
		"engine of %.3g L can have", ctx.opts.Displacement)
}

// idling reports whether sample i is at idle: turning slowly, car at rest or throttle near its lowest.
func (ctx *context) idling(i int) bool {
	if i >= len(ctx.speed) || !(ctx.speed[i] > 400 && ctx.speed[i] < 1150) {
		return false
	}
	return ctx.road == nil || ctx.road[i] < 3
}

// stopped reports whether sample i has the engine at rest.
func (ctx *context) stopped(i int) bool { return i < len(ctx.speed) && ctx.speed[i] == 0 }

// wideOpen reports whether sample i is at nearly full throttle under load.
func (ctx *context) wideOpen(i int) bool {
	if i >= len(ctx.opening) || !(ctx.opening[i] >= 80) {
		return false
	}
	return ctx.speed == nil || ctx.speed[i] > 1500
}

// wide channels run through their range in any drive: a whole log below one percent is no percentage.
var wide = map[channel.ID]bool{channel.ThrottlePosition: true, channel.PedalPosition: true,
	channel.CalculatedLoad: true, channel.AbsoluteLoad: true, channel.InjectorDuty: true}

// readShare reads percentages and fractions.
func readShare(id channel.ID, u unit.Unit, raw []float64) (reading, *failure) {
	sorted := finite(raw)
	if len(sorted) == 0 {
		return reading{}, refuse("it has no readings")
	}
	low, high := sorted[0], sorted[len(sorted)-1]
	fractional := high > 0 && high <= 1.05 && low >= -0.05
	varied := high-low > 0.02
	switch {
	case u == unit.Fraction:
		return convert(u, unit.Percent, raw)
	case u == unit.Percent && fractional && (varied || wide[id]) && high > 0.3:
		return reading{}, refuse("its unit is written as %% but its values lie between %.3g and %.3g as fractions do",
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
	return reading{}, refuse("no unit is written and values up to %.3g may be percent or fractions", high)
}

// readTrim reads fuel trims: percent, fraction, or a factor around 1.
func readTrim(u unit.Unit, raw []float64) (reading, *failure) {
	sorted := finite(raw)
	if len(sorted) == 0 {
		return reading{}, refuse("it has no readings")
	}
	low, high := sorted[0], sorted[len(sorted)-1]
	factor := low > 0.6 && high < 1.5 && math.Abs(quantile(sorted, 0.5)-1) < 0.25 && high > low
	switch {
	case u == unit.Fraction && factor:
		return reading{values: apply(raw, 100, -100), conv: conversion{scale: 100, offset: -100}, unit: "factor",
			confidence: 0.9, why: "values around 1 multiply the fuel: 1 is no trim"}, nil
	case u != "":
		return convert(u, unit.Percent, raw)
	case factor:
		return reading{values: apply(raw, 100, -100), conv: conversion{scale: 100, offset: -100}, unit: "factor",
			confidence: 0.75, why: fmt.Sprintf("no unit is written; values from %.3g to %.3g multiply the fuel: 1 is "+
				"no trim", low, high)}, nil
	case high > 1 || low < -1:
		return assume(unit.Percent, unit.Percent, raw, 0.9, fmt.Sprintf("no unit is written; values from %.3g to "+
			"%.3g are percent", low, high))
	case high == 0 && low == 0:
		return assume(unit.Percent, unit.Percent, raw, 0.9, "no unit is written; zero is the same in percent and as "+
			"a fraction")
	}
	return reading{}, refuse("no unit is written and values from %.3g to %.3g may be percent or fractions", low, high)
}

// warmBand is where a warm engine's liquids settle, °C: common practice, no source.
var warmBand = map[channel.ID][2]float64{
	channel.CoolantTemperature: {65, 125},
	channel.OilTemperature:     {65, 150},
}

// readTemperature reads temperatures; without a unit, coolant and oil are settled by where a warm engine sits, the rest
// like these: a logger that writes no units keeps to one.
func (ctx *context) readTemperature(id channel.ID, u unit.Unit, raw []float64) (reading, *failure) {
	settled := median(raw[len(raw)*2/3:])
	if u != "" {
		if f := ctx.contradictsWarm(id, u, raw, settled); f != nil {
			return reading{}, f
		}
		return convert(u, unit.Celsius, raw)
	}
	band, ok := warmBand[id]
	switch {
	case !ok && ctx.thermal == "":
		return reading{}, refuse("no unit is written, and no other temperature without a unit tells °C from °F")
	case !ok:
		return assume(ctx.thermal, unit.Celsius, raw, 0.8, fmt.Sprintf("no unit is written; taken as %s like the "+
			"file's other temperatures without a unit", ctx.thermal))
	}
	if slope := ctx.slope(raw); !(math.Abs(slope) < settledSlope) {
		if ctx.kilopascals && everyWholeNumber(raw) {
			ctx.thermal = unit.Celsius
			return assume(unit.Celsius, unit.Celsius, raw, 0.75, "no unit is written; it visits every whole number "+
				"as SAE J1979's whole °C do and °F made from them cannot, and pressures without a unit are in "+
				"J1979's kPa")
		}
		return reading{}, refuse("no unit is written and it still changes by %.2g a second, so where a warm engine "+
			"sits does not tell", slope)
	}
	fits := ""
	for _, c := range []unit.Unit{unit.Celsius, unit.Fahrenheit, unit.Kelvin} {
		v, err := unit.Convert(settled, c, unit.Celsius)
		if err == nil && v >= band[0] && v <= band[1] {
			if fits != "" {
				return reading{}, refuse("no unit is written and a settled %.4g may be %s or %s", settled, fits, c)
			}
			fits = string(c)
		}
	}
	if fits == "" {
		return reading{}, refuse("no unit is written and a settled %.4g is no warm engine in any unit", settled)
	}
	if ctx.thermal != "" && ctx.thermal != unit.Unit(fits) {
		return reading{}, refuse("no unit is written; it looks like %s, but another temperature without a unit like %s",
			fits, ctx.thermal)
	}
	ctx.thermal = unit.Unit(fits)
	return assume(ctx.thermal, unit.Celsius, raw, 0.85, fmt.Sprintf("no unit is written; it settles at %.4g, where a "+
		"warm engine sits in %s only", settled, fits))
}

// everyWholeNumber reports whether a column holds only whole numbers and misses none between its ends, over at least
// 15: whole degrees Celsius turned into Fahrenheit and rounded would miss four in nine.
func everyWholeNumber(raw []float64) bool {
	sorted := finite(raw)
	if len(sorted) == 0 || !allWhole(sorted) {
		return false
	}
	distinct := len(slices.Compact(sorted))
	return distinct >= 15 && float64(distinct) >= sorted[distinct-1]-sorted[0]+1
}

// settledSlope is the largest change a second, in °C or °F, at which a liquid counts as settled. An engine that warms
// up gains 0.05 °C a second and more: common practice, no source.
const settledSlope = 0.06

// slope is the least-squares slope a second of the last third of a column, or of its last 15 s when that is longer; NaN
// when it cannot be told.
func (ctx *context) slope(raw []float64) float64 {
	end := median(ctx.seconds[len(ctx.seconds)-min(3, len(ctx.seconds)):])
	var n, st, sv, stt, stv float64
	for i, v := range raw {
		t := ctx.seconds[i] - end
		if math.IsNaN(v) || math.IsNaN(t) || i < len(raw)*2/3 && t < -15 {
			continue
		}
		n++
		st, sv, stt, stv = st+t, sv+v, stt+t*t, stv+t*v
	}
	spread := n*stt - st*st
	if n < 10 || spread <= 0 {
		return math.NaN()
	}
	return (n*stv - st*sv) / spread
}

// contradictsWarm finds a stated unit under which a coolant that stands still at a warm engine's reading in the other
// unit would be cold.
func (ctx *context) contradictsWarm(id channel.ID, u unit.Unit, raw []float64, settled float64) *failure {
	band, ok := warmBand[id]
	if !ok || u != unit.Fahrenheit || !(settled >= 75 && settled <= 110) {
		return nil
	}
	tail := finite(raw[len(raw)/2:])
	if len(tail) < 200 || tail[len(tail)-1]-tail[0] > 10 {
		return nil
	}
	return refuse("its unit is written as °F, but it stands at %.4g as a warm engine does in °C (%.0f to %.0f)",
		settled, band[0], band[1])
}

// readSpark reads spark in degrees before top dead centre. An engine under way has spark before top dead centre for
// most of the time; a column that is mostly negative counts the other way round, or is something else.
func (ctx *context) readSpark(id channel.ID, u unit.Unit, raw []float64) (reading, *failure) {
	r, f := ctx.readPlain(id, u, raw)
	if f != nil {
		return r, f
	}
	if mid := median(where(r.values, func(i int) bool { return ctx.speed == nil || ctx.speed[i] > 1200 })); mid < -3 {
		return reading{}, refuse("half of its readings lie below %.3g degrees before top dead centre: the sign may "+
			"be the other one (deg ATDC)", mid)
	}
	return r, nil
}

// readRetard turns knock retard to positive degrees by the sign of most of its readings that are not zero.
func (ctx *context) readRetard(id channel.ID, u unit.Unit, raw []float64) (reading, *failure) {
	if u == "" {
		u = unit.Degree
	}
	r, f := convert(u, unit.Degree, raw)
	if f != nil {
		return r, f
	}
	negative, positive := 0, 0
	for _, v := range r.values {
		if v < 0 {
			negative++
		} else if v > 0 {
			positive++
		}
	}
	switch {
	case negative+positive == 0:
		r.why = "all readings are zero: no retard in either sign"
	case negative > 9*positive:
		r.values = apply(r.values, -1, 0)
		r.conv.scale, r.conv.offset = -r.conv.scale, 0-r.conv.offset
		r.why = fmt.Sprintf("%d of %d readings that are not zero are negative: the file counts retard negative, "+
			"turned to positive", negative, negative+positive)
	case positive > 9*negative:
		r.why = fmt.Sprintf("%d of %d readings that are not zero are positive: retard is counted positive", positive,
			negative+positive)
	default:
		return reading{}, refuse("%d readings are negative and %d positive: which sign means retard is open", negative,
			positive)
	}
	r.confidence = 0.95
	return r, nil
}

// readMixture turns λ, air–fuel ratio or equivalence ratio into λ.
func (ctx *context) readMixture(c header.Claim, u unit.Unit, raw []float64) (reading, *failure) {
	if u == unit.Fraction {
		u = "" // "ratio" says nothing about which ratio
	}
	values := positive(raw)
	if len(finite(values)) == 0 {
		return reading{}, refuse("it is zero or empty throughout: not supported, and zero is no mixture")
	}
	asIs := conversion{scale: 1, positive: true}
	mid := median(values)
	nearOne := mid > 0.5 && mid < 2.2
	isAFR := mid >= 6 && mid <= 25 || (c.AirFuel || u == unit.AFR) && mid >= 4.5 && mid <= 25
	switch {
	case u == unit.LambdaUnit && nearOne && !c.Equivalence:
		return reading{values: values, conv: asIs, unit: string(u), confidence: 1, why: "unit lambda as written"}, nil
	case u == unit.AFR && isAFR, u == "" && c.AirFuel && isAFR:
		return ctx.fromAFR(values, "air-fuel ratio as written"), nil
	case u == unit.LambdaUnit && isAFR, u == unit.AFR && nearOne:
		return reading{}, refuse("its unit is written as %s but its median is %.4g", u, mid)
	case u == "" && !c.Equivalence && isAFR:
		r := ctx.fromAFR(values, fmt.Sprintf("no unit is written; a median of %.4g is an air-fuel ratio, not λ", mid))
		r.confidence = 0.75
		return r, nil
	case c.Equivalence || u == unit.Phi:
		return ctx.fromEquivalence(u, values)
	case u == "" && nearOne:
		if narrowBand(values) {
			return reading{}, refuse("its readings jump between two ends as a narrow-band sensor's voltage does")
		}
		return reading{values: values, conv: asIs, unit: string(unit.LambdaUnit), confidence: 0.9,
			why: fmt.Sprintf("a median of %.3g is λ", mid)}, nil
	}
	return reading{}, refuse("a median of %.4g is neither λ nor an air-fuel ratio", mid)
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
	sorted := finite(values)
	low, high := quantile(sorted, 0.02), quantile(sorted, 0.98)
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

// fromAFR divides by the stoichiometric ratio of the stated fuel, or of the usual display when none is stated, and
// checks the choice where the engine runs at part load in closed loop, where λ is 1 by control.
func (ctx *context) fromAFR(values []float64, why string) reading {
	stoich := ctx.opts.Stoich
	r := reading{unit: string(unit.AFR), confidence: 0.95}
	if !(stoich > 0) {
		stoich = displayAFR
		r.confidence = 0.85
		r.notes = append(r.notes, Finding{Kind: KindAssumption,
			Detail: fmt.Sprintf("air-fuel ratio was divided by %.4g, the usual scale of a gasoline display; state "+
				"the display's stoichiometric ratio if it differs", stoich)})
	}
	r.values = apply(values, 1/stoich, 0)
	r.conv = conversion{scale: 1 / stoich, positive: true}
	r.why = fmt.Sprintf("%s, divided by %.4g", why, stoich)
	if rest := median(where(values, ctx.idling)); !math.IsNaN(rest) {
		if share := rest / stoich; math.Abs(share-1) > 0.03 {
			r.notes = append(r.notes, Finding{Kind: KindAssumption,
				Detail: fmt.Sprintf("at idle the air-fuel ratio is %.2f, which by %.4g is λ %.3f, not 1: the "+
					"display's scale may be another", rest, stoich, share)})
		} else {
			r.why += fmt.Sprintf(" (%.2f at idle confirms it)", rest)
		}
	}
	return r
}

// fromEquivalence tells φ (fuel–air: above 1 is rich) from the ratio that SAE J1979 calls equivalence ratio
// (air–fuel: below 1 is rich) by which side full load lies on, or by a measured λ.
func (ctx *context) fromEquivalence(u unit.Unit, values []float64) (reading, *failure) {
	inverse := make([]float64, len(values))
	for i, v := range values {
		inverse[i] = 1 / v
	}
	asIs, reciprocal := conversion{scale: 1, positive: true}, conversion{scale: 1, positive: true, inverse: true}
	direct := 0 // votes: positive for λ, negative for φ
	why := ""
	if full := where(values, ctx.wideOpen); len(full) >= 5 {
		m := median(full)
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
		return reading{}, refuse("its unit is written as %s, but %s", u, why)
	case u == unit.LambdaUnit:
		return reading{values: values, conv: asIs, unit: string(u), confidence: 0.9, why: "unit lambda as written"}, nil
	case u == unit.Phi && direct < 0:
		return reading{values: inverse, conv: reciprocal, unit: string(unit.Phi), confidence: 0.95, why: why}, nil
	case direct > 0:
		return reading{values: values, conv: asIs, unit: string(unit.LambdaUnit), confidence: 0.8, why: why}, nil
	case direct < 0:
		return reading{values: inverse, conv: reciprocal, unit: string(unit.Phi), confidence: 0.8, why: why}, nil
	}
	return reading{}, refuse("an equivalence ratio may be fuel-air (above 1 is rich) or air-fuel as SAE J1979 has it " +
		"(below 1 is rich); neither full throttle nor a measured λ tells which")
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
