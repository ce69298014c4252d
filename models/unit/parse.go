package unit

import (
	"fmt"
	"strings"
)

// spellings maps normalised spellings to units. Keys are lower case, without blanks, dots, hyphens, carets and
// brackets, "°" written "deg" and "µ" written "u": see normalise.
var spellings = map[string]Unit{
	"pa": Pascal, "pascal": Pascal, "hpa": Hectopasc, "kpa": Kilopascal, "kilopascal": Kilopascal, "mpa": Megapascal,
	"mbar": Millibar, "millibar": Millibar, "bar": Bar, "bars": Bar, "psi": PSI, "lbf/in2": PSI, "lb/in2": PSI,
	"lbs/in2": PSI, "atm": Atmosphere, "inhg": InchHg, "inofhg": InchHg, "\"hg": InchHg, "mmhg": MillimHg,
	"torr":  MillimHg,
	"inh2o": InchWater, "inofh2o": InchWater, "\"h2o": InchWater, "kg/cm2": KgfPerCM2, "kgf/cm2": KgfPerCM2,

	"c": Celsius, "degc": Celsius, "celsius": Celsius, "degcelsius": Celsius, "degreec": Celsius, "degreesc": Celsius,
	"degreescelsius": Celsius, "grdc": Celsius, "centigrade": Celsius,
	"f": Fahrenheit, "degf": Fahrenheit, "fahrenheit": Fahrenheit, "degfahrenheit": Fahrenheit, "degreef": Fahrenheit,
	"degreesf": Fahrenheit, "degreesfahrenheit": Fahrenheit,
	"k": Kelvin, "kelvin": Kelvin, "degk": Kelvin, "r": Rankine, "degr": Rankine, "rankine": Rankine,

	"deg": Degree, "degs": Degree, "degree": Degree, "degrees": Degree, "degca": Degree, "cad": Degree, "ca": Degree,
	"crankdeg": Degree, "degcrank": Degree, "degbtdc": Degree, "btdc": Degree, "degreesbtdc": Degree, "dbtdc": Degree,
	"degcabtdc": Degree, "camdeg": Degree, "degcam": Degree, "kwdeg": Degree, "degkw": Degree, "degcrk": Degree,
	"degatdc": DegreeAfter, "atdc": DegreeAfter, "degreesatdc": DegreeAfter, "degcaatdc": DegreeAfter, "rad": Radian,

	"%": Percent, "percent": Percent, "pct": Percent, "perc": Percent, "prozent": Percent, "%vol": Percent,
	"vol%": Percent,
	"%v/v": Percent, "fraction": Fraction, "frac": Fraction, "ratio": Fraction, "01": Fraction, "0..1": Fraction,

	"g/s": GramPerSecond, "g/sec": GramPerSecond, "gm/s": GramPerSecond, "gm/sec": GramPerSecond, "gps": GramPerSecond,
	"grams/sec": GramPerSecond, "grams/s": GramPerSecond, "gram/s": GramPerSecond, "gram/sec": GramPerSecond,
	"grams/second": GramPerSecond, "gs1": GramPerSecond, "g/min": GramPerMinute, "kg/h": KgPerHour, "kg/hr": KgPerHour,
	"kg/hour": KgPerHour, "kgh": KgPerHour, "kg/min": KgPerMinute, "kg/s": KgPerSecond, "kg/sec": KgPerSecond,
	"lb/min": LbPerMinute, "lbs/min": LbPerMinute, "lbm/min": LbPerMinute, "lb/m": LbPerMinute,
	"pounds/min":    LbPerMinute,
	"pounds/minute": LbPerMinute, "lb/minute": LbPerMinute, "lb/h": LbPerHour, "lb/hr": LbPerHour, "lbs/hr": LbPerHour,
	"lbs/h":   LbPerHour,
	"lb/hour": LbPerHour, "pph": LbPerHour, "lb/s": LbPerSecond, "lb/sec": LbPerSecond,

	"cc/min": CCPerMinute, "ccm": CCPerMinute, "cm3/min": CCPerMinute, "ml/min": CCPerMinute, "l/h": LitrePerHour,
	"l/hr": LitrePerHour,
	"lph":  LitrePerHour, "l/min": LitrePerMin, "lpm": LitrePerMin,
	"mg/stroke": MgPerStroke, "mg/str": MgPerStroke, "mg/stk": MgPerStroke, "mg/cyl": MgPerStroke,
	"mg/hub":   MgPerStroke,
	"g/stroke": GramPerStroke, "g/stk": GramPerStroke, "g/cyl": GramPerStroke,

	"s": Second, "sec": Second, "secs": Second, "second": Second, "seconds": Second, "sek": Second,
	"ms": Millisecond, "msec": Millisecond, "msecs": Millisecond, "millis": Millisecond, "millisec": Millisecond,
	"millisecond": Millisecond, "milliseconds": Millisecond, "us": Microsecond, "usec": Microsecond,
	"microsecond": Microsecond, "microseconds": Microsecond, "ns": Nanosecond, "min": Minute, "mins": Minute,
	"minute": Minute, "minutes": Minute, "h": Hour, "hr": Hour, "hrs": Hour, "hour": Hour, "hours": Hour,

	"km/h": KmPerHour, "kmh": KmPerHour, "kph": KmPerHour, "kmph": KmPerHour, "km/hr": KmPerHour, "kmh1": KmPerHour,
	"mph": MilePerHour, "mi/h": MilePerHour, "mi/hr": MilePerHour, "miles/h": MilePerHour, "miles/hour": MilePerHour,
	"m/s": MetrePerSecond, "m/sec": MetrePerSecond, "mps": MetrePerSecond, "kn": Knot, "kt": Knot, "kts": Knot,
	"knot": Knot, "knots": Knot,

	"rpm": RPM, "1/min": RPM, "min1": RPM, "/min": RPM, "rev/min": RPM, "revs/min": RPM, "r/min": RPM, "u/min": RPM,
	"revolutions/minute": RPM, "krpm": KiloRPM, "rpmx1000": KiloRPM, "x1000rpm": KiloRPM, "1000rpm": KiloRPM,
	"rpm1000": KiloRPM, "rev/s": RevPerSecond, "rps": RevPerSecond, "1/s": RevPerSecond, "rad/s": RadPerSecond,

	"nm": NewtonMetre, "newtonmetre": NewtonMetre, "newtonmeter": NewtonMetre, "newtonmeters": NewtonMetre,
	"newtonmetres": NewtonMetre,
	"lbft":         PoundFoot, "ftlb": PoundFoot, "ftlbs": PoundFoot, "lbsft": PoundFoot, "lbfft": PoundFoot,
	"ftlbf":     PoundFoot,
	"poundfoot": PoundFoot, "poundfeet": PoundFoot, "footpounds": PoundFoot, "footpound": PoundFoot, "lb/ft": PoundFoot,
	"ft/lb": PoundFoot, "ft/lbs": PoundFoot,
	"kgm": KgfMetre, "kgfm": KgfMetre, "mkg": KgfMetre,

	"w": Watt, "watt": Watt, "kw": Kilowatt, "hp": Horsepower, "bhp": Horsepower, "whp": Horsepower,
	"ps": MetricHorsepower,

	"v": Volt, "volt": Volt, "volts": Volt, "vdc": Volt, "mv": Millivolt, "millivolt": Millivolt,
	"millivolts": Millivolt,
	"a":          Ampere, "amp": Ampere, "amps": Ampere, "ma": Milliamp,

	"lambda": LambdaUnit, "λ": LambdaUnit, "la": LambdaUnit, "lam": LambdaUnit, "afr": AFR, "a/f": AFR, "a:f": AFR,
	"airfuelratio": AFR, "air/fuelratio": AFR, "air/fuel": AFR, ":1": AFR, "kg/kg": AFR,
	"phi": Phi, "φ": Phi, "eqr": Phi, "equivalenceratio": Phi, "equivratio": Phi,

	"m": Metre, "metre": Metre, "meter": Metre, "metres": Metre, "meters": Metre, "km": Kilometre,
	"kilometer": Kilometre,
	"kilometre": Kilometre, "kilometers": Kilometre, "kilometres": Kilometre, "mi": Mile, "mile": Mile, "miles": Mile,
	"mm": Millimetre,
	"in": Inch, "inch": Inch, "inches": Inch, "ft": Foot, "feet": Foot, "foot": Foot,
	"kg": Kilogram, "g": Gram, "gram": Gram, "grams": Gram, "mg": Milligram, "lb": Pound, "lbs": Pound, "pound": Pound,
	"pounds": Pound,
	"l":      Litre, "litre": Litre, "liter": Litre, "litres": Litre, "liters": Litre, "cc": CubicCentimetre,
	"cm3": CubicCentimetre, "ml": CubicCentimetre,

	"1": One, "": One, "count": One, "none": One, "#": One, "gear": One, "number": One, "n/a": One, "unitless": One,
	"dimensionless": One,
}

