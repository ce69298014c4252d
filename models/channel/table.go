package channel

import (
	"headroom/models/unit"
)

// Definition is one row of the channel table.
type Definition struct {
	ID   ID
	Unit unit.Unit // in which values are stored
	// plausible range in Unit, both ends included; a reading outside it is a sensor's or a unit's fault
	Min, Max float64
	MaxRate  float64 // largest believable change per second, in Unit/s; 0: any change is believable
	Digit    float64 // coarsest digit in which the quantity is usually sent, in Unit; 0: finer than MaxRate matters
	MayRest  bool    // may stand still while the engine moves without being suspected of a stuck sensor
	PID      uint8   // SAE J1979 service 01 parameter of the same quantity; 0: none
	Describe string  // what it is, with its reference or sign
}

// definitions is the table. PIDs and the ranges they imply are those of SAE J1979 (2002 and later), service 01, from
// memory; ranges and rates without one are common practice, no source.
var definitions = []Definition{
	{EngineSpeed, unit.RPM, 0, 22000, 25000, 0, false, 0x0C, "crankshaft speed"},
	{VehicleSpeed, unit.KmPerHour, 0, 400, 200, 2, true, 0x0D, "road speed"},
	{Gear, unit.One, -1, 12, 0, 0, true, 0xA4, "engaged gear, 0 for neutral, -1 for reverse"},
	{ThrottlePosition, unit.Percent, -5, 110, 0, 0, true, 0x11, "throttle plate opening"},
	{PedalPosition, unit.Percent, -5, 110, 0, 0, true, 0x49, "accelerator pedal travel"},
	{CalculatedLoad, unit.Percent, 0, 105, 0, 0, false, 0x04, "load as a share of the largest at that speed and " +
		"barometer (SAE J1979 calculated load value)"},
	{AbsoluteLoad, unit.Percent, 0, 400, 0, 0, false, 0x43, "air mass a stroke as a share of 1.184 g/L times " +
		"displacement a cylinder (SAE J1979 absolute load value)"},
	{MassAirFlow, unit.GramPerSecond, 0, 2000, 10000, 0, false, 0x10, "air mass flow into the engine"},
	{ManifoldPressure, unit.Kilopascal, 8, 600, 10000, 0, false, 0x0B, "intake manifold pressure, absolute"},
	{ManifoldPressureTarget, unit.Kilopascal, 8, 600, 0, 0, true, 0, "intake manifold pressure the controller asks " +
		"for, " +
		"absolute"},
	{BarometricPressure, unit.Kilopascal, 55, 110, 5, 1, true, 0x33, "pressure of the surrounding air, absolute"},
	{WastegateDuty, unit.Percent, 0, 100, 0, 0, true, 0, "duty of the boost control valve"},
	{ChargeTemperature, unit.Celsius, -45, 220, 60, 1, true, 0x77, "air temperature behind the charge cooler or in " +
		"the " +
		"intake manifold"},
	{AmbientTemperature, unit.Celsius, -50, 75, 10, 1, true, 0x46, "temperature of the surrounding air"},
	{CoolantTemperature, unit.Celsius, -45, 160, 10, 1, true, 0x05, "engine coolant temperature"},
	{OilTemperature, unit.Celsius, -45, 200, 10, 1, true, 0x5C, "engine oil temperature"},
	{ExhaustTemperature, unit.Celsius, -45, 1300, 1000, 1, false, 0x78, "exhaust gas temperature before the turbine " +
		"or " +
		"as fitted"},
	{CatalystTemperature, unit.Celsius, -45, 1300, 400, 1, true, 0x3C, "catalyst temperature"},
	{SparkAdvance, unit.Degree, -64, 64, 0, 0, false, 0x0E, "spark as delivered, degrees before top dead centre"},
	{SparkCommanded, unit.Degree, -64, 64, 0, 0, false, 0, "spark before knock retard is taken off, degrees before " +
		"top " +
		"dead centre"},
	{KnockRetard, unit.Degree, -3, 30, 0, 0, true, 0, "spark taken away by knock control now, positive degrees"},
	{KnockRetardLearned, unit.Degree, -15, 30, 0, 0, true, 0, "spark taken away by knock control from memory, " +
		"positive " +
		"degrees"},
	{Lambda, unit.LambdaUnit, 0.5, 5, 0, 0, false, 0x24, "relative air-fuel ratio as measured, 1 is stoichiometric, " +
		"below 1 is rich"},
	{LambdaCommanded, unit.LambdaUnit, 0.5, 2, 0, 0, true, 0x44, "relative air-fuel ratio the controller asks for"},
	{ShortTermTrim, unit.Percent, -60, 60, 0, 0, true, 0x06, "short-term fuel trim, positive adds fuel"},
	{LongTermTrim, unit.Percent, -60, 60, 0, 0, true, 0x07, "long-term fuel trim, positive adds fuel"},
	{InjectorPulse, unit.Millisecond, 0, 50, 0, 0, false, 0, "injector opening time a cycle"},
	{InjectorDuty, unit.Percent, 0, 150, 0, 0, false, 0, "injector opening time as a share of the cycle"},
	{RailPressure, unit.Kilopascal, 90, 60000, 0, 0, false, 0x59, "fuel rail pressure, absolute"},
	{RailPressureTarget, unit.Kilopascal, 90, 60000, 0, 0, true, 0, "fuel rail pressure the controller asks for, " +
		"absolute"},
	{EthanolShare, unit.Percent, 0, 100, 20, 1, true, 0x52, "ethanol in the fuel by volume"},
	{IntakeCam, unit.Degree, -80, 80, 0, 0, true, 0, "intake cam advance from its parked position, crank degrees"},
	{ExhaustCam, unit.Degree, -80, 80, 0, 0, true, 0, "exhaust cam advance from its parked position, crank degrees"},
	{Torque, unit.NewtonMetre, -500, 2500, 0, 0, false, 0, "brake torque where measured or modelled by the controller"},
	{ModuleVoltage, unit.Volt, 5, 18, 0, 0, true, 0x42, "control module supply voltage"},
	{FuelLevel, unit.Percent, 0, 100, 0, 0, true, 0x2F, "fuel tank level"},
}

// index finds a definition by its ID.
var index = func() map[ID]int {
	m := make(map[ID]int, len(definitions))
	for i, d := range definitions {
		m[d.ID] = i
	}
	return m
}()

// All returns the channel table in its fixed order. The caller owns the slice.
func All() []Definition { return append([]Definition(nil), definitions...) }

// Lookup returns the definition of id; ok is false when id is not a canonical channel.
func Lookup(id ID) (d Definition, ok bool) {
	i, ok := index[id]
	if !ok {
		return Definition{}, false
	}
	return definitions[i], true
}

// Order returns the place of id in the table, and the table's length for an ID that is not in it: a stable sort key.
func Order(id ID) int {
	if i, ok := index[id]; ok {
		return i
	}
	return len(definitions)
}

// Plausible reports whether value, in the stored unit, lies inside the channel's plausible range. NaN and values of an
// ID that is not in the table are not plausible.
func (id ID) Plausible(value float64) bool {
	d, ok := Lookup(id)
	return ok && value >= d.Min && value <= d.Max
}
