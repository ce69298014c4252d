package hazard

import "headroom/models/channel"

// Always are the channels without which a log tells of no hazard: one of each line.
func Always() [][]channel.ID {
	return [][]channel.ID{{channel.EngineSpeed}, {channel.PedalPosition, channel.ThrottlePosition}}
}

// needs are, by hazard, the channels a log must hold to tell of it: one of each line, the usual one first.
var needs = map[ID][][]channel.ID{
	Knock: {{channel.KnockRetard, channel.KnockRetardLearned}, {channel.SparkAdvance, channel.SparkCommanded},
		{channel.AbsoluteLoad, channel.MassAirFlow, channel.ManifoldPressure}},
	Lean:               {{channel.Lambda}},
	FuelDelivery:       {{channel.InjectorDuty, channel.InjectorPulse}},
	RailPressure:       {{channel.RailPressure}, {channel.RailPressureTarget}},
	ChargeTemperature:  {{channel.ChargeTemperature}},
	CoolantTemperature: {{channel.CoolantTemperature}},
	OilTemperature:     {{channel.OilTemperature}},
	ExhaustTemperature: {{channel.ExhaustTemperature}},
	CylinderPressure: {{channel.ManifoldPressure, channel.AbsoluteLoad, channel.MassAirFlow},
		{channel.SparkAdvance, channel.SparkCommanded}},
	LowSpeedLoad: {{channel.Torque, channel.AbsoluteLoad, channel.MassAirFlow, channel.ManifoldPressure}},
	BoostControl: {{channel.ManifoldPressure}, {channel.ManifoldPressureTarget, channel.WastegateDuty}},
	Driveline:    {{channel.Torque}},
}

// Needs are the channels a log must hold to tell of the hazard: one of each line, the usual one first. What every log
// must hold (Always) is left away. The caller does not change them.
func (h Info) Needs() [][]channel.ID { return needs[h.ID] }

// Missing are the lines of Needs of which a log that has these channels holds none.
func (h Info) Missing(has func(channel.ID) bool) [][]channel.ID {
	var out [][]channel.ID
	for _, line := range needs[h.ID] {
		found := false
		for _, id := range line {
			found = found || has(id)
		}
		if !found {
			out = append(out, line)
		}
	}
	return out
}
