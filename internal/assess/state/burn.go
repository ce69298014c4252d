package state

import (
	"math"

	"headroom/internal/workspace"
	"headroom/models/air"
	"headroom/models/cycle"
)

// BurnAngles are the ignition lag and the burn duration (models/cycle, Burn) that the cycle model is anchored at, with
// what is not known of them.
type BurnAngles struct {
	Lag, Duration     float64 // degrees of crank angle, at the reference point of the platform file
	LagSD, DurationSD float64 // degrees
	Correlation       float64 // of the two errors
}

// burnErrors are the deviations of lag and duration that a burn section states, by how it is known. Measured: the two
// angles read off a cylinder-pressure trace of one engine, carried to another of its kind. Handbook: published for such
// an engine, as far off as engines of a type are from each other. Guess: twice that, so that a usual value weighs more
// than the guess. Common practice, no source.
var burnErrors = map[workspace.Known]BurnAngles{
	workspace.Measured: {LagSD: 0.5, DurationSD: 2},
	workspace.Handbook: {LagSD: 3, DurationSD: 9},
	workspace.Guess:    {LagSD: 6, DurationSD: 18},
}

// usualSpread is how engines of one type differ about usualBurn; common practice, no source.
var usualSpread = BurnAngles{LagSD: 3, DurationSD: 9}

// usualBurn is the anchor of a usual engine of a type at 3000 rpm and full load. Its angles give 0–10 % burned in
// about 20° and 10–90 % in 22–26°, the quick end of the 20–25° and 25–35° of Heywood (Internal Combustion Engine
// Fundamentals, 1988, sec. 9.2.3; from memory), because chambers since burn faster; direct injection and charging
// bring more turbulence, a spark far before top dead centre a longer lag. Common practice, no source.
func usualBurn(e workspace.Engine) workspace.Burn {
	b := workspace.Burn{SpeedRPM: 3000, AbsoluteLoad: 150, Lambda: 0.88, SparkDeg: 8, IgnitionLagDeg: 8,
		DurationDeg: 50}
	if e.Induction == "natural" {
		b.AbsoluteLoad, b.Lambda, b.SparkDeg, b.IgnitionLagDeg, b.DurationDeg = 85, 0.9, 22, 10, 52
	}
	if e.Injection == "direct" {
		b.IgnitionLagDeg, b.DurationDeg = b.IgnitionLagDeg-1, b.DurationDeg-5
	}
	return b
}

// believeBurn sets the anchor of the cycle model: the platform file's weighed against a usual engine's, each by its
// error, because what is stated of a burn is seldom better known than how engines burn; as stated where it was
// measured. Without a burn section it is the usual engine's.
func (p *Platform) believeBurn() error {
	usual := usualBurn(p.Engine)
	if p.Burn == nil {
		p.burnPoint, p.Angles = usual, usualSpread
		p.Angles.Lag, p.Angles.Duration = usual.IgnitionLagDeg, usual.DurationDeg
		return nil
	}
	p.burnPoint = *p.Burn
	known := p.Burn.Known.Or(workspace.Guess)
	p.Angles = burnErrors[known]
	p.Angles.Lag, p.Angles.Duration = p.Burn.IgnitionLagDeg, p.Burn.DurationDeg
	if known == workspace.Measured {
		return nil
	}
	lag, duration, err := p.usualAngles(usual)
	if err != nil {
		return err
	}
	p.Angles.Lag, p.Angles.LagSD = weighed(p.Angles.Lag, p.Angles.LagSD, lag, usualSpread.LagSD)
	p.Angles.Duration, p.Angles.DurationSD = weighed(p.Angles.Duration, p.Angles.DurationSD, duration,
		usualSpread.DurationSD)
	return nil
}

// usualAngles are the usual engine's at the reference point of the platform file.
func (p *Platform) usualAngles(usual workspace.Burn) (lag, duration float64, err error) {
	e, err := cycle.New(p.cycleConfig(usual, BurnAngles{Lag: usual.IgnitionLagDeg, Duration: usual.DurationDeg}))
	if err != nil {
		return 0, 0, err
	}
	at := e.Config().Burn
	swept := p.Geometry.CylinderDisplacement()
	mass, err := air.MassFromLoad(p.Burn.AbsoluteLoad, swept)
	if err != nil {
		return 0, 0, err
	}
	pressure, err := air.PressureBySpeedDensity(mass, at.ChargeTemperature, 1, swept)
	if err != nil {
		return 0, 0, err
	}
	r, err := e.Run(cycle.State{RPM: p.Burn.SpeedRPM, AirMass: mass, ManifoldPressure: pressure,
		ChargeTemperature: at.ChargeTemperature, CoolantTemperature: at.CoolantTemperature, Lambda: p.Burn.Lambda,
		Spark: p.Burn.SparkDeg, Fuel: at.Fuel, Octane: anchorOctane})
	return r.IgnitionLag, r.BurnDuration, err
}

// anchorOctane only has to be inside the model's range: burn angles do not depend on it.
const anchorOctane = 95

// weighed is the mean of two values weighed by their precision, and its deviation.
func weighed(a, sdA, b, sdB float64) (mean, sd float64) {
	va, vb := sdA*sdA, sdB*sdB
	return (a*vb + b*va) / (va + vb), sdA * sdB / math.Sqrt(va+vb)
}

// Given is the angles after an observation of something that changes by h for one deviation of each loose number, which
// came out by y above what was computed, with a variance of its own. Lag and duration stay inside the model's range.
func (a BurnAngles) Given(y float64, h [NumLoose]float64, variance float64) BurnAngles {
	lag, duration := h[0]+a.Correlation*h[1], a.Correlation*h[0]+h[1] // covariances with the observation
	total := h[0]*lag + h[1]*duration + variance
	for _, other := range h[2:] {
		total += other * other
	}
	vLag, vDuration := 1-lag*lag/total, 1-duration*duration/total
	out := a
	out.Lag = min(max(a.Lag+lag/total*y*a.LagSD, 1), 45)
	out.Duration = min(max(a.Duration+duration/total*y*a.DurationSD, 10), 120)
	out.LagSD, out.DurationSD = a.LagSD*math.Sqrt(vLag), a.DurationSD*math.Sqrt(vDuration)
	out.Correlation = (a.Correlation - lag*duration/total) / math.Sqrt(vLag*vDuration)
	return out
}
