package workspace

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/yamlfile"
	"headroom/models/channel"
	"headroom/models/unit"
)

// Physical ranges of platform keys: wider than any engine this tool is for, narrow enough to catch a wrong unit.
// Common practice, no source.
var (
	speedSpan = span{200, 20000, "rpm", "engine speed", "3000"}
	loadSpan  = span{5, 500, "%", "absolute load", "160"}
)

// readPlatform reads and checks one platform file. A platform with any problem is left out (nil).
func readPlatform(rel, id string, data []byte, defaults Config) (*Platform, []fault.Fault) {
	p := &Platform{File: rel}
	f, bad := yamlfile.Decode(rel, data, p)
	if bad != nil {
		return nil, []fault.Fault{*bad}
	}
	p.KeyLine = f.Line
	c := &checker{file: f}
	switch why := badID(p.ID); {
	case why != "":
		c.add("id", why, fmt.Sprintf("give the id, as the file is named: %s", id))
	case p.ID != id:
		c.add("id", fmt.Sprintf("%q differs from the file name %s", p.ID, id),
			"give both the same name, so that nothing is filed twice")
	}
	c.engine(p.Engine)
	c.burn(p.Burn)
	c.friction(p.Friction)
	c.airPath(p.AirPath, p.Engine.Induction)
	c.fuelSystem(p.FuelSystem, p.Engine.Injection)
	c.optional("octane_index_k", p.OctaneIndexK, span{-2, 1, "", "the K of the octane index RON − K·(RON − MON); 0 " +
		"or less in boosted engines", "-0.3"})
	c.way("octane_index_known", p.OctaneKnown)
	c.knockControl(p.KnockControl)
	limitProblems := c.limits(p)
	for _, id := range slices.Sorted(maps.Keys(p.Lags)) {
		key := "lags." + string(id)
		if c.knownChannel(key, id) {
			c.optional(key, p.Lags[id], span{0, 30, "s", "how long the channel trails engine speed", "0.4"})
		}
	}
	c.cells("cells", p.Cells)
	c.pulls("pulls", p.Pulls)
	if len(c.problems) > 0 {
		return nil, append(c.problems, limitProblems...)
	}
	p.Cells.fill(defaults.Cells)
	p.Pulls.fill(defaults.Pulls)
	return p, limitProblems
}

// limits checks every limit. When one of a hazard's limits is bad, all limits of that hazard are left out, so that the
// hazard is not assessed rather than assessed against fewer limits than the shop wrote down; a limit whose hazard
// cannot be told spoils the platform.
func (c *checker) limits(p *Platform) []fault.Fault {
	var problems []fault.Fault
	for i := range p.Limits {
		one := &checker{file: c.file}
		one.limit(fmt.Sprintf("limits[%d]", i), &p.Limits[i])
		if len(one.problems) == 0 {
			continue
		}
		h := p.Limits[i].Hazard
		if _, known := hazard.Of(h); !known {
			c.problems = append(c.problems, one.problems...)
			continue
		}
		problems = append(problems, one.problems...)
		if !slices.Contains(p.UnreadLimits, h) {
			p.UnreadLimits = append(p.UnreadLimits, h)
		}
	}
	p.Limits = slices.DeleteFunc(p.Limits, func(l Limit) bool { return slices.Contains(p.UnreadLimits, l.Hazard) })
	return problems
}