// gaugeMarks and absoluteMarks are what may follow, or as a word precede, a pressure unit.
var (
	gaugeMarks    = []string{"gauge", "gage", "rel", "relative", "ga", "g"}
	absoluteMarks = []string{"absolute", "abs", "a"}
)

var normaliser = strings.NewReplacer(
	"â°", "deg", "âº", "deg", "℃", "degc", "℉", "degf", "\ufffd", "deg", // degree signs encoded twice, and lost
	"°", "deg", "º", "deg", "˚", "deg", "âµ", "u", "µ", "u", "μ", "u", "²", "2", "³", "3", "⁻¹", "1",
	"·", "", "⋅", "", "•", "", "∙", "", "*", "", " per ", "/", " ", "", "\u00a0", "", "\t", "", "_", "",
	"-", "", "−", "", "^", "", "(", "", ")", "", "[", "", "]", "", "{", "", "}", "",
	"“", "\"", "”", "\"", "″", "\"", "''", "\"",
)

// normalise reduces a spelling to a key of spellings.
func normalise(name string) string {
	s := strings.ToLower(strings.TrimSpace(name))
	if s == "*" { // the degree sign of a keyboard without one
		s = "°"
	}
	s = normaliser.Replace(s)
	if !strings.HasPrefix(s, "0..") {
		s = strings.ReplaceAll(s, ".", "")
	}
	return s
}

