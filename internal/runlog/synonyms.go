package runlog

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"headroom/models/channel"
	"headroom/models/unit"
)

// synonym is one way the trade or SAE J1979 names a channel: a set of words in any order.
type synonym struct {
	id         channel.ID
	words      string
	confidence float64
	note       string // why it is not certain, or what it stands in for
	gauge      bool   // the trade means pressure above the surroundings by this name unless marked
}

// synonyms holds trade words and SAE J1979 parameter descriptions only.
var synonyms = []synonym{
	{id: channel.EngineSpeed, words: "rpm", confidence: 1},
	{id: channel.EngineSpeed, words: "engine rpm", confidence: 1},
	{id: channel.EngineSpeed, words: "engine speed", confidence: 1},
	{id: channel.EngineSpeed, words: "engine speed rpm", confidence: 1},
	{id: channel.EngineSpeed, words: "crankshaft speed", confidence: 0.95},
	{id: channel.EngineSpeed, words: "engine revolutions", confidence: 0.9},

	{id: channel.VehicleSpeed, words: "vehicle speed", confidence: 1},
	{id: channel.VehicleSpeed, words: "road speed", confidence: 0.95},
	{id: channel.VehicleSpeed, words: "car speed", confidence: 0.95},
	{id: channel.VehicleSpeed, words: "speed", confidence: 0.85, note: "speed alone is taken as the vehicle's"},

	{id: channel.Gear, words: "gear", confidence: 1},
	{id: channel.Gear, words: "gear position", confidence: 0.95},
	{id: channel.Gear, words: "transmission gear", confidence: 0.95},
	{id: channel.Gear, words: "engaged gear", confidence: 0.95},

	{id: channel.ThrottlePosition, words: "throttle", confidence: 0.95},
	{id: channel.ThrottlePosition, words: "throttle position", confidence: 1},
	{id: channel.ThrottlePosition, words: "absolute throttle position", confidence: 1},
	{id: channel.ThrottlePosition, words: "throttle angle", confidence: 0.9},
	{id: channel.ThrottlePosition, words: "throttle opening", confidence: 0.95},
	{id: channel.ThrottlePosition, words: "throttle plate", confidence: 0.9},
	{id: channel.ThrottlePosition, words: "throttle plate position", confidence: 0.95},
	{id: channel.ThrottlePosition, words: "throttle plate angle", confidence: 0.9},
	{id: channel.ThrottlePosition, words: "throttle valve position", confidence: 0.95},
	{id: channel.ThrottlePosition, words: "relative throttle position", confidence: 0.7,
		note: "relative to the learned closed stop (SAE J1979 PID 0x45)"},
	{id: channel.ThrottlePosition, words: "absolute throttle b", confidence: 0.55,
		note: "second throttle sensor (SAE J1979 PID 0x47), often on another scale"},
	{id: channel.ThrottlePosition, words: "absolute throttle position b", confidence: 0.55,
		note: "second throttle sensor (SAE J1979 PID 0x47), often on another scale"},
	{id: channel.ThrottlePosition, words: "throttle position b", confidence: 0.55,
		note: "second throttle sensor (SAE J1979 PID 0x47), often on another scale"},

	{id: channel.PedalPosition, words: "accelerator pedal position", confidence: 1},
	{id: channel.PedalPosition, words: "accelerator pedal", confidence: 1},
	{id: channel.PedalPosition, words: "accelerator position", confidence: 0.95},
	{id: channel.PedalPosition, words: "accelerator", confidence: 0.7},
	{id: channel.PedalPosition, words: "pedal position", confidence: 0.95},
	{id: channel.PedalPosition, words: "pedal", confidence: 0.85},
	{id: channel.PedalPosition, words: "pedal d", confidence: 0.8, note: "first accelerator sensor (SAE J1979 PID " +
		"0x49)"},
	{id: channel.PedalPosition, words: "accelerator pedal position d", confidence: 0.95,
		note: "first accelerator sensor (SAE J1979 PID 0x49)"},
	{id: channel.PedalPosition, words: "pedal e", confidence: 0.7, note: "second accelerator sensor (SAE J1979 PID " +
		"0x4A), often on another scale"},
	{id: channel.PedalPosition, words: "accelerator pedal position e", confidence: 0.7,
		note: "second accelerator sensor (SAE J1979 PID 0x4A), often on another scale"},
	{id: channel.PedalPosition, words: "relative accelerator pedal position", confidence: 0.75,
		note: "relative to the learned rest (SAE J1979 PID 0x5A)"},

	{id: channel.CalculatedLoad, words: "calculated load", confidence: 1},
	{id: channel.CalculatedLoad, words: "calculated engine load", confidence: 1},
	{id: channel.CalculatedLoad, words: "engine load", confidence: 0.85,
		note: "engine load without another word is SAE J1979's calculated load value"},
	{id: channel.CalculatedLoad, words: "load", confidence: 0.65, note: "load without another word is taken as SAE " +
		"J1979's calculated load value"},
	{id: channel.AbsoluteLoad, words: "absolute load", confidence: 1},
	{id: channel.AbsoluteLoad, words: "absolute engine load", confidence: 1},

	{id: channel.MassAirFlow, words: "mass air flow", confidence: 1},
	{id: channel.MassAirFlow, words: "mass air flow rate", confidence: 1},
	{id: channel.MassAirFlow, words: "air mass flow", confidence: 1},
	{id: channel.MassAirFlow, words: "air flow", confidence: 0.85},
	{id: channel.MassAirFlow, words: "air flow rate", confidence: 0.9},
	{id: channel.MassAirFlow, words: "intake air flow", confidence: 0.85},
	{id: channel.MassAirFlow, words: "air mass", confidence: 0.7},

	{id: channel.ManifoldPressure, words: "manifold absolute pressure", confidence: 1},
	{id: channel.ManifoldPressure, words: "manifold pressure", confidence: 0.95},
	{id: channel.ManifoldPressure, words: "intake manifold pressure", confidence: 1},
	{id: channel.ManifoldPressure, words: "intake manifold absolute pressure", confidence: 1},
	{id: channel.ManifoldPressure, words: "intake pressure", confidence: 0.75},
	{id: channel.ManifoldPressure, words: "manifold gauge pressure", confidence: 0.95, gauge: true},
	{id: channel.ManifoldPressure, words: "manifold relative pressure", confidence: 0.95, gauge: true},
	{id: channel.ManifoldPressure, words: "boost", confidence: 0.85, gauge: true,
		note: "boost is manifold pressure above the surroundings"},
	{id: channel.ManifoldPressure, words: "boost pressure", confidence: 0.85, gauge: true,
		note: "boost is manifold pressure above the surroundings"},
	{id: channel.ManifoldPressure, words: "manifold boost pressure", confidence: 0.85, gauge: true,
		note: "boost is manifold pressure above the surroundings"},
	{id: channel.ManifoldPressure, words: "boost absolute pressure", confidence: 0.85},

	{id: channel.BarometricPressure, words: "barometric", confidence: 0.95},
	{id: channel.BarometricPressure, words: "barometric pressure", confidence: 1},
	{id: channel.BarometricPressure, words: "absolute barometric pressure", confidence: 1},
	{id: channel.BarometricPressure, words: "atmospheric pressure", confidence: 0.95},
	{id: channel.BarometricPressure, words: "ambient pressure", confidence: 0.95},
	{id: channel.BarometricPressure, words: "ambient air pressure", confidence: 0.95},
	{id: channel.BarometricPressure, words: "barometer", confidence: 0.95},

	{id: channel.WastegateDuty, words: "wastegate duty", confidence: 1},
	{id: channel.WastegateDuty, words: "wastegate duty cycle", confidence: 1},
	{id: channel.WastegateDuty, words: "wastegate solenoid duty cycle", confidence: 1},
	{id: channel.WastegateDuty, words: "wastegate solenoid duty", confidence: 1},
	{id: channel.WastegateDuty, words: "boost control duty", confidence: 0.9},
	{id: channel.WastegateDuty, words: "boost control duty cycle", confidence: 0.9},
	{id: channel.WastegateDuty, words: "boost solenoid duty", confidence: 0.9},
	{id: channel.WastegateDuty, words: "boost solenoid duty cycle", confidence: 0.9},
	{id: channel.WastegateDuty, words: "wastegate", confidence: 0.55, note: "position or duty is not said"},
	{id: channel.WastegateDuty, words: "wastegate position", confidence: 0.5, note: "a position is not a duty"},

	{id: channel.ChargeTemperature, words: "charge temperature", confidence: 1},
	{id: channel.ChargeTemperature, words: "charge air temperature", confidence: 1},
	{id: channel.ChargeTemperature, words: "air charge temperature", confidence: 1},
	{id: channel.ChargeTemperature, words: "intake manifold temperature", confidence: 1},
	{id: channel.ChargeTemperature, words: "intake manifold air temperature", confidence: 1},
	{id: channel.ChargeTemperature, words: "manifold air temperature", confidence: 1},
	{id: channel.ChargeTemperature, words: "manifold temperature", confidence: 0.95},
	{id: channel.ChargeTemperature, words: "charge air cooler temperature", confidence: 0.9},
	{id: channel.ChargeTemperature, words: "intercooler outlet temperature", confidence: 0.9},
	{id: channel.ChargeTemperature, words: "intake air temperature", confidence: 0.85,
		note: "intake air temperature stands in for the temperature of the charge: right where the sensor sits " +
			"behind the charge cooler or the engine breathes naturally"},
	{id: channel.ChargeTemperature, words: "intake temperature", confidence: 0.75,
		note: "intake temperature stands in for the temperature of the charge"},
	{id: channel.ChargeTemperature, words: "inlet air temperature", confidence: 0.8,
		note: "inlet air temperature stands in for the temperature of the charge"},
	{id: channel.ChargeTemperature, words: "air temperature", confidence: 0.55, note: "which air is not said"},
	{id: channel.AmbientTemperature, words: "ambient temperature", confidence: 1},
	{id: channel.AmbientTemperature, words: "ambient air temperature", confidence: 1},
	{id: channel.AmbientTemperature, words: "outside temperature", confidence: 1},
	{id: channel.AmbientTemperature, words: "outside air temperature", confidence: 1},
	{id: channel.CoolantTemperature, words: "coolant temperature", confidence: 1},
	{id: channel.CoolantTemperature, words: "engine coolant temperature", confidence: 1},
	{id: channel.CoolantTemperature, words: "engine coolant", confidence: 0.8},
	{id: channel.CoolantTemperature, words: "coolant", confidence: 0.75},
	{id: channel.CoolantTemperature, words: "water temperature", confidence: 0.95},
	{id: channel.CoolantTemperature, words: "engine temperature", confidence: 0.55, note: "coolant or oil is not said"},
	{id: channel.OilTemperature, words: "oil temperature", confidence: 1},
	{id: channel.OilTemperature, words: "engine oil temperature", confidence: 1},
	{id: channel.ExhaustTemperature, words: "exhaust gas temperature", confidence: 1},
	{id: channel.ExhaustTemperature, words: "exhaust temperature", confidence: 1},
	{id: channel.CatalystTemperature, words: "catalyst temperature", confidence: 1},
	{id: channel.CatalystTemperature, words: "catalytic converter temperature", confidence: 1},

	{id: channel.SparkAdvance, words: "spark advance", confidence: 1},
	{id: channel.SparkAdvance, words: "spark angle", confidence: 0.95},
	{id: channel.SparkAdvance, words: "spark timing", confidence: 0.95},
	{id: channel.SparkAdvance, words: "spark", confidence: 0.8},
	{id: channel.SparkAdvance, words: "ignition advance", confidence: 1},
	{id: channel.SparkAdvance, words: "ignition angle", confidence: 0.95},
	{id: channel.SparkAdvance, words: "ignition timing", confidence: 0.95},
	{id: channel.SparkAdvance, words: "ignition timing advance", confidence: 1},
	{id: channel.SparkAdvance, words: "spark timing advance", confidence: 1},
	{id: channel.SparkAdvance, words: "timing advance", confidence: 0.95},
	{id: channel.SparkAdvance, words: "ignition", confidence: 0.65},
	{id: channel.SparkAdvance, words: "timing", confidence: 0.75},

	{id: channel.KnockRetard, words: "knock retard", confidence: 1},
	{id: channel.KnockRetard, words: "knock retard total", confidence: 1},
	{id: channel.KnockRetard, words: "knock timing retard", confidence: 1},
	{id: channel.KnockRetard, words: "knock ignition retard", confidence: 1},
	{id: channel.KnockRetard, words: "knock spark retard", confidence: 1},
	{id: channel.KnockRetard, words: "knock control retard", confidence: 1},
	{id: channel.KnockRetard, words: "knock correction", confidence: 0.75},
	{id: channel.KnockRetard, words: "knock ignition correction", confidence: 0.75},
	{id: channel.KnockRetard, words: "ignition retard", confidence: 0.55, note: "whether knock caused it is not said"},
	{id: channel.KnockRetard, words: "timing retard", confidence: 0.55, note: "whether knock caused it is not said"},
	{id: channel.KnockRetard, words: "spark retard", confidence: 0.55, note: "whether knock caused it is not said"},
	{id: channel.KnockRetard, words: "knock", confidence: 0.5, note: "retard, level or count is not said"},
	{id: channel.KnockRetardLearned, words: "learned knock retard", confidence: 1},
	{id: channel.KnockRetardLearned, words: "learned knock correction", confidence: 0.75},
	{id: channel.KnockRetardLearned, words: "long term knock retard", confidence: 0.9},

	{id: channel.Lambda, words: "lambda", confidence: 1},
	{id: channel.Lambda, words: "wideband lambda", confidence: 1},
	{id: channel.Lambda, words: "exhaust lambda", confidence: 0.95},
	{id: channel.Lambda, words: "wideband", confidence: 0.8},
	{id: channel.Lambda, words: "wideband oxygen", confidence: 0.8},
	{id: channel.Lambda, words: "afr", confidence: 1},
	{id: channel.Lambda, words: "wideband afr", confidence: 1},
	{id: channel.Lambda, words: "air fuel ratio", confidence: 1},
	{id: channel.Lambda, words: "wideband air fuel ratio", confidence: 1},
	{id: channel.Lambda, words: "equivalence ratio", confidence: 0.8},
	{id: channel.Lambda, words: "fuel air equivalence ratio", confidence: 0.8},

	{id: channel.ShortTermTrim, words: "short term fuel trim", confidence: 1},
	{id: channel.ShortTermTrim, words: "short term trim", confidence: 0.95},
	{id: channel.ShortTermTrim, words: "short fuel trim", confidence: 0.95},
	{id: channel.LongTermTrim, words: "long term fuel trim", confidence: 1},
	{id: channel.LongTermTrim, words: "long term trim", confidence: 0.95},
	{id: channel.LongTermTrim, words: "long fuel trim", confidence: 0.95},

	{id: channel.InjectorPulse, words: "injector pulse width", confidence: 1},
	{id: channel.InjectorPulse, words: "injector pulse", confidence: 0.95},
	{id: channel.InjectorPulse, words: "injection pulse width", confidence: 1},
	{id: channel.InjectorPulse, words: "injection time", confidence: 0.95},
	{id: channel.InjectorPulse, words: "injector time", confidence: 0.9},
	{id: channel.InjectorPulse, words: "injector on time", confidence: 0.95},
	{id: channel.InjectorPulse, words: "injection duration", confidence: 0.95},
	{id: channel.InjectorPulse, words: "injector opening time", confidence: 0.95},
	{id: channel.InjectorPulse, words: "fuel pulse width", confidence: 0.9},
	{id: channel.InjectorDuty, words: "injector duty", confidence: 1},
	{id: channel.InjectorDuty, words: "injector duty cycle", confidence: 1},
	{id: channel.InjectorDuty, words: "injection duty cycle", confidence: 0.95},
	{id: channel.InjectorDuty, words: "fuel injector duty cycle", confidence: 1},

	{id: channel.RailPressure, words: "fuel rail pressure", confidence: 1},
	{id: channel.RailPressure, words: "rail pressure", confidence: 1},
	{id: channel.RailPressure, words: "fuel rail absolute pressure", confidence: 1},
	{id: channel.RailPressure, words: "fuel rail gauge pressure", confidence: 1, gauge: true},
	{id: channel.RailPressure, words: "high pressure fuel", confidence: 0.75},
	{id: channel.RailPressure, words: "fuel pressure", confidence: 0.5, note: "rail or supply side is not said"},

	{id: channel.EthanolShare, words: "ethanol", confidence: 0.95},
	{id: channel.EthanolShare, words: "ethanol content", confidence: 1},
	{id: channel.EthanolShare, words: "ethanol share", confidence: 1},
	{id: channel.EthanolShare, words: "ethanol concentration", confidence: 1},
	{id: channel.EthanolShare, words: "ethanol fuel", confidence: 0.95},
	{id: channel.EthanolShare, words: "fuel ethanol content", confidence: 1},
	{id: channel.EthanolShare, words: "flex fuel content", confidence: 0.9},
	{id: channel.EthanolShare, words: "flex fuel ethanol content", confidence: 1},
	{id: channel.EthanolShare, words: "alcohol fuel", confidence: 0.8},

	{id: channel.IntakeCam, words: "intake cam position", confidence: 0.9},
	{id: channel.IntakeCam, words: "intake cam angle", confidence: 0.9},
	{id: channel.IntakeCam, words: "intake cam advance", confidence: 1},
	{id: channel.IntakeCam, words: "intake cam advance angle", confidence: 1},
	{id: channel.IntakeCam, words: "intake cam", confidence: 0.85},
	{id: channel.ExhaustCam, words: "exhaust cam advance", confidence: 1},
	{id: channel.ExhaustCam, words: "exhaust cam position", confidence: 0.85, note: "advance is taken as positive"},
	{id: channel.ExhaustCam, words: "exhaust cam angle", confidence: 0.85, note: "advance is taken as positive"},
	{id: channel.ExhaustCam, words: "exhaust cam", confidence: 0.8, note: "advance is taken as positive"},

	{id: channel.Torque, words: "torque", confidence: 0.85, note: "whether measured or modelled is not said"},
	{id: channel.Torque, words: "engine torque", confidence: 0.9, note: "whether measured or modelled is not said"},
	{id: channel.Torque, words: "brake torque", confidence: 1},
	{id: channel.Torque, words: "engine brake torque", confidence: 1},

	{id: channel.ModuleVoltage, words: "control module voltage", confidence: 1},
	{id: channel.ModuleVoltage, words: "module voltage", confidence: 1},
	{id: channel.ModuleVoltage, words: "battery voltage", confidence: 0.95},
	{id: channel.ModuleVoltage, words: "system voltage", confidence: 0.95},
	{id: channel.ModuleVoltage, words: "supply voltage", confidence: 0.9},
	{id: channel.ModuleVoltage, words: "battery", confidence: 0.85},
	{id: channel.FuelLevel, words: "fuel level", confidence: 1},
	{id: channel.FuelLevel, words: "fuel tank level", confidence: 1},
	{id: channel.FuelLevel, words: "fuel tank", confidence: 0.8},
}

