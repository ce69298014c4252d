// Package landmark answers two questions: which steady readings of a log can be held against those of other cars, and
// which logs stand apart by them?
//
// Some quantities read alike on every sound car of a platform: lambda where the control unit holds it at 1, pressure
// with the engine at rest against the barometer, coolant once warm, rail pressure at idle. A logger that scales one of
// them wrongly gives readings that nothing in its own log contradicts; beside those of other cars they stand out. A log
// is read for its landmarks once, when it is taken in; comparing them takes no log. What stands apart is named, with
// what would explain it, and never corrected.
package landmark

import (
	"math"

	"headroom/models/channel"
)

// ID names a landmark.
type ID string

// Landmarks.
const (
	SteadyLambda      ID = "steady_lambda"    // measured, where the control unit holds 1
	CommandedStands   ID = "commanded_stands" // at part throttle
	KeyOn             ID = "key_on"           // manifold pressure at rest less the logged barometer
	AirAtRest         ID = "air_at_rest"      // manifold pressure at rest less what is stated, or sea level's
	Surroundings      ID = "surroundings"     // barometer less what is stated of the place, or sea level
	RailAtIdle        ID = "rail_at_idle"
	WarmCoolant       ID = "warm_coolant"
	WarmOil           ID = "warm_oil"
	ChargeOverAir     ID = "charge_over_air" // at part throttle
	FullExhaust       ID = "full_exhaust"    // at full throttle
	FlowPerPressure   ID = "flow_per_pressure"
	LoadPerPressure   ID = "load_per_pressure"
	TorquePerPressure ID = "torque_per_pressure"
	ChargingVoltage   ID = "charging_voltage"
)

// Form is how a landmark's reading is compared.
type Form string

// Forms of comparison.
const (
	Plain      Form = "plain"      // the reading itself, in the channel's unit
	Difference Form = "difference" // the reading less that of another channel
	Factor     Form = "factor"     // the logarithm of the reading over that of another, or of the reading alone
)

// Kind is one row of the table of landmarks.
type Kind struct {
	ID      ID
	Channel channel.ID // in doubt where the landmark stands apart
	Against channel.ID // that it is read against, "" without one
	Form    Form
	// standard deviation of sound cars' readings as they are compared: in the channel's unit, of Factor of a logarithm
	Usual      float64
	Everywhere bool // compared over all cars of the workspace, not those of a platform alone
	Explained  bool // stands apart only where a unit or scale explains it: shops may set it to another value
	take       func(l *log) (value, against float64)
}

// kinds is the table. What sound cars usually differ by: common practice, no source.
var kinds = []Kind{
	{SteadyLambda, channel.Lambda, "", Factor, 0.01, false, false, steadyLambda},
	{CommandedStands, channel.LambdaCommanded, "", Factor, 0.0006, false, true, commandedStands},
	{KeyOn, channel.ManifoldPressure, channel.BarometricPressure, Difference, 1.5, true, false, keyOn},
	{AirAtRest, channel.ManifoldPressure, "", Difference, 3, true, false, airAtRest},
	{Surroundings, channel.BarometricPressure, "", Difference, 3, true, false, surroundings},
	{RailAtIdle, channel.RailPressure, "", Factor, 0.1, false, false, railAtIdle},
	{WarmCoolant, channel.CoolantTemperature, "", Plain, 3, false, false, warm(channel.CoolantTemperature, 600)},
	{WarmOil, channel.OilTemperature, "", Plain, 6, false, false, warm(channel.OilTemperature, 900)},
	{ChargeOverAir, channel.ChargeTemperature, channel.AmbientTemperature, Difference, 5, false, false, chargeOverAir},
	{FullExhaust, channel.ExhaustTemperature, "", Plain, 30, false, false, fullExhaust},
	{FlowPerPressure, channel.MassAirFlow, channel.ManifoldPressure, Factor, 0.05, false, false, flowPerPressure},
	{LoadPerPressure, channel.AbsoluteLoad, channel.ManifoldPressure, Factor, 0.05, false, false, loadPerPressure},
	{TorquePerPressure, channel.Torque, channel.ManifoldPressure, Factor, 0.035, false, false, torquePerPressure},
	{ChargingVoltage, channel.ModuleVoltage, "", Plain, 0.3, false, false, chargingVoltage},
}

// Of is the landmark of an id; ok is false where there is none.
func Of(id ID) (k Kind, ok bool) {
	for _, k := range kinds {
		if k.ID == id {
			return k, true
		}
	}
	return Kind{}, false
}

// compared is a reading as it is compared.
func (k *Kind) compared(v, against float64) float64 {
	switch k.Form {
	case Difference:
		return v - against
	case Factor:
		return math.Log(v / against)
	}
	return v
}

// Reading is what a log shows of a landmark.
type Reading struct {
	Landmark ID      `json:"landmark"`
	Value    float64 `json:"value"` // in the channel's stored unit
	// what it is compared with, in the landmark's form; 0 in Plain, 1 for a factor alone
	Against float64 `json:"against"`
	Column  string  `json:"column"`           // of the channel in doubt
	Unit    string  `json:"unit"`             // that the column was read in
	Stoich  float64 `json:"stoich,omitempty"` // by which its air–fuel ratios were divided; 0 for another column
}
