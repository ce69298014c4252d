package assess

import (
	"math"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/models/air"
	"headroom/models/channel"
	"headroom/models/value"
)

// state is one operating point of one pull: as logged, or as a calibration would run it.
// Units as in evidence.Row; NaN where neither logged nor derivable.
type state struct {
	pull string // which pull it belongs to
	car  string

	rpm, load         float64
	manifold, target  float64 // kPa absolute
	baro, ambient     float64
	charge, coolant   float64 // °C
	lambda, lambdaCmd float64
	spark             float64 // commanded, before knock retard
	intakeCam         float64
	ethanol           float64 // %
	fuel              string
	cycles            float64
	order             float64
	gear              float64
	overshoot         float64 // measured boost above target, kPa
	targetRate        float64 // of the boost target, kPa/s
	suspect           bool    // the lambda sensor of its car is
	end               bool    // one of another state's ends
	rail              float64 // pressure, kPa
	pumpKnee          float64 // pump use, %, from which this car's rail pressure falls away
	octaneShift       float64 // stress: octane numbers added to the fuel's
	ethanolShift      float64 // stress: ethanol share added, % by volume
	sim               simulated
	logged            *state    // what it was before it was moved to another calibration; nil where it was not
	sparkKept         simulated // as moved, but at the logged spark
	ends              []state   // the same visit at the other samples kept of the cell
	row               *evidence.Row
}

// standardBarometer is used where a log has no barometer: ISO 2533 sea level, kPa. The report says so.
const standardBarometer = 101.325

// stateOf reads a logged row at its bounding sample, where the cell is hardest on the engine for its spark.
func stateOf(r *evidence.Row) state {
	return stateAt(r, &r.Bound)
}

// stateAt reads a logged row at one of its samples.
func stateAt(r *evidence.Row, at *evidence.Sample) state {
	return state{
		pull: evidence.PullID(r), car: r.Vehicle,
		rpm: value.Or(at.RPM, r.RPM), load: value.Or(at.Load, r.Load),
		manifold: value.Or(at.Manifold, r.ManifoldPressure), target: value.Or(at.Target, r.ManifoldPressureTarget),
		baro: value.Or(r.Barometer, standardBarometer), ambient: r.Ambient,
		charge: value.Or(at.Charge, r.ChargeTemperature), coolant: r.CoolantTemperature,
		lambda: value.Or(r.Lambda, r.LambdaCommanded), lambdaCmd: r.LambdaCommanded,
		spark: value.Or(at.Commanded, r.SparkCommanded), intakeCam: r.IntakeCam, ethanol: r.Ethanol, fuel: r.Fuel,
		cycles: r.Cycles, order: float64(r.Order), gear: r.Gear, overshoot: r.BoostOvershoot, targetRate: r.TargetRate,
		rail: r.RailPressure, row: r,
	}
}

// visitOf is stateOf with the ends of the cell.
func visitOf(r *evidence.Row) state {
	s := stateOf(r)
	met := []float64{r.Bound.RPM}
	for _, at := range r.Kept() {
		if value.Known(at.RPM) && !slices.Contains(met, at.RPM) {
			met = append(met, at.RPM)
			end := stateAt(r, at)
			end.end = true
			s.ends = append(s.ends, end)
		}
	}
	return s
}

// asLogged is the state before it was moved to another calibration.
func (s *state) asLogged() *state {
	if s.logged != nil {
		return s.logged
	}
	return s
}

// each applies f to the state and to its ends.
func (s *state) each(f func(*state)) {
	f(s)
	for i := range s.ends {
		f(&s.ends[i])
	}
}

// moveVisit shifts a simulated state and its ends and simulates them anew.
func (p *platform) moveVisit(s *state, from, to *calibration) (state, []string) {
	next, notes := p.move(s, from, to)
	next.ends = make([]state, len(s.ends))
	for i := range s.ends {
		next.ends[i], _ = p.move(&s.ends[i], from, to)
	}
	return next, notes
}

func (p *platform) move(s *state, from, to *calibration) (state, []string) {
	next, notes := p.shift(*s, from, to)
	if from.id != to.id {
		next.logged = s
		p.resimulate(&next)
	}
	return next, notes
}

// resimulate simulates a moved state with its own spark and with the logged one.
func (p *platform) resimulate(s *state) {
	p.simulate(s)
	s.sparkKept = s.sim
	if s.logged != nil && s.spark != s.logged.spark {
		kept := *s
		kept.spark = s.logged.spark
		p.simulate(&kept)
		s.sparkKept = kept.sim
	}
}

// axis is the value a table axis reads. A pull is near-full throttle by definition, so pedal and throttle read 100.
func (s *state) axis(id channel.ID) float64 {
	switch id {
	case channel.EngineSpeed:
		return s.rpm
	case channel.AbsoluteLoad:
		return s.load
	case channel.ManifoldPressure:
		return s.manifold
	case channel.ThrottlePosition, channel.PedalPosition:
		return 100
	case channel.ChargeTemperature:
		return s.charge
	case channel.CoolantTemperature:
		return s.coolant
	case channel.EthanolShare:
		return s.ethanol
	}
	return math.NaN()
}

