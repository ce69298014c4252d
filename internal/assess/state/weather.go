package state

import (
	"slices"
)

// AnotherDay is the day that a logged visit is put in: what State.Day becomes, by how many kelvin the air and the
// charge are hotter than in its log, the ambient pressure (kPa, 0: that of the log), and what its pull is called.
type AnotherDay struct {
	Day             float64
	Ambient, Charge float64
	Barometer       float64
	Pull            string
}

// InWeather is a logged visit on another day, run by the calibration it was logged on: of a hotter charge less is
// trapped, and tables are read where that moves the engine to.
func (p *Platform) InWeather(v *Visit, d AnotherDay, on *Calibration) Visit {
	out := Visit{State: p.inWeather(&v.State, d, on), Others: slices.Clone(v.Others)}
	for i := range out.Others {
		out.Others[i] = p.inWeather(&v.Others[i], d, on)
	}
	return out
}

func (p *Platform) inWeather(s *State, d AnotherDay, on *Calibration) State {
	next := *s
	next.Logged, next.Day, next.Pull = s, d.Day, d.Pull
	heatCharge(&next, d.Charge)
	heatAir(&next, d.Ambient)
	if d.Barometer > 0 {
		p.inAirOf(&next, d.Barometer)
	}
	p.readAgain(&next, s, on)
	p.Simulate(&next)
	next.SparkKept, next.OnlyAir = next.Simulated, next.Simulated
	return next
}