func (c *checker) engine(e Engine) {
	if !c.file.Has("engine") {
		c.add("engine", "missing", "give cylinders, bore_mm, stroke_mm, rod_mm, compression_ratio, "+
			"intake_valve_closing_deg, exhaust_valve_opening_deg, injection and induction")
		return
	}
	c.required("engine.cylinders", float64(e.Cylinders), span{1, 16, "", "the number of cylinders", "4"})
	c.required("engine.bore_mm", e.BoreMM, span{40, 200, "mm", "the cylinder bore in millimetres", "82.5"})
	c.required("engine.stroke_mm", e.StrokeMM, span{30, 250, "mm", "the piston stroke in millimetres", "92.8"})
	c.required("engine.rod_mm", e.RodMM, span{60, 500, "mm", "the connecting rod length, centre to centre, in " +
		"millimetres", "144"})
	if e.RodMM > 0 && e.StrokeMM > 0 && e.RodMM <= e.StrokeMM {
		c.add("engine.rod_mm", fmt.Sprintf("rod %g mm is not longer than the stroke %g mm", e.RodMM, e.StrokeMM),
			"check both lengths; a rod is about 1.5 to 2 strokes long")
	}
	c.required("engine.compression_ratio", e.CompressionRatio, span{6, 20, "", "the geometric compression ratio",
		"9.8"})
	c.required("engine.intake_valve_closing_deg", e.IntakeValveClosingDeg,
		span{-180, -60, "deg", "intake-valve closing in degrees after firing top dead centre (before it is negative)",
			"-140"})
	c.required("engine.exhaust_valve_opening_deg", e.ExhaustValveOpenDeg,
		span{60, 180, "deg", "exhaust-valve opening in degrees after firing top dead centre", "130"})
	c.oneOf("engine.injection", e.Injection, "direct", "port")
	c.oneOf("engine.induction", e.Induction, "turbo", "natural")
	c.known("engine", e.Known)
}

func (c *checker) burn(b *Burn) {
	if b == nil {
		return
	}
	c.required("burn.speed_rpm", b.SpeedRPM, span{500, 10000, "rpm", "the engine speed of the reference point", "3000"})
	c.required("burn.absolute_load_pct", b.AbsoluteLoad, span{10, 400, "%", "the absolute load of the reference point",
		"160"})
	c.required("burn.lambda", b.Lambda, span{0.6, 1.3, "", "lambda at the reference point", "0.88"})
	c.required("burn.spark_deg", b.SparkDeg, span{-30, 60, "deg", "spark at the reference point, degrees before top " +
		"dead centre", "8"})
	c.required("burn.ignition_lag_deg", b.IgnitionLagDeg, span{0, 40, "deg", "crank degrees from spark to the start " +
		"of the Wiebe burn", "6"})
	c.required("burn.duration_deg", b.DurationDeg, span{10, 150, "deg", "the Wiebe burn duration (a = 5, m = 2) in " +
		"crank degrees", "55"})
	c.known("burn", b.Known)
}

func (c *checker) friction(f *Friction) {
	if f == nil {
		return
	}
	c.required("friction.constant_kpa", f.ConstantKPa, span{0, 300, "kPa", "the constant part of friction mean " +
		"effective pressure", "40"})
	c.required("friction.peak_pressure", f.PeakPressure, span{0, 0.05, "kPa per kPa", "friction per peak cylinder " +
		"pressure", "0.005"})
	c.required("friction.speed", f.Speed, span{0, 60, "kPa per m/s", "friction per mean piston speed", "9"})
	c.required("friction.speed_squared", f.SpeedSquared, span{0, 3, "kPa per (m/s)²", "friction per mean piston " +
		"speed squared", "0.09"})
	c.known("friction", f.Known)
}

func (c *checker) airPath(a *AirPath, induction string) {
	if a == nil {
		return
	}
	c.known("air_path", a.Known)
	v := a.VolumetricEfficiency
	c.curve("air_path.volumetric_efficiency", "at", "value", v.Breakpoints, v.Value, speedSpan,
		span{0.4, 1.3, "", "volumetric efficiency relative to manifold density", "0.92"})
	intercooler := span{0, 1, "", "the effectiveness of the intercooler (0: none)", "0.75"}
	if induction == "turbo" {
		c.required("air_path.intercooler_effectiveness", a.IntercoolerEffectiveness, intercooler)
		c.required("air_path.compressor_efficiency", a.CompressorEfficiency,
			span{0.4, 0.85, "", "the isentropic efficiency of the compressor", "0.70"})
		return
	}
	c.optional("air_path.intercooler_effectiveness", a.IntercoolerEffectiveness, intercooler)
	if a.CompressorEfficiency != 0 {
		c.add("air_path.compressor_efficiency", fmt.Sprintf("%g given for natural induction", a.CompressorEfficiency),
			"remove it, or say induction: turbo")
	}
}

