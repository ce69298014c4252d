package header

import (
	"strings"
	"testing"

	"headroom/models/channel"
	"headroom/models/unit"
)

// used is the confidence from which a column is used.
const used = 0.6

// Headers as SAE J1979 describes its parameters (from memory) and as the trade writes them, with what they name; ""
// is none of the channels.
func TestMatch(t *testing.T) {
	for header, want := range map[string]channel.ID{
		"Engine RPM":                        channel.EngineSpeed,
		"engineSpeed":                       channel.EngineSpeed,
		"Speed, Engine [1/min]":             channel.EngineSpeed,
		"Vehicle Speed Sensor (km/h)":       channel.VehicleSpeed,
		"mph":                               channel.VehicleSpeed,
		"Calculated LOAD Value":             channel.CalculatedLoad,
		"Absolute Load Value (%)":           channel.AbsoluteLoad,
		"Intake Manifold Absolute Pressure": channel.ManifoldPressure,
		"MAP_kPa":                           channel.ManifoldPressure,
		"Boost Target (psi)":                channel.ManifoldPressureTarget,
		// SAE J1979's description of PID 0x0E, with and without its last word
		"Ignition Timing Advance for #1":          channel.SparkAdvance,
		"Ignition Timing Advance for #1 Cylinder": channel.SparkAdvance,
		"Ignition Timing Advance for #2 Cylinder": "",
		"Ignition Advance Cyl 1 (deg)":            "",
		"Ignition Timing Advance":                 channel.SparkAdvance,
		"Commanded Equivalence Ratio":             channel.LambdaCommanded,
		"AFR Commanded":                           channel.LambdaCommanded,
		"Coolent Temp (°C)":                       channel.CoolantTemperature,
		"Transmission Oil Temperature":            "",
		"Oil Temp":                                channel.OilTemperature,
		"Catalyst Temperature Bank 1 Sensor 1":    channel.CatalystTemperature,
		"EGT Cyl 3":                               "",
		"Knock Retard Cyl 3 (deg)":                channel.KnockRetard,
		"Short Term Fuel Trim - Bank 2":           channel.ShortTermTrim,
		"Coolant Temperature (psi)":               channel.CoolantTemperature,
		// and its unit is refused when it is read
		"Window Position": "",
		// words and unit together
		"Manifold [kPa]":                   channel.ManifoldPressure,
		"Charge air [C]":                   channel.ChargeTemperature,
		"Retard [deg]":                     channel.KnockRetard,
		"Inj ms":                           channel.InjectorPulse,
		"A/F 1 ratio (AFR)":                channel.Lambda,
		"target fuel (AFR)":                channel.LambdaCommanded,
		"knock feedback":                   channel.KnockRetard,
		"knock learned":                    channel.KnockRetardLearned,
		"PW (ms)":                          channel.InjectorPulse,
		"Advance (deg)":                    channel.SparkAdvance,
		"Duty Cycle (%)":                   channel.InjectorDuty, // where its values say so
		"Boost Target Absolute (kPa)":      channel.ManifoldPressureTarget,
		"mass_air_flow_g_s":                channel.MassAirFlow,
		"Engine Coolant Temperature [Â°C]": channel.CoolantTemperature,
		"Coolant Temperature (bank 1) [℃]": channel.CoolantTemperature,
		"MAP (kPa) (1)":                    channel.ManifoldPressure,
		"enginespeed":                      channel.EngineSpeed,
		"oiltemp_C":                        channel.OilTemperature,
		"SHRTFT1 (%)":                      channel.ShortTermTrim,
		"CATEMP12 (°C)":                    channel.CatalystTemperature,
		"Quux manifold pressure (kPa)":     channel.ManifoldPressure,
		"Quux manifold pressure":           "",
		"Quux oil temp (°C)":               "",
		"Quux shaft speed (rpm)":           "",
		"Turbine speed (rpm)":              "",
		"AFR error (AFR)":                  "",
		"Lambda correction (%)":            "",
		"Exhaust manifold pressure (kPa)":  "",
		"Crankcase pressure (kPa)":         "",
		"Compressor inlet temperature (C)": "",
		"Intercooler inlet temp (C)":       "",
		"Injector dwell (ms)":              "",
		"Injector dead time (ms)":          "",
		"Ignition retard limit (deg)":      "",
		"Boost error (kPa)":                "",
		"Battery voltage correction":       "",
		"Batery fctor":                     "",
		"Ignition dwell (ms)":              "",
		"Knock count":                      "",
		"Knock sensor voltage (V)":         "",
		"Estimated torque (Nm)":            "",
		"Torque at the wheels (Nm)":        "",
		"Fuel flow (g/s)":                  "",
		"EGR mass flow (g/s)":              "",
		"Idle valve duty (%)":              "",
		"Fuel pump duty cycle (%)":         "",
		"Throttle voltage (V)":             "",
		"":                                 "",
	} {
		var got channel.ID
		claims := Match(header, "")
		if len(claims) > 0 && claims[0].Confidence >= used {
			got = claims[0].Channel
		}
		if got != want {
			t.Errorf("%q names %q, want %q: %+v", header, got, want, claims)
		}
		for i, c := range claims {
			if c.Confidence <= 0 || c.Confidence > 1 || c.Why == "" || i > 0 && c.Confidence > claims[i-1].Confidence {
				t.Errorf("%q: claim %+v", header, c)
			}
		}
	}
}

