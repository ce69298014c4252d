// Package unit answers one question: what is this number in another unit, and may it be converted at all?
//
// It is the only home of conversion factors. Factors follow from the exact definitions in NIST Special Publication
// 811 (2008 edition, appendix B): the inch 0.0254 m, the pound 0.453 592 37 kg, standard gravity 9.806 65 m/s², the
// conventional millimetre of mercury 133.3224 Pa. Units carry a quantity, and two units of different quantities do
// not convert. Gauge pressure is a quantity of its own, because it becomes absolute only with a barometer; air–fuel
// ratio, lambda and equivalence ratio are three, because they become each other only with a fuel or a reciprocal.
package unit

import (
	"fmt"
	"math"
)

// Unit names a unit, such as "kPa". The constants below are all there are; Parse turns usual spellings into them.
// The zero value "" means no unit was given and converts to nothing.
type Unit string

// Quantity names what a unit measures, such as "pressure".
type Quantity string

// Quantities. Units convert only inside one quantity.
const (
	Pressure      Quantity = "pressure"       // absolute
	GaugePressure Quantity = "gauge pressure" // relative to the surrounding air
	// a point on the scale; for a difference use only the scale of Linear
	Temperature      Quantity = "temperature"
	Angle            Quantity = "angle"            // crank or cam degrees
	Ratio            Quantity = "ratio"            // percent and fraction
	MassFlow         Quantity = "mass flow"        // air or fuel
	VolumeFlow       Quantity = "volume flow"      // liquid fuel
	MassPerStroke    Quantity = "mass per stroke"  // air or fuel a cylinder and cycle
	Time             Quantity = "time"             // durations and time stamps
	Speed            Quantity = "speed"            // of a vehicle
	RotationalSpeed  Quantity = "rotational speed" // of a shaft
	Torque           Quantity = "torque"
	Power            Quantity = "power"
	Voltage          Quantity = "voltage"
	Current          Quantity = "current"
	Lambda           Quantity = "lambda"            // relative air–fuel ratio
	AirFuelRatio     Quantity = "air-fuel ratio"    // by mass
	EquivalenceRatio Quantity = "equivalence ratio" // fuel–air, 1/λ
	Length           Quantity = "length"
	Mass             Quantity = "mass"
	Volume           Quantity = "volume"
	Count            Quantity = "count" // plain numbers: gear, index
)

// Units.
const (
	Pascal     Unit = "Pa"
	Hectopasc  Unit = "hPa"
	Kilopascal Unit = "kPa"
	Megapascal Unit = "MPa"
	Millibar   Unit = "mbar"
	Bar        Unit = "bar"
	PSI        Unit = "psi"
	Atmosphere Unit = "atm"
	InchHg     Unit = "inHg" // conventional
	MillimHg   Unit = "mmHg" // conventional
	InchWater  Unit = "inH2O"
	KgfPerCM2  Unit = "kgf/cm2"

	PascalGauge     Unit = "Pa gauge"
	HectopascGauge  Unit = "hPa gauge"
	KilopascalGauge Unit = "kPa gauge"
	MegapascalGauge Unit = "MPa gauge"
	MillibarGauge   Unit = "mbar gauge"
	BarGauge        Unit = "bar gauge"
	PSIGauge        Unit = "psi gauge"
	AtmosphereGauge Unit = "atm gauge"
	InchHgGauge     Unit = "inHg gauge"
	MillimHgGauge   Unit = "mmHg gauge"
	InchWaterGauge  Unit = "inH2O gauge"
	KgfPerCM2Gauge  Unit = "kgf/cm2 gauge"

	Celsius    Unit = "°C"
	Fahrenheit Unit = "°F"
	Kelvin     Unit = "K"
	Rankine    Unit = "°R"

	Degree      Unit = "deg"      // crank or cam; spark counted before top dead centre
	DegreeAfter Unit = "deg ATDC" // after top dead centre: the opposite sign of Degree
	Radian      Unit = "rad"

	Percent  Unit = "%"
	Fraction Unit = "fraction"

	GramPerSecond Unit = "g/s"
	GramPerMinute Unit = "g/min"
	KgPerHour     Unit = "kg/h"
	KgPerMinute   Unit = "kg/min"
	KgPerSecond   Unit = "kg/s"
	LbPerMinute   Unit = "lb/min"
	LbPerHour     Unit = "lb/h"
	LbPerSecond   Unit = "lb/s"

	CCPerMinute   Unit = "cc/min"
	LitrePerHour  Unit = "L/h"
	LitrePerMin   Unit = "L/min"
	MgPerStroke   Unit = "mg/stroke"
	GramPerStroke Unit = "g/stroke"

	Second      Unit = "s"
	Millisecond Unit = "ms"
	Microsecond Unit = "µs"
	Nanosecond  Unit = "ns"
	Minute      Unit = "min"
	Hour        Unit = "h"

	KmPerHour      Unit = "km/h"
	MilePerHour    Unit = "mph"
	MetrePerSecond Unit = "m/s"
	Knot           Unit = "kn"

	RPM          Unit = "rpm"
	KiloRPM      Unit = "krpm" // thousands of rpm
	RevPerSecond Unit = "rev/s"
	RadPerSecond Unit = "rad/s"

	NewtonMetre Unit = "Nm"
	PoundFoot   Unit = "lbf·ft"
	KgfMetre    Unit = "kgf·m"

	Watt             Unit = "W"
	Kilowatt         Unit = "kW"
	Horsepower       Unit = "hp" // 550 ft·lbf/s
	MetricHorsepower Unit = "PS" // 75 kgf·m/s

	Volt       Unit = "V"
	Millivolt  Unit = "mV"
	Ampere     Unit = "A"
	Milliamp   Unit = "mA"
	LambdaUnit Unit = "lambda"
	AFR        Unit = "AFR"
	Phi        Unit = "phi"

	Metre      Unit = "m"
	Kilometre  Unit = "km"
	Mile       Unit = "mi"
	Millimetre Unit = "mm"
	Inch       Unit = "in"
	Foot       Unit = "ft"

	Kilogram  Unit = "kg"
	Gram      Unit = "g"
	Milligram Unit = "mg"
	Pound     Unit = "lb"

	Litre           Unit = "L"
	CubicCentimetre Unit = "cc"

	One Unit = "1"
)