func (c *checker) fuelSystem(s *FuelSystem, injection string) {
	if s == nil {
		return
	}
	c.required("fuel_system.injector_flow_cc_min", s.InjectorFlowCCMin,
		span{50, 6000, "cc/min", "the flow of one injector at rated_pressure_kpa", "550"})
	c.required("fuel_system.rated_pressure_kpa", s.RatedPressureKPa, span{100, 60000, "kPa", "the pressure across " +
		"the injector at which its flow is rated", "300"})
	c.required("fuel_system.dead_time_ms", s.DeadTimeMS, span{0, 5, "ms", "the injector dead time", "0.6"})
	c.known("fuel_system", s.Known)
	window := span{10, 720, "deg", "the crank angle usable for injection", "240"}
	if injection == "direct" {
		c.required("fuel_system.usable_window_deg", s.UsableWindowDeg, window)
	} else {
		c.optional("fuel_system.usable_window_deg", s.UsableWindowDeg, window)
	}
	if c.file.Has("fuel_system.pump_capacity") {
		c.curve("fuel_system.pump_capacity", "at", "value", s.PumpCapacity.Breakpoints, s.PumpCapacity.Value,
			span{50, 60000, "kPa", "pressure", "5000, 20000"},
			span{0.1, 500, "g/s", "what the pump delivers at that pressure", "28"})
	}
}

func (c *checker) knockControl(k *KnockControl) {
	if k == nil {
		return
	}
	c.required("knock_control.step_deg", k.StepDeg, span{0.05, 15, "deg", "the retard taken per heard event", "2"})
	c.required("knock_control.recovery_deg_per_second", k.RecoveryDegPerSecond,
		span{0, 100, "deg/s", "how fast spark is given back (0: not within a pull)", "0.5"})
	c.required("knock_control.tolerated_retard_deg", k.ToleratedRetardDeg,
		span{0, 30, "deg", "the accumulated retard beyond which the limit counts as crossed", "4"})
	c.text("knock_control.source", k.Source, "where tolerated_retard_deg comes from: it is the knock limit")
}

// metricOf says that a limit's metric is none of its hazard's: unknown, or another hazard's.
func (c *checker) metricOf(key string, h hazard.Info, id metric.ID) {
	own := strings.Join(names(h.Metrics), ", ")
	for _, other := range hazard.All() {
		if other.Has(id) {
			c.add(key, fmt.Sprintf("%s is a metric of the hazard %s, not of %s", id, other.ID, h.ID),
				fmt.Sprintf("write hazard: %s, or give a metric of %s: %s", other.ID, h.ID, own))
			return
		}
	}
	c.oneOf(key, string(id), names(h.Metrics)...)
}

// limit checks one limit and converts its values to the metric's stored unit.
func (c *checker) limit(key string, l *Limit) {
	h, ok := hazard.Of(l.Hazard)
	if !ok {
		c.oneOf(key+".hazard", string(l.Hazard), hazardNames()...)
		return
	}
	if l.Hazard == hazard.Knock {
		c.add(key+".hazard", "the knock limit is not written here", "give knock_control.tolerated_retard_deg and its "+
			"source")
		return
	}
	if !h.Has(l.Metric) {
		c.metricOf(key+".metric", h, l.Metric)
		return
	}
	c.text(key+".source", l.Source, "where the limit comes from (data sheet, measurement, shop rule and who set it)")
	if l.Severity != "" {
		c.oneOf(key+".severity", string(l.Severity), names(hazard.Severities())...)
	}
	m, _ := metric.Of(l.Metric)
	c.limitShape(key, l)
	c.limitUnit(key, l, m)
	c.rpmRange(key, l)
	if l.Hazard == hazard.LowSpeedLoad && len(l.RPMRange) == 0 && l.Along != channel.EngineSpeed {
		c.add(key, "says nothing about engine speed", "give rpm_range, e.g. [1000, 2500], or a curve along "+
			"engine_speed")
	}
}