// What a claim carries besides the channel.
func TestClaims(t *testing.T) {
	if c := Match("Knock Retard Cyl 3 (deg)", "")[0]; c.Cylinder != 3 || c.Unit.Unit != unit.Degree {
		t.Errorf("%+v", c)
	}
	if c := Match("Boost", "psi")[0]; !c.Gauge || c.Unit.Text != "psi" || c.Unit.Marked {
		t.Errorf("%+v", c)
	}
	if c := Match("Boost absolute pressure (kPa abs)", "")[0]; c.Gauge || !c.Unit.Marked {
		t.Errorf("%+v", c)
	}
	if c := Match("Commanded Equivalence Ratio", "")[0]; !c.Equivalence || c.AirFuel || c.Stated {
		t.Errorf("%+v", c)
	}
	if c := Match("Air/Fuel Ratio", "")[0]; c.Equivalence || !c.AirFuel {
		t.Errorf("%+v", c)
	}
	if c := Match("Coolent Temp", "")[0]; !strings.Contains(c.Why, `"coolent" read as "coolant"`) || c.Confidence >= 1 {
		t.Errorf("%+v", c)
	}
}

// A user's word needs no match; the unit is the user's, else one in the header that fits.
func TestStated(t *testing.T) {
	c := Stated(channel.ManifoldPressure, "psi gauge", "Sensor A", "", "line 3")
	if !c.Stated || c.Channel != channel.ManifoldPressure || c.Unit.Unit != unit.PSIGauge || c.Confidence != 1 ||
		c.Why != "line 3" {
		t.Errorf("%+v", c)
	}
	if c := Stated(channel.CoolantTemperature, "", "Sensor A F", "", ""); c.Unit.Unit != unit.Fahrenheit {
		t.Errorf("%+v", c)
	}
	if c := Stated(channel.EngineSpeed, "", "Sensor A", "rpm", ""); c.Unit.Unit != unit.RPM {
		t.Errorf("%+v", c)
	}
}

// Every name of the table means its own channel, outright where it is certain of it, and no two channels share one.
func TestSynonyms(t *testing.T) {
	type name struct {
		words  string
		beside unit.Quantity
	}
	beside := map[unit.Quantity]unit.Unit{unit.Pressure: unit.Kilopascal, unit.Temperature: unit.Celsius,
		unit.Angle: unit.Degree, unit.Ratio: unit.Percent, unit.AirFuelRatio: unit.AFR, unit.Time: unit.Millisecond,
		unit.MassFlow: unit.GramPerSecond, unit.RotationalSpeed: unit.RPM, unit.Speed: unit.KmPerHour,
		unit.Voltage: unit.Volt}
	seen := map[name]channel.ID{}
	for _, s := range synonyms {
		key := name{words: s.words}
		if len(s.beside) > 0 {
			key.beside = s.beside[0]
		}
		if other, ok := seen[key]; ok {
			t.Errorf("%q is both %s and %s", s.words, other, s.id)
		}
		seen[key] = s.id
		written := WrittenUnit{Name: s.words}
		if u := beside[key.beside]; u != "" {
			written.Text, written.Unit, written.Known = string(u), u, true
		}
		if s.confidence < used && s.note == "" {
			t.Errorf("%q is not certain and does not say why", s.words)
		}
		c, ok := s.match(Parse(s.words), written)
		if !ok || c.Channel != s.id {
			t.Errorf("%q does not match itself: %+v", s.words, c)
		}
		if best := Match(s.words, written.Text); s.words != "" && (len(best) == 0 || s.confidence >= 0.9 &&
			best[0].Channel != s.id) {
			t.Errorf("%q names %+v, want %s", s.words, best, s.id)
		}
	}
	for _, def := range channel.All() {
		if !Accepts(def.ID, def.Unit) {
			t.Errorf("%s does not accept its own unit", def.ID)
		}
	}
	if Accepts("no channel", unit.RPM) || Accepts(channel.EngineSpeed, unit.Kilopascal) ||
		!Accepts(channel.ManifoldPressure, unit.PSIGauge) || !Accepts(channel.Lambda, unit.AFR) {
		t.Error("units of other quantities")
	}
}