// targets maps a channel to the one that holds what its controller asks for.
var targets = map[channel.ID]channel.ID{
	channel.ManifoldPressure: channel.ManifoldPressureTarget,
	channel.Lambda:           channel.LambdaCommanded,
	channel.SparkAdvance:     channel.SparkCommanded,
	channel.RailPressure:     channel.RailPressureTarget,
	channel.WastegateDuty:    channel.WastegateDuty, // a duty is a command anyhow
}

// banked channels may name a bank, a sensor or a number.
var banked = map[channel.ID]bool{
	channel.ShortTermTrim: true, channel.LongTermTrim: true, channel.Lambda: true, channel.LambdaCommanded: true,
	channel.ExhaustTemperature: true, channel.CatalystTemperature: true, channel.IntakeCam: true,
	channel.ExhaustCam: true,
}

// threshold is the confidence below which a column is left out.
const threshold = 0.6

// claim is one reading of a header: a channel, and the unit written with it.
type claim struct {
	id         channel.ID
	confidence float64
	why        string
	unit       headerUnit
	gauge      bool // the name means gauge pressure
	phi        bool // the name says equivalence ratio
	afr        bool // the name says air–fuel ratio
	cylinder   int
	mapped     bool // by the user's channel map: what it states outright is not overruled
}

