package workspace

import (
	"maps"

	"headroom/internal/hazard"
)

// Defaults returns the configuration an empty headroom.yaml stands for. The thresholds are common practice, no source;
// content and confidence are the 0.95/0.95 of the tolerance-limit literature (Krishnamoorthy and Mathew, 2009).
func Defaults() Config {
	return Config{
		Decision: Decision{
			HoldProbability:   map[hazard.Severity]float64{hazard.Catastrophic: 0.05, hazard.Major: 0.10},
			StressProbability: map[hazard.Severity]float64{hazard.Catastrophic: 0.1, hazard.Major: 0.2},
			ThinPulls:         8,
			ThinCars:          3,
			Content:           0.95,
			Confidence:        0.95,
		},
		Display: Display{Pressure: "kPa", Temperature: "C", Torque: "Nm"},
		Fuels:   map[string]Fuel{},
		Uses:    []Use{{Name: "a track day", Days: 1, Pulls: 40}}, // common practice, no source
		Cells:   Cells{RPMStep: 500, LoadStep: 20},
		Pulls:   Pulls{ThrottleMin: 80, MinSeconds: 2, MinSpanRPM: 1000, SteadySeconds: 5, WarmCoolantC: 70},
		Seed:    1,
	}
}

// fill sets to d what c leaves at zero.
func (c *Config) fill(d Config) {
	c.Decision.HoldProbability = over(d.Decision.HoldProbability, c.Decision.HoldProbability)
	c.Decision.StressProbability = over(d.Decision.StressProbability, c.Decision.StressProbability)
	setDefault(&c.Decision.ThinPulls, d.Decision.ThinPulls)
	setDefault(&c.Decision.ThinCars, d.Decision.ThinCars)
	setDefault(&c.Decision.Content, d.Decision.Content)
	setDefault(&c.Decision.Confidence, d.Decision.Confidence)
	setDefault(&c.Display.Pressure, d.Display.Pressure)
	setDefault(&c.Display.Temperature, d.Display.Temperature)
	setDefault(&c.Display.Torque, d.Display.Torque)
	setDefault(&c.Seed, d.Seed)
	if len(c.Uses) == 0 {
		c.Uses = d.Uses
	}
	if c.Fuels == nil {
		c.Fuels = map[string]Fuel{}
	}
	c.Cells.fill(d.Cells)
	c.Pulls.fill(d.Pulls)
}

// over is the defaults with what was given in their place.
func over(defaults, given map[hazard.Severity]float64) map[hazard.Severity]float64 {
	out := maps.Clone(defaults)
	maps.Copy(out, given)
	return out
}

func (c *Cells) fill(d Cells) {
	setDefault(&c.RPMStep, d.RPMStep)
	setDefault(&c.LoadStep, d.LoadStep)
}

func (p *Pulls) fill(d Pulls) {
	setDefault(&p.ThrottleMin, d.ThrottleMin)
	setDefault(&p.MinSeconds, d.MinSeconds)
	setDefault(&p.MinSpanRPM, d.MinSpanRPM)
	setDefault(&p.SteadySeconds, d.SteadySeconds)
	setDefault(&p.WarmCoolantC, d.WarmCoolantC)
}

func setDefault[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}
