package unit

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Factors as printed (to seven digits) in NIST Special Publication 811, 2008 edition, appendix B.8 and B.9.
func TestConvertAgainstSP811(t *testing.T) {
	cases := []struct {
		value    float64
		from, to Unit
		want     float64
	}{
		{1, PSI, Pascal, 6.894757e3},
		{1, Bar, Pascal, 1e5},
		{1, Millibar, Pascal, 100},
		{1, Atmosphere, Pascal, 1.01325e5},
		{1, InchHg, Pascal, 3.386389e3},
		{1, MillimHg, Pascal, 133.3224},
		{1, InchWater, Pascal, 249.0889},
		{1, KgfPerCM2, Pascal, 9.80665e4},
		{1, Horsepower, Watt, 7.456999e2},
		{1, MetricHorsepower, Watt, 735.4988},
		{1, PoundFoot, NewtonMetre, 1.355818},
		{1, KgfMetre, NewtonMetre, 9.80665},
		{1, Pound, Kilogram, 4.535924e-1},
		{1, LbPerMinute, KgPerSecond, 7.559873e-3},
		{1, LbPerHour, KgPerSecond, 1.259979e-4},
		{1, MilePerHour, MetrePerSecond, 4.4704e-1},
		{1, Knot, MetrePerSecond, 5.144444e-1},
		{1, KmPerHour, MetrePerSecond, 2.777778e-1},
		{1, RPM, RadPerSecond, 1.047198e-1},
		{1, Degree, Radian, 1.745329e-2},
		{1, Mile, Metre, 1609.344},
		{212, Fahrenheit, Celsius, 100},
		{-40, Fahrenheit, Celsius, -40},
		{32, Fahrenheit, Kelvin, 273.15},
		{671.67, Rankine, Celsius, 100},
		{25, Celsius, Kelvin, 298.15},
		{0.5, Fraction, Percent, 50},
		{10, DegreeAfter, Degree, -10},
		{1, PSIGauge, KilopascalGauge, 6.894757},
	}
	for _, c := range cases {
		got, err := Convert(c.value, c.from, c.to)
		if err != nil {
			t.Errorf("%v %s to %s: %v", c.value, c.from, c.to, err)
			continue
		}
		if math.Abs(got-c.want) > 1e-6*math.Max(1e-6, math.Abs(c.want)) && math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%v %s = %v %s, want %v", c.value, c.from, got, c.to, c.want)
		}
	}
}

// Power and torque curves in hp and lbf·ft cross at 5252 rpm: common practice, no source.
func TestPowerAndTorqueCross(t *testing.T) {
	omega := WattPerHorsepower / NewtonMetrePerPoundFt
	if got := omega / RadianPerSecondPerRPM; math.Abs(got-5252) > 0.2 {
		t.Errorf("cross at %v rpm, want 5252", got)
	}
}

