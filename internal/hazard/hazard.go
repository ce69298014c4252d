// Package hazard is the catalogue of the ways to hurt an engine: their severities, the metrics their limits are written
// on, the channels that would let a log tell of them, and what they are called. It answers what can go wrong and how
// bad that is, once for every room. Default severities and weights are common practice, no source; a platform's limit
// may state another severity.
package hazard

import (
	"slices"

	"headroom/internal/metric"
	"headroom/models/channel"
)

// ID names a hazard in workspace files, results and schemas.
type ID string

// Hazards, in the order in which results list them.
const (
	Knock              ID = "knock"
	Lean               ID = "lean"
	FuelDelivery       ID = "fuel_delivery"
	RailPressure       ID = "rail_pressure"
	ChargeTemperature  ID = "charge_temperature"
	CoolantTemperature ID = "coolant_temperature"
	OilTemperature     ID = "oil_temperature"
	ExhaustTemperature ID = "exhaust_temperature"
	CylinderPressure   ID = "cylinder_pressure"
	LowSpeedLoad       ID = "low_speed_load"
	BoostControl       ID = "boost_control"
	Driveline          ID = "driveline"
)

// Severity is how bad crossing a limit is.
type Severity string

// Severities, from the mildest. Only major and catastrophic hazards can hold a revision.
const (
	Minor        Severity = "minor"
	Moderate     Severity = "moderate"
	Major        Severity = "major"
	Catastrophic Severity = "catastrophic"
)

// Severities lists them from the mildest.
func Severities() []Severity { return []Severity{Minor, Moderate, Major, Catastrophic} }

// Rank orders severities: minor 0 … catastrophic 3, anything else −1.
func (s Severity) Rank() int { return slices.Index(Severities(), s) }

// Serious reports whether a severity can hold a revision.
func (s Severity) Serious() bool { return s.Rank() >= Major.Rank() }

// Weight is what a crossing of a limit counts when findings and revisions are ranked: minor 1, moderate 3, major 10,
// catastrophic 30; 0 for anything else.
func (s Severity) Weight() float64 {
	switch s {
	case Minor:
		return 1
	case Moderate:
		return 3
	case Major:
		return 10
	case Catastrophic:
		return 30
	}
	return 0
}

// Info is one hazard: its default severity, what its limits are written on, and what tells of it.
type Info struct {
	ID       ID
	Severity Severity
	Spoken   string // in a sentence or a table, without a capital
	// Metrics are those its limits are written on; knock's is not written as a limit but as the tolerated retard.
	Metrics []metric.ID
	// Logs are the channels that a next pull should hold to tell of it.
	Logs []channel.ID
}

var catalogue = []Info{
	{Knock, Major, "knock", []metric.ID{metric.KnockMargin},
		[]channel.ID{channel.KnockRetard, channel.SparkAdvance, channel.Lambda, channel.ChargeTemperature}},
	{Lean, Catastrophic, "lean mixture", []metric.ID{metric.Lambda},
		[]channel.ID{channel.Lambda, channel.LambdaCommanded}},
	{FuelDelivery, Major, "fuel delivery",
		[]metric.ID{metric.InjectorDuty, metric.InjectionWindowUse, metric.PumpUse},
		[]channel.ID{channel.InjectorPulse, channel.InjectorDuty, channel.RailPressure}},
	{RailPressure, Moderate, "rail pressure", []metric.ID{metric.RailShortfall},
		[]channel.ID{channel.RailPressure, channel.RailPressureTarget}},
	{ChargeTemperature, Moderate, "charge temperature", []metric.ID{metric.ChargeTemperature},
		[]channel.ID{channel.ChargeTemperature}},
	{CoolantTemperature, Moderate, "coolant temperature", []metric.ID{metric.CoolantTemperature},
		[]channel.ID{channel.CoolantTemperature}},
	{OilTemperature, Moderate, "oil temperature", []metric.ID{metric.OilTemperature},
		[]channel.ID{channel.OilTemperature}},
	{ExhaustTemperature, Major, "exhaust temperature", []metric.ID{metric.ExhaustTemperature},
		[]channel.ID{channel.ExhaustTemperature}},
	{CylinderPressure, Catastrophic, "cylinder pressure", []metric.ID{metric.PeakPressure},
		[]channel.ID{channel.SparkAdvance, channel.ManifoldPressure, channel.ChargeTemperature}},
	{LowSpeedLoad, Catastrophic, "low-speed load", []metric.ID{metric.BMEP},
		[]channel.ID{channel.Torque, channel.ManifoldPressure}},
	{BoostControl, Moderate, "boost control", []metric.ID{metric.BoostOvershoot, metric.WastegateDuty},
		[]channel.ID{channel.ManifoldPressure, channel.ManifoldPressureTarget, channel.WastegateDuty}},
	{Driveline, Moderate, "driveline", []metric.ID{metric.Torque}, []channel.ID{channel.Torque}},
}

// All returns every hazard in the order in which results list them. The caller owns the slice.
func All() []Info { return slices.Clone(catalogue) }

// Of returns a hazard by name, and false for a name that is no hazard.
func Of(id ID) (Info, bool) {
	i := slices.IndexFunc(catalogue, func(h Info) bool { return h.ID == id })
	if i < 0 {
		return Info{}, false
	}
	return catalogue[i], true
}

// Has reports whether limits of the hazard are written on a metric.
func (h Info) Has(m metric.ID) bool { return slices.Contains(h.Metrics, m) }