// matchHeader returns the readings of a header, best first: one a channel.
func matchHeader(header, unitsRow string) []claim {
	best := map[channel.ID]claim{}
	for _, way := range cutUnits(header, unitsRow) {
		n := parseName(way.name)
		for _, s := range synonyms {
			c, ok := s.match(n, way)
			if ok && c.confidence > best[c.id].confidence {
				best[c.id] = c
			}
		}
		if way.unit.Quantity() == unit.Speed && way.text == way.name && best[channel.VehicleSpeed].confidence < 0.8 {
			best[channel.VehicleSpeed] = claim{id: channel.VehicleSpeed, confidence: 0.8, unit: way,
				why: "a column headed only by a unit of road speed"}
		}
	}
	claims := make([]claim, 0, len(best))
	for _, c := range best {
		claims = append(claims, c)
	}
	sort.Slice(claims, func(i, j int) bool {
		if claims[i].confidence != claims[j].confidence {
			return claims[i].confidence > claims[j].confidence
		}
		return channel.Order(claims[i].id) < channel.Order(claims[j].id)
	})
	return claims
}

// match scores a header's words against the synonym. Every word of the synonym must be there; a further word that is
// not neutral costs so much that the claim falls below the threshold.
func (s synonym) match(n name, way headerUnit) (claim, bool) {
	want := strings.Fields(s.words)
	for _, w := range want {
		if !n.has(w) {
			return claim{}, false
		}
	}
	id, confidence := s.id, s.confidence
	var extra []string
	for _, w := range n.words {
		switch {
		case slices.Contains(want, w) || neutral[w]:
		case w == "target" && targets[s.id] != "":
			id = targets[s.id]
		case (w == "engine" || w == "rpm") && s.id == channel.EngineSpeed, w == "engine" &&
			s.id != channel.CalculatedLoad:
		case w == "fuel" && way.unit == unit.LambdaUnit:
		case w == "air" && n.has("fuel") && n.has("equivalence"):
		default:
			extra = append(extra, w)
		}
	}
	confidence -= 0.45 * float64(len(extra))
	penalty, why := qualify(id, n)
	confidence -= penalty
	if way.known && !acceptsUnit(id, way.unit) {
		if way.text == way.name || !sameBracket(way) {
			confidence -= 0.5 // a unit cut off the end of the name that does not fit was part of the name
		}
	}
	if n.respelled != "" {
		confidence -= 0.1
	}
	if confidence <= 0 {
		return claim{}, false
	}
	c := claim{id: id, confidence: confidence, unit: way, cylinder: n.cylinder,
		gauge: s.gauge && !n.has("absolute"), phi: n.has("equivalence"), afr: n.has("afr") || n.has("fuel") &&
			n.has("air") && !n.has("equivalence")}
	c.why = describeMatch(s, n, extra, why)
	return c, true
}