func TestParseSpellings(t *testing.T) {
	cases := map[Unit][]string{
		PSI:             {"psi", "PSI", "psia", "psi abs", "lbf/in²"},
		PSIGauge:        {"psig", "PSIG", "psi(g)", "psi gauge", "gauge psi", "psi rel"},
		Bar:             {"bar", "Bar", "bara", "bar abs", "bar(a)"},
		BarGauge:        {"barg", "bar g", "bar gauge"},
		Kilopascal:      {"kPa", "KPA", "kpaa", "kPa absolute"},
		KilopascalGauge: {"kPag", "kPa (gauge)"},
		Hectopasc:       {"hPa"},
		Millibar:        {"mbar"},
		Megapascal:      {"MPa"},
		InchHg:          {"inHg", "in. Hg", "in-Hg", "\"Hg"},
		Celsius:         {"C", "°C", "deg C", "degC", "Celsius", "º C", "deg. C", "℃", "Â°C", "*C", "\ufffdC", "deg_C"},
		Fahrenheit:      {"°F", "F", "degF", "deg F", "℉", "Â°F", "*F"},
		LbPerMinute:     {"lb/min", "lbs/min", "lb per min"},
		GramPerSecond:   {"g/s", "g/sec", "grams/sec", "g·s⁻¹", "gm/s", "g_s"},
		KgPerHour:       {"kg/h", "kg/hr"},
		Percent:         {"%", "pct", "percent"},
		RPM:             {"rpm", "1/min", "min-1", "min^-1", "min⁻¹", "rev/min", "U/min"},
		Millisecond:     {"ms", "msec"},
		Microsecond:     {"µs", "us", "μs"},
		Second:          {"s", "sec", "Seconds"},
		KmPerHour:       {"km/h", "kph", "KMH", "km_h"},
		MilePerHour:     {"mph", "mi/h"},
		NewtonMetre:     {"Nm", "N·m", "N-m", "N.m", "N m"},
		PoundFoot:       {"lb-ft", "ft-lb", "lb·ft", "lbf·ft", "ft.lbs", "lb ft"},
		AFR:             {"AFR", "A/F"},
		LambdaUnit:      {"lambda", "λ", "Lambda"},
		Phi:             {"phi", "equivalence ratio"},
		Degree:          {"deg", "°", "degrees", "° BTDC", "°CA", "deg CA", "*", "Â°"},
		DegreeAfter:     {"deg ATDC", "°ATDC"},
		Volt:            {"V", "volts"},
		CCPerMinute:     {"cc/min", "cm³/min"},
		One:             {"-", "1", "gear"},
	}
	for want, names := range cases {
		for _, name := range names {
			if got, err := Parse(name); err != nil || got != want {
				t.Errorf("Parse(%q) = %q, %v, want %q", name, got, err, want)
			}
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, name := range []string{"", " ", "()", "furlong", "kPa/s/s", "Gpa", "banana", "psi psi"} {
		if u, err := Parse(name); err == nil {
			t.Errorf("Parse(%q) = %q, want an error", name, u)
		}
	}
}

func TestParseMarked(t *testing.T) {
	for name, want := range map[string]bool{"psi": false, "psia": true, "psig": true, "bar abs": true, "°C": false} {
		if _, marked, err := ParseMarked(name); err != nil || marked != want {
			t.Errorf("ParseMarked(%q) marked = %v, %v, want %v", name, marked, err, want)
		}
	}
}

func TestQuantitiesDoNotMix(t *testing.T) {
	cases := []struct {
		from, to Unit
		say      string
	}{
		{PSIGauge, Kilopascal, "barometric"},
		{Kilopascal, BarGauge, "barometric"},
		{AFR, LambdaUnit, "stoichiometric"},
		{Phi, LambdaUnit, "equivalence"},
		{Celsius, Kilopascal, "temperature"},
		{"furlong", Metre, "not known"},
		{Metre, "furlong", "not known"},
	}
	for _, c := range cases {
		if v, err := Convert(1, c.from, c.to); err == nil || !strings.Contains(err.Error(), c.say) || !math.IsNaN(v) {
			t.Errorf("Convert(1, %s, %s) = %v, %v; want NaN and an error about %q", c.from, c.to, v, err, c.say)
		}
	}
}

// Only pressures have a gauge and an absolute twin.
func TestTwins(t *testing.T) {
	if PSI.Gauge() != PSIGauge || PSIGauge.Absolute() != PSI || Celsius.Gauge() != Celsius || Bar.Absolute() != Bar {
		t.Error("a twin is missing, or one too many")
	}
}

func TestEveryUnitParsesItsOwnName(t *testing.T) {
	for u := range forms {
		if got, err := Parse(string(u)); err != nil || got != u {
			t.Errorf("Parse(%q) = %q, %v", u, got, err)
		}
		if u.Quantity() == Pressure && (!u.Gauge().Known() || u.Gauge().Absolute() != u) {
			t.Errorf("%q has no gauge twin", u)
		}
	}
}

func TestEverySpellingIsNormalised(t *testing.T) {
	for key, u := range spellings {
		if normalise(key) != key {
			t.Errorf("key %q can never match: it normalises to %q", key, normalise(key))
		}
		if !u.Known() {
			t.Errorf("key %q names unit %q, which is not in the table", key, u)
		}
	}
}

func TestConvertRoundTrips(t *testing.T) {
	peers := map[Quantity][]Unit{}
	var quantities []Quantity
	for _, u := range sortedUnits() {
		if peers[u.Quantity()] == nil {
			quantities = append(quantities, u.Quantity())
		}
		peers[u.Quantity()] = append(peers[u.Quantity()], u)
	}
	rapid.Check(t, func(t *rapid.T) {
		same := peers[rapid.SampledFrom(quantities).Draw(t, "quantity")]
		a, b := rapid.SampledFrom(same).Draw(t, "a"), rapid.SampledFrom(same).Draw(t, "b")
		v := rapid.Float64Range(-1e4, 1e4).Draw(t, "v")
		there, err := Convert(v, a, b)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Convert(there, b, a)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(back-v) > 1e-7*math.Max(1, math.Abs(v)) {
			t.Fatalf("%v %s came back as %v from %s", v, a, back, b)
		}
	})
}

func sortedUnits() []Unit {
	units := make([]Unit, 0, len(forms))
	for u := range forms {
		units = append(units, u)
	}
	slices.Sort(units)
	return units
}
