package state

import (
	"slices"

	"gonum.org/v1/gonum/stat"

	"headroom/internal/evidence"
	"headroom/models/air"
	"headroom/models/value"
)

// Preparer makes states of logged rows. It is the only way to one, so that whatever asks of a logged state (a fit, a
// prediction, a comparison with own logs) asks of the same.
type Preparer struct {
	*Platform
	Rail       RailLine           // of the platform
	Knees      map[string]float64 // pump use, %, from which each car's rail pressure falls away; HealthyKnee for others
	Command    CommandError       // of the platform
	Silent     map[string]bool    // by log: those that did not hear knock
	DeadCharge map[string]bool    // by log: those whose charge temperature is a dead sensor's
}

// Logged is a row as it was logged, by the car and on the fuel of its log.
func (p *Preparer) Logged(r *evidence.Row) Visit { return p.As(r, r.Vehicle) }

// As is a row as if a car had driven it: its states at the samples kept of the cell, with what the log left out and
// combustion. car is "" for a car not seen. The fuel is that of the log; Move changes it.
func (p *Preparer) As(r *evidence.Row, car string) Visit {
	r = p.told(r)
	v := Visit{State: p.read(r, &r.Bound, car)}
	met := []float64{r.Bound.RPM}
	for _, at := range r.Kept() {
		if value.Known(at.RPM) && !slices.Contains(met, at.RPM) {
			met = append(met, at.RPM)
			other := p.read(r, at, car)
			other.Edge = true
			v.Others = append(v.Others, other)
		}
	}
	v.Each(p.Simulate)
	return v
}

// Read is Logged at the bounding sample alone and without combustion, for what only reads measurements.
func (p *Preparer) Read(r *evidence.Row) State {
	r = p.told(r)
	return p.read(r, &r.Bound, r.Vehicle)
}

// ReadPeak is Read at the sample of the highest manifold pressure.
func (p *Preparer) ReadPeak(r *evidence.Row) State {
	r = p.told(r)
	return p.read(r, &r.Peak, r.Vehicle)
}

// told is a row without what a dead sensor showed.
func (p *Preparer) told(r *evidence.Row) *evidence.Row {
	if !p.DeadCharge[r.Run] {
		return r
	}
	return r.WithoutCharge()
}

func (p *Preparer) read(r *evidence.Row, at *evidence.Sample, car string) State {
	s := stateAt(r, at)
	s.PumpKnee, s.Unheard = p.kneeOf(car), p.Silent[r.Run]
	p.fillRail(&s)
	p.fillManifold(&s)
	p.fillCommand(&s)
	return s
}

// HealthyKnee is the pump use, %, from which the rail pressure of a pump that shows no shortfall is taken to fall away;
// common practice, no source.
const HealthyKnee = 95

// kneeOf is a car's knee, the healthy one for a car without rail pressure in its logs.
func (p *Preparer) kneeOf(car string) float64 {
	if k, ok := p.Knees[car]; ok {
		return k
	}
	return HealthyKnee
}

// SetKnee gives the states of a visit the knee of the car that was logged.
func (p *Preparer) SetKnee(v *Visit) {
	v.Each(func(s *State) { s.PumpKnee = p.kneeOf(s.Car) })
}

// RailLine is rail pressure over load as the platform's logs show it, for cars that do not log it: taking the rated
// pressure for theirs would put their fuel system a third off.
type RailLine struct {
	Intercept, Slope float64 // kPa, kPa a %
	Low, High        float64 // pressures met, kPa; 0 where no log has it
}

// RailOf is the line through the rail pressures of pulls; the zero line where no log has them.
func RailOf(rows []evidence.Row) RailLine {
	var load, pressure []float64
	for i := range rows {
		if r := &rows[i]; r.Kind == evidence.KindPull && value.Known(r.Load) && r.RailPressure > 0 {
			load, pressure = append(load, r.Load), append(pressure, r.RailPressure)
		}
	}
	if len(load) < 2 {
		return RailLine{}
	}
	a, b := stat.LinearRegression(load, pressure, nil, false)
	if !value.Known(b) {
		a, b = stat.Mean(pressure, nil), 0
	}
	return RailLine{a, b, slices.Min(pressure), slices.Max(pressure)}
}

// fillRail gives a state the platform's rail pressure where its log has none.
func (p *Preparer) fillRail(s *State) {
	if !value.Known(s.Rail) && p.Rail.High > 0 && value.Known(s.Load) {
		s.Rail = min(max(p.Rail.Intercept+p.Rail.Slope*s.Load, p.Rail.Low), p.Rail.High)
	}
}

// fillManifold takes manifold pressure from load by speed–density where it was not logged, as in a log of boost
// without a barometer: a change of boost could not be moved otherwise.
func (p *Preparer) fillManifold(s *State) {
	if value.Known(s.Manifold) || p.AirPath == nil || !p.AirPath.VolumetricEfficiency.Known() {
		return
	}
	pressure, err := air.PressureBySpeedDensity(p.airMass(s), s.Charge+zeroCelsius,
		p.AirPath.VolumetricEfficiency.At(s.RPM), p.Geometry.CylinderDisplacement())
	s.Manifold = orNaN(pressure, err) / 1000
}