// Exact definitions and the constants that follow from them (NIST SP 811, 2008, appendix B.8), in SI units.
const (
	MetrePerInch           = 0.0254
	MetrePerFoot           = 0.3048
	MetrePerMile           = 1609.344
	KilogramPerPound       = 0.45359237
	StandardGravity        = 9.80665                            // m/s²
	NewtonPerPoundForce    = KilogramPerPound * StandardGravity // 4.448222
	PascalPerPSI           = NewtonPerPoundForce / (MetrePerInch * MetrePerInch)
	PascalPerBar           = 1e5
	PascalPerAtmosphere    = 101325.0
	PascalPerMMHg          = 133.322387415                // conventional: 13 595.1 kg/m³ at standard gravity
	PascalPerInHg          = 25.4 * PascalPerMMHg         // conventional, 3386.389
	PascalPerInH2O         = 25.4 * StandardGravity       // conventional, 249.0889
	PascalPerKgfPerCM2     = StandardGravity * 1e4        // 98 066.5
	NewtonMetrePerPoundFt  = NewtonPerPoundForce * 0.3048 // 1.355818
	WattPerHorsepower      = 550 * NewtonMetrePerPoundFt  // 745.6999
	WattPerMetricHP        = 75 * StandardGravity         // 735.4988
	ZeroCelsius            = 273.15                       // K
	KelvinPerFahrenheit    = 5.0 / 9.0
	ZeroFahrenheit         = 459.67 // °R
	GramPerSecondPerLbMin  = KilogramPerPound * 1000 / 60
	RadianPerDegree        = math.Pi / 180
	RadianPerSecondPerRPM  = 2 * math.Pi / 60
	MetrePerSecondPerKmH   = 1000.0 / 3600
	MetrePerSecondPerMPH   = MetrePerMile / 3600
	MetrePerSecondPerKnot  = 1852.0 / 3600
	PascalPerKilopascal    = 1000.0
	CubicMetrePerLitre     = 1e-3
	CubicMetrePerCC        = 1e-6
	SecondsPerMinute       = 60.0
	SecondsPerHour         = 3600.0
	MolarGasConstant       = 8.314462618 // J/(mol·K), SI 2019 exact value rounded to ten digits
	NewtonMetrePerKgfMetre = StandardGravity
)

// form is a unit's place on its quantity's base scale: base = scale·value + offset.
type form struct {
	quantity      Quantity
	scale, offset float64
}