func (c *checker) limitShape(key string, l *Limit) {
	curve := len(l.Breakpoints) > 0 || len(l.Values) > 0 || l.Along != ""
	switch {
	case l.Value != nil && curve:
		c.add(key, "has both a value and a curve", "keep value, or along, at and values, not both")
	case l.Value == nil && !curve:
		c.add(key+".value", "missing", "give value, or a curve: along, at and values")
	case curve && l.Along == channel.EngineSpeed:
		c.curve(key, "at", "values", l.Breakpoints, l.Values, speedSpan, anyNumber)
	case curve && l.Along == channel.AbsoluteLoad:
		c.curve(key, "at", "values", l.Breakpoints, l.Values, loadSpan, anyNumber)
	case curve:
		c.oneOf(key+".along", string(l.Along), string(channel.EngineSpeed), string(channel.AbsoluteLoad))
	}
}

var anyNumber = span{-1e6, 1e6, "", "the limit", ""}

func (c *checker) limitUnit(key string, l *Limit, m metric.Info) {
	if l.Unit == "" {
		c.add(key+".unit", "missing", "give the unit, e.g. "+m.Unit)
		return
	}
	remedy := "give " + m.Unit + " or another unit of the same quantity"
	from, err := unit.Parse(l.Unit)
	if err != nil {
		c.add(key+".unit", err.Error(), remedy)
		return
	}
	to, err := unit.Parse(m.Unit)
	if err != nil {
		c.add(key+".unit", err.Error(), remedy)
		return
	}
	scale, offset, err := unit.Linear(from, to)
	if err != nil {
		c.add(key+".unit", err.Error(), remedy)
		return
	}
	if l.Value != nil {
		v := *l.Value*scale + offset
		l.Value = &v
		c.limitRange(key+".value", v, m)
	}
	for i := range l.Values {
		l.Values[i] = l.Values[i]*scale + offset
		c.limitRange(fmt.Sprintf("%s.values[%d]", key, i), l.Values[i], m)
	}
	l.Unit = m.Unit
}

func (c *checker) limitRange(key string, v float64, m metric.Info) {
	s := span{m.Limit.Low, m.Limit.High, m.Unit, m.Limit.Meaning, m.Limit.Example}
	if !s.holds(v) {
		c.add(key, fmt.Sprintf("%g %s is outside the valid range", v, m.Unit),
			fmt.Sprintf("give %s, %s, and check the unit", s.meaning, s.text()))
	}
}

func (c *checker) rpmRange(key string, l *Limit) {
	if len(l.RPMRange) == 0 && !c.file.Has(key+".rpm_range") {
		return
	}
	r := l.RPMRange
	if len(r) != 2 || !(r[0] < r[1]) || !(r[0] >= 0 && r[1] <= speedSpan.high) {
		c.add(key+".rpm_range", fmt.Sprintf("%v is not a range", r), "give the low and the high engine speed in rpm, "+
			"e.g. [1000, 2500]")
	}
}

func hazardNames() []string {
	var out []string
	for _, h := range hazard.All() {
		out = append(out, string(h.ID))
	}
	return out
}

// names are identifiers of any kind as plain text.
func names[S ~string](ids []S) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return out
}

// listed names the keys of a map in order, for remedies.
func listed[T any](m map[string]T, none string) string {
	if len(m) == 0 {
		return none
	}
	return strings.Join(slices.Sorted(maps.Keys(m)), ", ")
}