// fixedPointRounds bounds the load ↔ lookup iteration; a healthy case needs a handful.
const fixedPointRounds = 60

// knowManifold takes manifold pressure from load by speed–density where it was not logged, as in a log of boost
// without a barometer: a change of boost could not be moved otherwise.
func (p *platform) knowManifold(s *state) {
	if value.Known(s.manifold) || p.AirPath == nil || !p.AirPath.VolumetricEfficiency.Known() {
		return
	}
	pressure, err := air.PressureBySpeedDensity(p.airMass(s), s.charge+kelvin, p.AirPath.VolumetricEfficiency.At(s.rpm),
		p.geometry.CylinderDisplacement())
	s.manifold = orNaN(pressure, err) / 1000
}

// shift moves a logged state from the calibration it was logged on to another one, as the control unit would: more
// boost gives more charge, which moves every lookup to other load cells, which may move boost again, so it iterates
// to a fixed point. Measured values are kept and only the difference between the two calibrations is added, so table
// corrections that the logs already contain (for heat, for altitude) stay in.
func (p *platform) shift(s state, from, to *calibration) (state, []string) {
	s.lambdaCmd = value.Or(s.lambdaCmd, from.commandedLambda(&s))
	if from.id == to.id {
		return s, nil
	}
	next := s
	var notes []string
	settled := false
	for range fixedPointRounds {
		boost, why := to.delta("boost", &next, from, &s)
		if why == "" && boost != 0 && !value.Known(s.manifold) {
			why = "boost table: manifold pressure is neither logged nor to be had from load"
		}
		if why != "" {
			notes = append(notes, why)
			boost = 0
		}
		cam, why := to.delta("intake_cam", &next, from, &s)
		if why != "" {
			notes = append(notes, why)
			cam = 0
		}
		moved := p.withManifold(s, s.manifold*s.followed(boost))
		moved.intakeCam = s.intakeCam + cam
		done := math.Abs(moved.load-next.load) < 1e-6 || math.IsNaN(moved.load)
		next = moved
		if done {
			settled = true
			break
		}
	}
	if !settled {
		notes = append(notes, "boost and load do not settle on one another")
	}
	next.target = s.target * next.manifold / s.manifold
	// The engine sweeps the target faster in proportion to the charge, as in withManifold.
	next.targetRate = (s.targetRate + s.row.SpeedRate*(to.boostSlope(&next)-from.boostSlope(&s))) * value.Or(
		next.load/s.load, 1)
	spark, why := to.delta("spark", &next, from, &s)
	if why != "" {
		notes = append(notes, why)
	}
	next.spark = s.spark + spark
	lambda, why := to.delta("lambda", &next, from, &s)
	if why != "" {
		notes = append(notes, why)
	}
	next.lambda = s.lambda + lambda
	next.lambdaCmd = s.lambdaCmd + lambda
	return next, notes
}

// followed is the factor by which manifold pressure moves when its target moves by some kPa. On target it moves with
// the target; while the turbocharger still spools it moves in proportion, as a linear boost loop does. Without a logged
// target the manifold is taken to be on target.
func (s *state) followed(boost float64) float64 {
	target := s.target
	if !(target > s.manifold) {
		target = s.manifold
	}
	return 1 + boost/target
}

// withManifold is the state at another manifold pressure: hotter compressor, intercooled, denser charge. The engine
// sweeps the cell faster in proportion to the charge (more torque against the same inertia), so fewer cycles are spent.
func (p *platform) withManifold(s state, manifold float64) state {
	if math.IsNaN(s.manifold) || manifold == s.manifold || manifold <= 0 {
		return s
	}
	next := s
	next.manifold = manifold
	next.charge = s.charge + p.chargeRise(manifold, s.baro, s.ambient) - p.chargeRise(s.manifold, s.baro, s.ambient)
	density := manifold / s.manifold
	if !math.IsNaN(s.charge) {
		density *= (s.charge + 273.15) / (next.charge + 273.15)
	}
	next.load = s.load * density
	next.cycles = s.cycles / density
	return next
}

// cellOf is the grid cell a state lies in.
func (p *platform) cellOf(s *state) cellKey {
	return cellKey{int(math.Floor(s.rpm / p.rpmStep)), int(math.Floor(s.load / p.loadStep))}
}

// cellKey indexes the operating grid: speed bin, load bin.
type cellKey [2]int

func (p *platform) cell(k cellKey) result.Cell {
	return result.Cell{
		RPM:     result.Span{result.Number(float64(k[0]) * p.rpmStep), result.Number(float64(k[0]+1) * p.rpmStep)},
		LoadPct: result.Span{result.Number(float64(k[1]) * p.loadStep), result.Number(float64(k[1]+1) * p.loadStep)},
	}
}