// sameBracket reports whether the unit was set apart by brackets or a units row, not cut off the name.
func sameBracket(way headerUnit) bool {
	return !strings.HasSuffix(way.name, way.text) && way.text != ""
}

// qualify prices bank, sensor, cylinder and bare numbers.
func qualify(id channel.ID, n name) (penalty float64, why string) {
	switch {
	case n.cylinder > 0 && id == channel.KnockRetard:
		return 0.05, fmt.Sprintf("cylinder %d", n.cylinder)
	case n.cylinder > 0:
		return 0.45, "one cylinder does not speak for the engine"
	case n.sensor > 1 && id == channel.Lambda:
		return 0.45, "a sensor behind the catalyst does not show the mixture"
	}
	if n.bank > 1 {
		penalty, why = penalty+0.15, fmt.Sprintf("bank %d", n.bank)
	}
	if n.sensor > 1 {
		penalty, why = penalty+0.2, strings.TrimSpace(why+fmt.Sprintf(" sensor %d", n.sensor))
	}
	if n.number > 1 {
		penalty, why = penalty+0.15, strings.TrimSpace(why+fmt.Sprintf(" number %d", n.number))
	}
	if (n.bank > 0 || n.number > 0) && !banked[id] {
		penalty, why = penalty+0.15, strings.TrimSpace(why+" a numbered one of several")
	}
	return penalty, why
}

