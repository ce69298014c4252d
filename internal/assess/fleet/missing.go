package fleet

import (
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/channel"
	"headroom/models/value"
)

// Lacking is what keeps a metric from being judged on visits none of which could be used: the keys that the platform
// file lacks and the channels that no visit has; where each is in some visit, that they are never together in one. A
// metric that can stand without measurements needs only what computes it.
func (f *Fleet) Lacking(m metric.Info, visits []*state.Visit) result.Lack {
	needs := append(slices.Clone(m.Shown), m.Computed...)
	if q := QuantityOf(m.ID); q != nil && q.Stands {
		needs = m.Computed
	}
	out := result.Lack{Missing: []result.Missing{}}
	for _, in := range needs {
		known := slices.ContainsFunc(out.Missing, func(o result.Missing) bool { return same(o, in) })
		if !known && !f.supplies(in, visits) {
			out.Missing = append(out.Missing,
				result.Missing{Channels: in.Channels, Key: f.topmost(in.Key), File: f.fileOf(in)})
		}
	}
	switch {
	case len(out.Missing) > 0:
	case slices.ContainsFunc(visits, func(v *state.Visit) bool { return hasAll(needs, v) }):
		out.Unusable = true
	default:
		out.Missing = append(out.Missing, result.Missing{Channels: channelsOf(needs), Together: true})
	}
	return out
}

func same(o result.Missing, in metric.Input) bool {
	return o.Key == in.Key && slices.Equal(o.Channels, in.Channels)
}

// fileOf is the file that would supply an input, "" where a log would.
func (f *Fleet) fileOf(in metric.Input) string {
	if in.Key == "" {
		return ""
	}
	return f.File
}

// topmost is the section that is missing where a key is missing with all of it.
func (f *Fleet) topmost(key metric.Key) metric.Key {
	if key == metric.PumpCapacity && f.FuelSystem == nil {
		return metric.FuelSystem
	}
	return key
}

// supplies reports whether the platform file or any visit gives an input.
func (f *Fleet) supplies(in metric.Input, visits []*state.Visit) bool {
	if in.Key != "" {
		return f.gives(in.Key)
	}
	return slices.ContainsFunc(visits, func(v *state.Visit) bool { return has(in, v) })
}

func hasAll(needs []metric.Input, v *state.Visit) bool {
	return !slices.ContainsFunc(needs, func(in metric.Input) bool { return in.Key == "" && !has(in, v) })
}

// has reports whether the log of a visit gives any of an input's channels: what a calibration's tables filled in since
// is not logged.
func has(in metric.Input, v *state.Visit) bool {
	logged := v.AsLogged()
	return slices.ContainsFunc(in.Channels, func(id channel.ID) bool {
		read, ok := readings[id]
		return ok && value.Known(read(logged))
	})
}

// channelsOf lists the first channel of each input, each once.
func channelsOf(needs []metric.Input) []channel.ID {
	var out []channel.ID
	for _, in := range needs {
		if len(in.Channels) > 0 && !slices.Contains(out, in.Channels[0]) {
			out = append(out, in.Channels[0])
		}
	}
	return out
}

// gives reports whether the platform file has a key.
func (f *Fleet) gives(key metric.Key) bool {
	switch key {
	case metric.FuelSystem:
		return f.FuelSystem != nil
	case metric.PumpCapacity:
		return f.FuelSystem != nil && f.FuelSystem.PumpCapacity.Known()
	case metric.KnockControl:
		return f.KnockControl != nil
	case metric.PortInjection:
		return f.Engine.Injection == "port"
	case metric.DirectInjection:
		return f.Engine.Injection == "direct"
	}
	return false
}

// readings are the channels that a row keeps, as a logged state knows them; absolute load is also what mass air flow or
// manifold pressure gave.
var readings = map[channel.ID]func(s *state.State) float64{
	channel.AbsoluteLoad:           func(s *state.State) float64 { return s.Load },
	channel.Lambda:                 func(s *state.State) float64 { return s.Row.Lambda },
	channel.LambdaCommanded:        func(s *state.State) float64 { return s.Row.LambdaCommanded },
	channel.SparkAdvance:           func(s *state.State) float64 { return s.Row.Bound.Delivered },
	channel.SparkCommanded:         func(s *state.State) float64 { return s.Spark },
	channel.ChargeTemperature:      func(s *state.State) float64 { return s.Charge },
	channel.CoolantTemperature:     func(s *state.State) float64 { return s.Row.CoolantTemperature },
	channel.OilTemperature:         func(s *state.State) float64 { return s.Row.OilTemperature },
	channel.ExhaustTemperature:     func(s *state.State) float64 { return s.Row.ExhaustTemperature },
	channel.InjectorDuty:           func(s *state.State) float64 { return s.Row.InjectorDuty },
	channel.InjectorPulse:          func(s *state.State) float64 { return s.Row.InjectorPulse },
	channel.RailPressure:           func(s *state.State) float64 { return s.Row.RailPressure },
	channel.RailPressureTarget:     railTarget,
	channel.ManifoldPressure:       func(s *state.State) float64 { return s.Row.ManifoldPressure },
	channel.ManifoldPressureTarget: func(s *state.State) float64 { return s.Target },
	channel.Torque:                 func(s *state.State) float64 { return s.Row.Bound.Torque },
	channel.KnockRetard:            knockHeard,
	channel.KnockRetardLearned:     knockHeard,
	channel.ShortTermTrim:          func(s *state.State) float64 { return s.Row.ShortTermTrim },
	channel.LongTermTrim:           func(s *state.State) float64 { return s.Row.LongTermTrim },
	channel.EngineSpeed:            func(s *state.State) float64 { return s.Row.RPM },
	channel.MassAirFlow:            func(s *state.State) float64 { return s.Row.MassAirFlow },
	channel.WastegateDuty:          func(s *state.State) float64 { return s.Row.WastegateDuty },
	channel.BarometricPressure:     func(s *state.State) float64 { return s.Row.Barometer },
	channel.AmbientTemperature:     func(s *state.State) float64 { return s.Row.Ambient },
	channel.EthanolShare:           func(s *state.State) float64 { return s.Row.Ethanol },
	channel.IntakeCam:              func(s *state.State) float64 { return s.Row.IntakeCam },
	channel.ExhaustCam:             func(s *state.State) float64 { return s.Row.ExhaustCam },
	channel.Gear:                   func(s *state.State) float64 { return s.Row.Gear },
}

// knockHeard is the retard of a row in which knock was compared, NaN in one in which it was not, or not heard.
func knockHeard(s *state.State) float64 {
	if !s.Row.KnockLogged || s.Unheard {
		return math.NaN()
	}
	return value.Or(s.Row.RetardMax, 0)
}

// railTarget is the rail pressure asked for. A row keeps it as the shortfall alone, so without rail pressure nothing
// can be said of it and it is not named as missing.
func railTarget(s *state.State) float64 {
	if !value.Known(s.Row.RailPressure) {
		return 0
	}
	return s.Row.RailPressure + s.Row.RailShortfall
}
