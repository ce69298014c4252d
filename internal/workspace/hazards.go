package workspace

import "slices"

// Severities, from the mildest. Only major and catastrophic hazards can hold a revision.
const (
	Minor        = "minor"
	Moderate     = "moderate"
	Major        = "major"
	Catastrophic = "catastrophic"
)

var severities = []string{Minor, Moderate, Major, Catastrophic}

// SeverityRank orders severities: minor 0 … catastrophic 3, anything else −1.
func SeverityRank(severity string) int { return slices.Index(severities, severity) }

// Hazards, in the order in which results list them.
const (
	Knock              = "knock"
	Lean               = "lean"
	FuelDelivery       = "fuel_delivery"
	RailPressure       = "rail_pressure"
	ChargeTemperature  = "charge_temperature"
	CoolantTemperature = "coolant_temperature"
	OilTemperature     = "oil_temperature"
	ExhaustTemperature = "exhaust_temperature"
	CylinderPressure   = "cylinder_pressure"
	LowSpeedLoad       = "low_speed_load"
	BoostControl       = "boost_control"
	Driveline          = "driveline"
)

// Metrics that platform limits are written on.
const (
	MetricLambda             = "lambda"
	MetricInjectorDuty       = "injector_duty"
	MetricInjectionWindowUse = "injection_window_use"
	MetricPumpUse            = "pump_use"
	MetricRailShortfall      = "rail_shortfall"
	MetricChargeTemperature  = "charge_temperature"
	MetricCoolantTemperature = "coolant_temperature"
	MetricOilTemperature     = "oil_temperature"
	MetricExhaustTemperature = "exhaust_temperature"
	MetricPeakPressure       = "peak_pressure"
	MetricBMEP               = "bmep"
	MetricBoostOvershoot     = "boost_overshoot"
	MetricTorque             = "torque"
)

// Upper and Lower say on which side of a limit the hazard lies: Upper, the metric must not rise above it.
const (
	Upper = "upper"
	Lower = "lower"
)

// MetricInfo is one quantity a limit can be written on.
type MetricInfo struct {
	Name    string
	Unit    string // stored unit; limits in another unit of the same quantity are converted on reading
	Side    string // Upper or Lower
	Meaning string
}

// HazardInfo is one way to hurt an engine: its default severity and the metrics its limits are written on.
type HazardInfo struct {
	Name     string
	Severity string
	Metrics  []MetricInfo // none for knock, whose limit is KnockControl.ToleratedRetardDeg
}

// Hazards returns every hazard in the order in which results list them. The default severities are common practice,
// no source; a platform's limit may state another.
func Hazards() []HazardInfo {
	return []HazardInfo{
		{Knock, Major, nil},
		{Lean, Catastrophic, []MetricInfo{{MetricLambda, "lambda", Upper, "leanest relative air–fuel ratio"}}},
		{FuelDelivery, Major, []MetricInfo{
			{MetricInjectorDuty, "%", Upper, "share of the cycle an injector is open"},
			{MetricInjectionWindowUse, "%", Upper, "share of the usable crank window the injection takes (direct " +
				"injection)"},
			{MetricPumpUse, "%", Upper, "share of the pump's capacity at pressure"},
		}},
		{RailPressure, Moderate, []MetricInfo{{MetricRailShortfall, "kPa", Upper, "rail pressure target minus " +
			"actual"}}},
		{ChargeTemperature, Moderate, []MetricInfo{{MetricChargeTemperature, "°C", Upper, "charge air temperature"}}},
		{CoolantTemperature, Moderate, []MetricInfo{{MetricCoolantTemperature, "°C", Upper, "coolant temperature"}}},
		{OilTemperature, Moderate, []MetricInfo{{MetricOilTemperature, "°C", Upper, "oil temperature"}}},
		{ExhaustTemperature, Major, []MetricInfo{{MetricExhaustTemperature, "°C", Upper, "exhaust gas temperature"}}},
		{CylinderPressure, Catastrophic, []MetricInfo{{MetricPeakPressure, "kPa", Upper, "peak cylinder pressure"}}},
		{LowSpeedLoad, Catastrophic, []MetricInfo{{MetricBMEP, "kPa", Upper, "brake mean effective pressure at low " +
			"speed"}}},
		{BoostControl, Moderate, []MetricInfo{{MetricBoostOvershoot, "kPa", Upper, "manifold pressure actual minus " +
			"target"}}},
		{Driveline, Moderate, []MetricInfo{{MetricTorque, "N·m", Upper, "brake torque"}}},
	}
}

// HazardNamed returns a hazard by name.
func HazardNamed(name string) (HazardInfo, bool) {
	for _, h := range Hazards() {
		if h.Name == name {
			return h, true
		}
	}
	return HazardInfo{}, false
}

// Metric returns one of the hazard's metrics by name.
func (h HazardInfo) Metric(name string) (MetricInfo, bool) {
	for _, m := range h.Metrics {
		if m.Name == name {
			return m, true
		}
	}
	return MetricInfo{}, false
}

// EffectiveSeverity is the limit's own severity, or its hazard's default.
func (l *Limit) EffectiveSeverity() string {
	if l.Severity != "" {
		return l.Severity
	}
	h, _ := HazardNamed(l.Hazard)
	return h.Severity
}
