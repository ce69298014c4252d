package state

import (
	"math"

	"headroom/models/value"
)

// Move shifts a visit from the calibration and the fuel it was logged on to another calibration on its own fuel, and
// simulates it anew. gaps are the changes whose effect on its bounding state could not be computed.
func (p *Platform) Move(v *Visit, from, to *Calibration) (next Visit, gaps []Gap) {
	next.State, gaps = p.move(&v.State, from, to)
	next.Others = make([]State, len(v.Others))
	for i := range v.Others {
		next.Others[i], _ = p.move(&v.Others[i], from, to)
	}
	return next, gaps
}

func (p *Platform) move(s *State, from, to *Calibration) (State, []Gap) {
	next, gaps := p.shift(*s, from, to)
	refuelled := p.refuel(&next, to.Fuel)
	switch {
	case from.ID != to.ID || refuelled:
		next.Logged = s
		p.resimulate(&next)
	case s.Logged != nil: // weather is no change of the revision's
		next.Logged = s
	}
	return next, gaps
}

// Taken is where another calibration takes a logged state, without combustion.
func (p *Platform) Taken(s *State, from, to *Calibration) State {
	next, _ := p.shift(*s, from, to)
	return next
}

// refuel puts a fuel of headroom.yaml in a state's tank. What was logged of the old one, its ethanol share, is the new
// one's as named.
func (p *Platform) refuel(s *State, id string) bool {
	named, known := p.fuels[id]
	if !known || id == s.Fuel {
		return false
	}
	s.Fuel = id
	if value.Known(s.Ethanol) {
		s.Ethanol = 100 * named.fuel.EthanolShare()
	}
	return true
}

// resimulate simulates a moved state as it is, with the logged spark, and with the logged lambda too.
func (p *Platform) resimulate(s *State) {
	p.Simulate(s)
	s.SparkKept, s.OnlyAir = s.Simulated, s.Simulated
	if s.Logged == nil {
		return
	}
	kept := *s
	if s.Spark != s.Logged.Spark {
		kept.Spark = s.Logged.Spark
		p.Simulate(&kept)
		s.SparkKept, s.OnlyAir = kept.Simulated, kept.Simulated
	}
	if s.burned() != s.Logged.burned() {
		kept.Lambda, kept.Leaned = s.Logged.Lambda, s.Logged.Leaned
		p.Simulate(&kept)
		s.OnlyAir = kept.Simulated
	}
}

// fixedPointRounds bounds the load ↔ lookup iteration; a healthy case needs a handful.
const fixedPointRounds = 60

// shift moves a logged state from the calibration it was logged on to another one, as the control unit would: more
// boost gives more charge, which moves every lookup to other load cells, which may move boost again, so it iterates
// to a fixed point. Measured values are kept and only the difference between the two calibrations is added, so table
// corrections that the logs already contain (for heat, for altitude) stay in.
func (p *Platform) shift(s State, from, to *Calibration) (State, []Gap) {
	s.LambdaCommanded = value.Or(s.LambdaCommanded, from.commandedLambda(&s))
	if from.ID == to.ID {
		return s, nil
	}
	var gaps []Gap
	delta := func(role string, at *State) float64 {
		d, gap := to.delta(role, at, from, &s)
		if gap != nil {
			gaps = append(gaps, *gap)
		}
		return d
	}
	next := s
	settled := false
	for range fixedPointRounds {
		boost := delta("boost", &next)
		if boost != 0 && !value.Known(s.Manifold) {
			gaps = append(gaps, Gap{Kind: NoPressure, Role: "boost"})
			boost = 0
		}
		cam := delta("intake_cam", &next)
		if gap := s.camGap(cam, from, to); gap != nil {
			gaps = append(gaps, *gap)
		}
		moved := p.withManifold(s, s.Manifold*s.followed(boost, from))
		moved.IntakeCam = s.IntakeCam + cam
		done := math.Abs(moved.Load-next.Load) < 1e-6 || math.IsNaN(moved.Load)
		next = moved
		if done {
			settled = true
			break
		}
	}
	if !settled {
		gaps = append(gaps, Gap{Kind: NotSettled, Role: "boost"})
	}
	next.Target = s.Target * next.Manifold / s.Manifold
	// The engine sweeps the target faster in proportion to the charge, as in withManifold.
	rate := s.TargetRate + s.Row.SpeedRate*(to.boostSlope(&next)-from.boostSlope(&s))
	next.TargetRate = rate * value.Or(next.Load/s.Load, 1)
	next.Spark = s.Spark + delta("spark", &next)
	p.heated(&next, s.Charge)
	lambda := delta("lambda", &next)
	next.Lambda = s.Lambda + lambda
	next.LambdaCommanded = s.LambdaCommanded + lambda
	p.starved(&next, &s)
	return next, gaps
}

// smallCam is the largest move of the intake cam, degrees, whose effect on filling and residual gas may go unsaid;
// common practice, no source.
const smallCam = 1

// camGap is what is not known of a move of the intake cam by a change of its table: what it does to filling and
// residual gas is not computed, and where no log says where the cam stood, nor is what it does to knock. A cam that
// moves along an unchanged table does what the logs of that table show.
func (s *State) camGap(by float64, from, to *Calibration) *Gap {
	now, then := to.Lookups["intake_cam"], from.Lookups["intake_cam"]
	if now.Table == nil || then.Table == nil || now.same(then) {
		return nil
	}
	switch {
	case by != 0 && !value.Known(s.IntakeCam):
		return &Gap{Kind: CamNotLogged, Role: "intake_cam"}
	case math.Abs(by) > smallCam:
		return &Gap{Kind: CamMoved, Role: "intake_cam"}
	}
	return nil
}

// followed is the factor by which manifold pressure moves when its target moves by some kPa. On target it moves with
// the target. While the turbocharger still spools, boost above ambient moves in proportion to that asked for, as a
// linear boost loop gives it: what lies below ambient the turbocharger did not make. Without a logged target it is that
// of the boost table of the calibration it ran, and without a table the manifold is taken to be on target.
func (s *State) followed(boost float64, on *Calibration) float64 {
	target := value.Or(s.Target, on.ValueAt("boost", s))
	if !(target > s.Manifold) {
		return 1 + boost/s.Manifold
	}
	if s.Manifold <= s.Barometer {
		return 1
	}
	return 1 + (s.Manifold-s.Barometer)/(target-s.Barometer)*boost/s.Manifold
}

// withManifold is the state at another manifold pressure: hotter compressor, intercooled, denser charge. The engine
// sweeps the cell faster in proportion to the charge (more torque against the same inertia), so fewer cycles are spent.
func (p *Platform) withManifold(s State, manifold float64) State {
	if math.IsNaN(s.Manifold) || manifold == s.Manifold || manifold <= 0 {
		return s
	}
	next := s
	next.Manifold = manifold
	next.Charge = s.Charge + p.chargeRise(manifold, &s) - p.chargeRise(s.Manifold, &s)
	density := manifold / s.Manifold
	if !math.IsNaN(s.Charge) {
		density *= (s.Charge + zeroCelsius) / (next.Charge + zeroCelsius)
	}
	next.Load = s.Load * density
	next.Cycles = s.Cycles / density
	return next
}

// MovedTo is a state as another revision of the platform would run it; ok is false where that, or the revision it ran,
// is not known.
func (p *Platform) MovedTo(s *State, revision string) (next State, ok bool) {
	from, to := p.calibrations[s.Row.Revision], p.calibrations[revision]
	if from == nil || to == nil {
		return next, false
	}
	next, _ = p.move(s, from, to)
	return next, true
}