// forms holds every unit. Base units: Pa, K, rad, 1, kg/s, m³/s, kg, s, m/s, rad/s, N·m, W, V, A, m, m³.
var forms = map[Unit]form{
	Pascal:     {Pressure, 1, 0},
	Hectopasc:  {Pressure, 100, 0},
	Kilopascal: {Pressure, PascalPerKilopascal, 0},
	Megapascal: {Pressure, 1e6, 0},
	Millibar:   {Pressure, PascalPerBar / 1000, 0},
	Bar:        {Pressure, PascalPerBar, 0},
	PSI:        {Pressure, PascalPerPSI, 0},
	Atmosphere: {Pressure, PascalPerAtmosphere, 0},
	InchHg:     {Pressure, PascalPerInHg, 0},
	MillimHg:   {Pressure, PascalPerMMHg, 0},
	InchWater:  {Pressure, PascalPerInH2O, 0},
	KgfPerCM2:  {Pressure, PascalPerKgfPerCM2, 0},

	PascalGauge:     {GaugePressure, 1, 0},
	HectopascGauge:  {GaugePressure, 100, 0},
	KilopascalGauge: {GaugePressure, PascalPerKilopascal, 0},
	MegapascalGauge: {GaugePressure, 1e6, 0},
	MillibarGauge:   {GaugePressure, PascalPerBar / 1000, 0},
	BarGauge:        {GaugePressure, PascalPerBar, 0},
	PSIGauge:        {GaugePressure, PascalPerPSI, 0},
	AtmosphereGauge: {GaugePressure, PascalPerAtmosphere, 0},
	InchHgGauge:     {GaugePressure, PascalPerInHg, 0},
	MillimHgGauge:   {GaugePressure, PascalPerMMHg, 0},
	InchWaterGauge:  {GaugePressure, PascalPerInH2O, 0},
	KgfPerCM2Gauge:  {GaugePressure, PascalPerKgfPerCM2, 0},

	Celsius:    {Temperature, 1, ZeroCelsius},
	Fahrenheit: {Temperature, KelvinPerFahrenheit, ZeroFahrenheit * KelvinPerFahrenheit},
	Kelvin:     {Temperature, 1, 0},
	Rankine:    {Temperature, KelvinPerFahrenheit, 0},

	Degree:      {Angle, RadianPerDegree, 0},
	DegreeAfter: {Angle, -RadianPerDegree, 0},
	Radian:      {Angle, 1, 0},

	Percent:  {Ratio, 0.01, 0},
	Fraction: {Ratio, 1, 0},

	GramPerSecond: {MassFlow, 1e-3, 0},
	GramPerMinute: {MassFlow, 1e-3 / SecondsPerMinute, 0},
	KgPerHour:     {MassFlow, 1 / SecondsPerHour, 0},
	KgPerMinute:   {MassFlow, 1 / SecondsPerMinute, 0},
	KgPerSecond:   {MassFlow, 1, 0},
	LbPerMinute:   {MassFlow, KilogramPerPound / SecondsPerMinute, 0},
	LbPerHour:     {MassFlow, KilogramPerPound / SecondsPerHour, 0},
	LbPerSecond:   {MassFlow, KilogramPerPound, 0},

	CCPerMinute:   {VolumeFlow, CubicMetrePerCC / SecondsPerMinute, 0},
	LitrePerHour:  {VolumeFlow, CubicMetrePerLitre / SecondsPerHour, 0},
	LitrePerMin:   {VolumeFlow, CubicMetrePerLitre / SecondsPerMinute, 0},
	MgPerStroke:   {MassPerStroke, 1e-6, 0},
	GramPerStroke: {MassPerStroke, 1e-3, 0},

	Second:      {Time, 1, 0},
	Millisecond: {Time, 1e-3, 0},
	Microsecond: {Time, 1e-6, 0},
	Nanosecond:  {Time, 1e-9, 0},
	Minute:      {Time, SecondsPerMinute, 0},
	Hour:        {Time, SecondsPerHour, 0},

	KmPerHour:      {Speed, MetrePerSecondPerKmH, 0},
	MilePerHour:    {Speed, MetrePerSecondPerMPH, 0},
	MetrePerSecond: {Speed, 1, 0},
	Knot:           {Speed, MetrePerSecondPerKnot, 0},

	RPM:          {RotationalSpeed, RadianPerSecondPerRPM, 0},
	KiloRPM:      {RotationalSpeed, 1000 * RadianPerSecondPerRPM, 0},
	RevPerSecond: {RotationalSpeed, 2 * math.Pi, 0},
	RadPerSecond: {RotationalSpeed, 1, 0},

	NewtonMetre: {Torque, 1, 0},
	PoundFoot:   {Torque, NewtonMetrePerPoundFt, 0},
	KgfMetre:    {Torque, NewtonMetrePerKgfMetre, 0},

	Watt:             {Power, 1, 0},
	Kilowatt:         {Power, 1000, 0},
	Horsepower:       {Power, WattPerHorsepower, 0},
	MetricHorsepower: {Power, WattPerMetricHP, 0},

	Volt:       {Voltage, 1, 0},
	Millivolt:  {Voltage, 1e-3, 0},
	Ampere:     {Current, 1, 0},
	Milliamp:   {Current, 1e-3, 0},
	LambdaUnit: {Lambda, 1, 0},
	AFR:        {AirFuelRatio, 1, 0},
	Phi:        {EquivalenceRatio, 1, 0},

	Metre:      {Length, 1, 0},
	Kilometre:  {Length, 1000, 0},
	Mile:       {Length, MetrePerMile, 0},
	Millimetre: {Length, 1e-3, 0},
	Inch:       {Length, MetrePerInch, 0},
	Foot:       {Length, MetrePerFoot, 0},

	Kilogram:  {Mass, 1, 0},
	Gram:      {Mass, 1e-3, 0},
	Milligram: {Mass, 1e-6, 0},
	Pound:     {Mass, KilogramPerPound, 0},

	Litre:           {Volume, CubicMetrePerLitre, 0},
	CubicCentimetre: {Volume, CubicMetrePerCC, 0},

	One: {Count, 1, 0},
}

