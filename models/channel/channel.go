// Package channel answers one question: which measured quantities does headroom know, in which unit does it
// keep each, and between which values is a reading believable?
//
// The table is the only home of channel names, stored units and plausible ranges. Identifiers, units and ranges
// of the parameters that exist in SAE J1979 (2002 and later, service 01) follow that standard's data definitions;
// the rest are the trade's usual terms. Plausible ranges are wider than any healthy reading and narrower than a
// broken sensor's: common practice, no source, unless the row says otherwise.
package channel

// ID names a canonical channel, such as "engine_speed". It is what evidence, channel maps and table axes use.
type ID string

// Canonical channels. Sign conventions: spark is degrees before top dead centre (positive = earlier), knock retard
// is positive degrees taken away from spark, pressures are absolute kPa unless the name says otherwise, cam
// positions are degrees of advance from the parked position.
const (
	EngineSpeed            ID = "engine_speed"
	VehicleSpeed           ID = "vehicle_speed"
	Gear                   ID = "gear"
	ThrottlePosition       ID = "throttle_position"
	PedalPosition          ID = "pedal_position"
	CalculatedLoad         ID = "calculated_load"
	AbsoluteLoad           ID = "absolute_load"
	MassAirFlow            ID = "mass_air_flow"
	ManifoldPressure       ID = "manifold_pressure"
	ManifoldPressureTarget ID = "manifold_pressure_target"
	BarometricPressure     ID = "barometric_pressure"
	WastegateDuty          ID = "wastegate_duty"
	ChargeTemperature      ID = "charge_temperature"
	AmbientTemperature     ID = "ambient_temperature"
	CoolantTemperature     ID = "coolant_temperature"
	OilTemperature         ID = "oil_temperature"
	ExhaustTemperature     ID = "exhaust_temperature"
	CatalystTemperature    ID = "catalyst_temperature"
	SparkAdvance           ID = "spark_advance"
	SparkCommanded         ID = "spark_commanded"
	KnockRetard            ID = "knock_retard"
	KnockRetardLearned     ID = "knock_retard_learned"
	Lambda                 ID = "lambda"
	LambdaCommanded        ID = "lambda_commanded"
	ShortTermTrim          ID = "short_term_trim"
	LongTermTrim           ID = "long_term_trim"
	InjectorPulse          ID = "injector_pulse"
	InjectorDuty           ID = "injector_duty"
	RailPressure           ID = "rail_pressure"
	RailPressureTarget     ID = "rail_pressure_target"
	EthanolShare           ID = "ethanol_share"
	IntakeCam              ID = "intake_cam"
	ExhaustCam             ID = "exhaust_cam"
	Torque                 ID = "torque"
	ModuleVoltage          ID = "module_voltage"
	FuelLevel              ID = "fuel_level"
)