// Parse reads a unit in any usual spelling: case, blanks, dots, hyphens and brackets do not matter ("psi", "PSIG",
// "deg C", "°F", "lb-ft", "N·m", "1/min", "lb/min", "bar(g)", "kPa abs"). Because case does not matter, "mPa" is read
// as megapascal: millipascals are not met in this trade. A pressure with no mark is taken as absolute; whether the
// writer meant gauge is for the caller to settle from the data. The empty name and an unknown one are errors.
func Parse(name string) (Unit, error) {
	u, _, err := ParseMarked(name)
	return u, err
}

// ParseMarked is Parse, and also reports whether the reference of a pressure was spelled out ("psig", "bar abs");
// marked is false for "psi" and for units that are not pressures.
func ParseMarked(name string) (u Unit, marked bool, err error) {
	key := normalise(name)
	if key == "" && !strings.ContainsAny(name, "-−") {
		return "", false, fmt.Errorf("no unit given; write one such as \"kPa\" or \"%%\"")
	}
	if u, ok := spellings[key]; ok {
		return u, false, nil
	}
	if u, ok := stripMark(key, gaugeMarks); ok {
		return u.Gauge(), true, nil
	}
	if u, ok := stripMark(key, absoluteMarks); ok {
		return u, true, nil
	}
	if strings.Contains(name, "_") { // the slash of names that may not hold one: g_s
		if u, ok := spellings[normalise(strings.ReplaceAll(strings.Trim(name, "_ "), "_", "/"))]; ok {
			return u, false, nil
		}
	}
	return "", false, fmt.Errorf("unit %q is not known; write a usual one such as \"kPa\", \"psi gauge\", \"°C\", "+
		"\"%%\", \"g/s\"", name)
}

// stripMark takes one of the marks off a pressure spelling: any at the end, a whole word at the front.
func stripMark(key string, marks []string) (Unit, bool) {
	for _, m := range marks {
		if rest, found := strings.CutSuffix(key, m); found && spellings[rest].Quantity() == Pressure {
			return spellings[rest], true
		}
		if rest, found := strings.CutPrefix(key, m); found && len(m) > 2 && spellings[rest].Quantity() == Pressure {
			return spellings[rest], true
		}
	}
	return "", false
}