func TestUnits(t *testing.T) {
	for _, c := range []struct {
		header, row string
		name        string
		unit        unit.Unit // of the first way that has one
	}{
		{"Engine Speed (rpm)", "", "Engine Speed", unit.RPM},
		{"Boost [psi gauge]", "kPa", "Boost", unit.PSIGauge}, // the header wins over the units row
		{"Temp {°F}", "", "Temp", unit.Fahrenheit},
		{"MAP (kPa (abs))", "", "MAP", unit.Kilopascal},
		{"Speed", "km/h", "Speed", unit.KmPerHour},
		{"oil_temp_c", "", "oil_temp", unit.Celsius},
		{"throttle %", "", "throttle", unit.Percent},
		{"intakeTempF", "", "intakeTemp", unit.Fahrenheit},
		{"rpm", "", "rpm", unit.RPM},
		{"Remark", "", "", ""},
	} {
		name, u := "", unit.Unit("")
		for _, way := range Units(c.header, c.row) {
			if way.Known {
				name, u = way.Name, way.Unit
				break
			}
		}
		if name != c.name || u != c.unit {
			t.Errorf("%q under %q: %q in %q, want %q in %q", c.header, c.row, name, u, c.name, c.unit)
		}
	}
	if ways := Units("Speed", "furlongs"); len(ways) != 1 || ways[0].Known || ways[0].Text != "furlongs" {
		t.Errorf("%+v", ways)
	}
	if Fold(Base(" Time (s) local")) != "time local" || Base("Time") != "Time" {
		t.Errorf("%q, %q", Base(" Time (s) local"), Base("Time"))
	}
	if !ClockPattern("HH:MM:SS") || !ClockPattern("Date") || ClockPattern("s") {
		t.Error("clock patterns")
	}
}

func TestNames(t *testing.T) {
	for header, want := range map[string][2]bool{"Time": {true, true}, "Elapsed time since start": {true, true},
		"ENGINE_RUN_TINE": {true, true}, "ms": {true, true}, "Log date": {true, true}, "run": {true, false},
		"Injection Time": {}, "": {}, "Sample": {true, false}} {
		if only, named := Parse(header).Time(); only != want[0] || named != want[1] {
			t.Errorf("%q: only %v, named %v, want %v", header, only, named, want)
		}
	}
	for header, want := range map[string]bool{"Sample": true, "Row No.": true, "Index": true, "Sample time": false,
		"": false} {
		if Parse(header).CountsSamples() != want {
			t.Errorf("%q counts samples: %v", header, !want)
		}
	}
	if n := Parse("O2 Sensor 2 Bank 1 Voltage 7"); n.sensor != 2 || n.bank != 1 || n.number != 7 || !n.Has("oxygen") {
		t.Errorf("%+v", n)
	}
	if Fold("  Engine   SPEED ") != "engine speed" {
		t.Errorf("%q", Fold("  Engine   SPEED "))
	}
}

// Place and identity must never be read.
func TestPrivate(t *testing.T) {
	for _, header := range []string{"Latitude", "GPS Speed (km/h)", "longitude", "Long", "lat", "altitude (m)",
		"Heading", "VIN", "Driver Name", "Owner", "licence plate", "License Plate Number", "gnss_fix",
		"Customer", "plate number", "Lattitude", "Longtitude (deg)", "latitute", "Longitued", "Alttitude"} {
		if Private(header) == "" {
			t.Errorf("%q is read", header)
		}
	}
	for _, header := range []string{"Lateral acceleration (g)", "Lat G", "long term fuel trim", "throttle plate angle",
		"Engine Speed", "", "longitudinal acceleration", "Lat Acceleration", "Attitude"} {
		if why := Private(header); why != "" {
			t.Errorf("%q is not read: %s", header, why)
		}
	}
}

// One keystroke: an insertion, deletion, replacement or swap of neighbours (Damerau 1964).
func TestSpelling(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want bool
	}{{"coolant", "coolent", true}, {"coolant", "colant", true}, {"coolant", "coolantt", true},
		{"coolant", "coolatn", true}, {"coolant", "coolant", false}, {"coolant", "colent", false}, {"ab", "ba", true},
		{"a", "", true}, {"boost", "roast", false}} {
		if oneEdit(c.a, c.b) != c.want || oneEdit(c.b, c.a) != c.want {
			t.Errorf("%q and %q are one keystroke apart: %v", c.a, c.b, !c.want)
		}
	}
	for token, want := range map[string]string{"presure": "pressure", "tempreature": "temperature", "rpn": "",
		"λλλλ": "", "xyzzy": ""} {
		if got := nearWord(token); got != want {
			t.Errorf("%q is read as %q, want %q", token, got, want)
		}
	}
}
