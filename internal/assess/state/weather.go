package state

import (
	"slices"

	"headroom/models/value"
)

// InWeather is a logged visit on a day hotter by some kelvin, run by the calibration it was logged on: the charge is
// hotter by as much and less of it is trapped, and tables are read where that moves the engine to. day is what
// State.Day becomes, pull what its pull is called.
func (p *Platform) InWeather(v *Visit, by, day float64, pull string, on *Calibration) Visit {
	out := Visit{State: p.inWeather(&v.State, by, day, pull, on), Others: slices.Clone(v.Others)}
	for i := range out.Others {
		out.Others[i] = p.inWeather(&v.Others[i], by, day, pull, on)
	}
	return out
}

func (p *Platform) inWeather(s *State, by, day float64, pull string, on *Calibration) State {
	next := *s
	next.Logged, next.Day, next.Pull = s, day, pull
	heatCharge(&next, by)
	if value.Known(s.Ambient) {
		next.Ambient = s.Ambient + by
	}
	p.readAgain(&next, s, on)
	p.Simulate(&next)
	next.SparkKept = next.Simulated
	return next
}
