package state

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"headroom/models/channel"
	"headroom/models/value"
)

// Place is where a table reads: a value on each of its axes. Y is "" for a table of one axis.
type Place struct {
	X, Y     channel.ID
	AtX, AtY float64
}

// on is the value of a place on an axis, NaN where it has none.
func (at *Place) on(axis channel.ID) float64 {
	switch axis {
	case at.X:
		return at.AtX
	case at.Y:
		return at.AtY
	}
	return math.NaN()
}

// donors is how many logged states, each of another pull, are put at a place where none was; common practice, no
// source.
const donors = 3

// Donors are the states nearest to a place, of different pulls, by their place in from. Distances are counted in cells
// of the grid, manifold pressure as load (about a kilopascal a percent) and other channels in tenths of their values.
func (p *Platform) Donors(from []*State, at Place) []int {
	type near struct {
		index    int
		distance float64
	}
	best := map[string]near{}
	order := []string{}
	for i, s := range from {
		d := p.apart(s, &at)
		old, met := best[s.Pull]
		if !met {
			order = append(order, s.Pull)
		}
		if !met || d < old.distance {
			best[s.Pull] = near{i, d}
		}
	}
	slices.SortStableFunc(order, func(a, b string) int { return cmp.Compare(best[a].distance, best[b].distance) })
	out := make([]int, 0, donors)
	for _, pull := range order[:min(donors, len(order))] {
		out = append(out, best[pull].index)
	}
	return out
}

// apart is how far a state lies from a place, see Donors.
func (p *Platform) apart(s *State, at *Place) float64 {
	d := 0.0
	for _, axis := range [...]struct {
		id channel.ID
		at float64
	}{{at.X, at.AtX}, {at.Y, at.AtY}} {
		if axis.id == "" {
			continue
		}
		if v := s.Axis(axis.id); value.Known(v) && value.Known(axis.at) {
			d = math.Hypot(d, (v-axis.at)/p.axisScale(axis.id, axis.at))
		}
	}
	return d
}

func (p *Platform) axisScale(axis channel.ID, v float64) float64 {
	switch axis {
	case channel.EngineSpeed:
		return p.RPMStep
	case channel.AbsoluteLoad, channel.ManifoldPressure:
		return p.LoadStep
	}
	return math.Max(1, math.Abs(v)/10)
}

// Made is a logged state put where no log was by the calibration it was logged on, without combustion: what MoveTo
// moves between calibrations. ok is false where the state does not know enough to be put there, or the calibration it
// was logged on is not in the workspace.
func (p *Platform) Made(s *State, at Place) (made State, ok bool) {
	if s.Row == nil {
		return State{}, false
	}
	on, ok := p.calibrations[s.Row.Revision]
	if !ok {
		return State{}, false
	}
	made, ok = p.place(*s, on, at)
	made.Logged, made.Placed = s, true
	return made, ok
}

// MoveTo puts a logged state, made on one calibration, where no log was, and runs another calibration on its own fuel
// there: what was measured, moved by the tables of its own calibration and by the air path to the place, then by what
// the two calibrations differ by. Charge at the place is the place's where the table is read by load or manifold
// pressure, so boost moves nothing there. ok is false where the state does not know enough to be put there.
func (p *Platform) MoveTo(s *State, from, to *Calibration, at Place) (next State, gaps []Gap, ok bool) {
	placed, ok := p.place(*s, from, at)
	if !ok {
		return State{}, nil, false
	}
	if at.fixesCharge() {
		to = to.withBoostOf(from)
	}
	next, gaps = p.shift(placed, from, to)
	p.refuel(&next, to.Fuel)
	next.Logged, next.Placed = s, true
	p.resimulate(&next)
	return next, gaps, true
}

func (at *Place) fixesCharge() bool {
	return value.Known(at.on(channel.AbsoluteLoad)) || value.Known(at.on(channel.ManifoldPressure))
}

// withBoostOf is the calibration with the boost table of another one.
func (c *Calibration) withBoostOf(other *Calibration) *Calibration {
	out := *c
	out.Lookups = maps.Clone(c.Lookups)
	delete(out.Lookups, "boost")
	if l, ok := other.Lookups["boost"]; ok {
		out.Lookups["boost"] = l
	}
	return &out
}

// place is a state elsewhere on the map of the calibration it was logged on.
func (p *Platform) place(s State, on *Calibration, at Place) (State, bool) {
	s.LambdaCommanded = value.Or(s.LambdaCommanded, on.commandedLambda(&s))
	next := s
	next.Edge = true
	for axis, set := range map[channel.ID]*float64{
		channel.EngineSpeed: &next.RPM, channel.ThrottlePosition: &next.Pedal, channel.PedalPosition: &next.Pedal,
		channel.CoolantTemperature: &next.Coolant, channel.EthanolShare: &next.Ethanol,
	} {
		if v := at.on(axis); value.Known(v) {
			*set = v
		}
	}
	if charge := at.on(channel.ChargeTemperature); value.Known(charge) {
		heatCharge(&next, charge-s.Charge)
	}
	if !(next.RPM > 0) || !(s.RPM > 0) || !p.charge(&s, &next, on, at) {
		return State{}, false
	}
	for role, set := range map[string]*float64{"spark": &next.Spark, "intake_cam": &next.IntakeCam} {
		by, gap := on.delta(role, &next, on, &s)
		if gap != nil {
			return State{}, false
		}
		*set += by
	}
	p.heated(&next, s.Charge)
	lambda, gap := on.delta("lambda", &next, on, &s)
	if gap != nil {
		return State{}, false
	}
	next.Lambda, next.LambdaCommanded = s.Lambda+lambda, s.LambdaCommanded+lambda
	p.starved(&next, &s)
	next.Target = s.Target * value.Or(next.Manifold/s.Manifold, 1)
	next.TargetRate = s.TargetRate + s.Row.SpeedRate*(on.boostSlope(&next)-on.boostSlope(&s))
	next.Cycles = s.Cycles * next.RPM / s.RPM
	return next, true
}

// chargeRounds bounds the search for the manifold pressure that gives a load.
const chargeRounds = 30

// charge fills the manifold pressure, load and charge temperature of a state that was put elsewhere.
func (p *Platform) charge(s, next *State, on *Calibration, at Place) bool {
	breathing := p.breathing(next.RPM) / p.breathing(s.RPM)
	load, manifold := at.on(channel.AbsoluteLoad), at.on(channel.ManifoldPressure)
	switch {
	case value.Known(manifold):
		if !value.Known(s.Manifold) {
			return false
		}
	case !value.Known(load):
		by, gap := on.delta("boost", next, on, s)
		if gap != nil {
			return false
		}
		if !value.Known(s.Manifold) {
			return by == 0
		}
		manifold = s.Manifold * s.followed(by, on)
	case !value.Known(s.Manifold):
		next.Load = load
		return load > 0
	}
	standing := *next
	if value.Known(manifold) {
		*next = p.withManifold(standing, manifold)
		next.Load *= breathing
		return next.Load > 0
	}
	manifold = s.Manifold
	for range chargeRounds {
		*next = p.withManifold(standing, manifold)
		next.Load *= breathing
		manifold *= load / next.Load
	}
	return math.Abs(next.Load/load-1) < 1e-6
}

// breathing is the volumetric efficiency at a speed; 1 on a platform that does not say.
func (p *Platform) breathing(rpm float64) float64 {
	if p.AirPath == nil || !p.AirPath.VolumetricEfficiency.Known() {
		return 1
	}
	return p.AirPath.VolumetricEfficiency.At(rpm)
}