// Quantity returns what u measures, or "" for a unit that is not in the table.
func (u Unit) Quantity() Quantity { return forms[u].quantity }

// Known reports whether u is one of the constants of this package.
func (u Unit) Known() bool { _, ok := forms[u]; return ok }

// Gauge returns the gauge twin of a pressure unit ("psi" → "psi gauge"); any other unit is returned unchanged.
func (u Unit) Gauge() Unit {
	if u.Quantity() == Pressure {
		return u + " gauge"
	}
	return u
}

// Absolute returns the absolute twin of a gauge pressure unit ("psi gauge" → "psi"); any other unit is returned
// unchanged. The number itself changes too: add the barometric pressure in the same unit.
func (u Unit) Absolute() Unit {
	if u.Quantity() == GaugePressure {
		return u[:len(u)-len(" gauge")]
	}
	return u
}

// Linear returns scale and offset with value_to = scale·value_from + offset. It fails when a unit is not known or the
// quantities differ; for gauge against absolute pressure and for lambda against air–fuel or equivalence ratio the
// error says what else is needed.
func Linear(from, to Unit) (scale, offset float64, err error) {
	f, okFrom := forms[from]
	t, okTo := forms[to]
	switch {
	case !okFrom:
		return 0, 0, fmt.Errorf("unit %q is not known", from)
	case !okTo:
		return 0, 0, fmt.Errorf("unit %q is not known", to)
	case f.quantity != t.quantity:
		return 0, 0, mismatch(from, to)
	case from == to:
		return 1, 0, nil
	}
	return f.scale / t.scale, (f.offset - t.offset) / t.scale, nil
}

// mismatch words the error for two quantities that do not convert.
func mismatch(from, to Unit) error {
	f, t := from.Quantity(), to.Quantity()
	why := ""
	switch {
	case isPressure(f) && isPressure(t):
		why = ": gauge and absolute pressure differ by the barometric pressure, which must be given"
	case isMixture(f) && isMixture(t):
		why = ": lambda = air-fuel ratio / stoichiometric ratio of the fuel = 1 / equivalence ratio"
	}
	return fmt.Errorf("%s (%s) does not convert to %s (%s)%s", from, f, to, t, why)
}

func isPressure(q Quantity) bool { return q == Pressure || q == GaugePressure }

func isMixture(q Quantity) bool {
	return q == Lambda || q == AirFuelRatio || q == EquivalenceRatio
}

// Convert returns value, given in from, in to. NaN stays NaN: a missing reading is missing in every unit. Errors as
// for Linear.
func Convert(value float64, from, to Unit) (float64, error) {
	scale, offset, err := Linear(from, to)
	if err != nil {
		return math.NaN(), err
	}
	return scale*value + offset, nil
}