func describeMatch(s synonym, n name, extra []string, qualifier string) string {
	why := fmt.Sprintf("named %q", s.words)
	if s.note != "" {
		why += ": " + s.note
	}
	if len(extra) > 0 {
		why += fmt.Sprintf("; but %q is said too, which makes it another quantity", strings.Join(extra, " "))
	}
	if qualifier != "" {
		why += "; " + qualifier
	}
	if n.respelled != "" {
		why += "; " + n.respelled
	}
	return why
}

// acceptsUnit reports whether a column of unit u can hold the channel, if need be after a conversion that needs more
// than a factor.
func acceptsUnit(id channel.ID, u unit.Unit) bool {
	d, ok := channel.Lookup(id)
	if !ok {
		return false
	}
	q := u.Quantity()
	switch d.Unit.Quantity() {
	case unit.Pressure:
		return q == unit.Pressure || q == unit.GaugePressure
	case unit.Lambda:
		return q == unit.Lambda || q == unit.AirFuelRatio || q == unit.EquivalenceRatio || u == unit.Fraction ||
			u == unit.One
	case unit.Ratio, unit.Count:
		return q == d.Unit.Quantity() || u == unit.One
	}
	return q == d.Unit.Quantity()
}

// timeWords may appear in the header of a time column.
var timeWords = wordSet(`
	time timestamp stamp elapsed clock date seconds milliseconds microseconds minutes s ms run engine log
	logging session recording record relative absolute local system utc since start offset of day the total
	sample device t timer test`)

// timeCore are the words of which a time column's header must have one.
var timeCore = wordSet("time timestamp elapsed clock date seconds milliseconds s ms t timer")

// privateHeader says why a column must not be read at all, or "".
func privateHeader(header string) string {
	words := parseName(header).words
	for _, w := range words {
		switch w {
		case "latitude", "longitude", "gps", "gnss", "geolocation", "coordinates", "coordinate", "altitude", "heading",
			"bearing":
			if slices.Contains(words, "acceleration") || slices.Contains(words, "g") && !slices.Contains(words, "gps") {
				continue
			}
			return "it tells where the car was"
		case "vin", "identification", "driver", "owner", "customer", "operator":
			return "it tells who or which car it was"
		}
	}
	if len(words) == 1 && words[0] == "long" {
		return "it tells where the car was"
	}
	if slices.Contains(words, "plate") && (slices.Contains(words, "license") || slices.Contains(words, "licence") ||
		slices.Contains(words, "number")) {
		return "it tells which car it was"
	}
	return ""
}

// indexWords are those of a header of a column that counts samples.
var indexWords = wordSet("sample samples index row record line number no counter count")
