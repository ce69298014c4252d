package state

import (
	"math"

	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/models/value"
)

// StressKind names a condition that a day on the road brings.
type StressKind string

// Kinds of stress.
const (
	HotCharge   StressKind = "hot_charge"   // charge temperature higher, K
	LowOctane   StressKind = "low_octane"   // octane numbers lower
	LessEthanol StressKind = "less_ethanol" // ethanol share lower, % by volume
	ThinAir     StressKind = "thin_air"     // ambient pressure down to, kPa
	RichSensor  StressKind = "rich_sensor"  // lambda sensor reads rich by, %
	UntoldBlend StressKind = "untold_blend" // mixture leaner by, %: injected as for the fuel of the logs

	UnknownAir StressKind = "unknown_air" // surroundings denser by up to, kPa, where a log does not tell of them

	// Only of Ways.
	ColdCharge StressKind = "cold_charge" // charge temperature lower, K
	BoostSpike StressKind = "boost_spike" // boost over its target by, kPa
)

// SizeFrom says where the size of a stress comes from.
type SizeFrom string

// Sources of sizes.
const (
	SizeOfClimate SizeFrom = "climate" // headroom.yaml
	SizeOfFleet   SizeFrom = "fleet"   // what the fleet's logs met
	SizeOfFuels   SizeFrom = "fuels"   // the fuels of headroom.yaml
	SizeUsual     SizeFrom = "usual"   // common practice, no source
)

// Stress is one condition that states are put under.
type Stress struct {
	Kind StressKind
	Size float64 // in the unit that stands beside the kind
	From SizeFrom

	apply     func(p *Platform, s *State)
	sameCycle bool // the cycle is not computed again: nothing moves but the knock limit, or only the cell is asked for
}

// EthanolBlend is the ethanol share, percent by volume, from which the fuel stress takes ethanol away rather than
// octane.
const EthanolBlend = 30.0

// Sizes of stresses about which nothing is known; common practice, no source. highGround is about 1450 m by the
// standard atmosphere (ISO 2533).
const (
	hotterCharge   = 20 // K
	lowerOctane    = 2
	lowerEthanol   = 15 // % by volume
	highGround     = 85 // kPa
	boostSpike     = 15 // kPa
	richSensorRead = 3  // %
)

// Met is what is known of the conditions that a revision will meet; NaN where nothing is.
type Met struct {
	HotDay, CommonDay float64 // on the scale of State.Day
	ColdDay           float64
	ChargeADay        float64 // K of charge temperature a K of that scale
	DaysFrom          SizeFrom
	SpikeKPa          float64 // by which boost stands over its target on a day in fifty
	LowPressure       float64 // ambient, kPa
	PressureFrom      SizeFrom
	SensorPct         float64 // by which a lambda sensor in twenty reads rich, %, as the fleet's differ
	DenserAir         float64 // by which air that a log does not tell of may be denser than assumed, kPa; 0: all tell
	EthanolPct        float64 // of the fuel, by volume
	WeakBlendPct      float64 // by which a blend in fifty holds less ethanol than its name says, % by volume
	UntoldPct         float64 // by which the mixture is leaner where injection does not follow the new fuel, %
}

// Stresses are the conditions that a revision is tried under.
func Stresses(met Met) []Stress {
	out := []Stress{hotDay(met), badTank(met), thinAir(met), richSensor(met.SensorPct)}
	if met.UntoldPct > 0 {
		out = append(out, untoldBlend(met.UntoldPct))
	}
	if met.DenserAir > 0 {
		out = append(out, unknownAir(met.DenserAir))
	}
	return out
}

// unknownAir has the surroundings as dense as they may have been where a log tells of them neither by a barometer nor
// by its place: what is measured from them was higher by as much. Load that was logged, or taken from a flow, was what
// it was.
func unknownAir(kPa float64) Stress {
	return Stress{Kind: UnknownAir, Size: kPa, From: SizeUsual, apply: func(p *Platform, s *State) {
		row := s.Root().Row
		if row == nil || !(row.BarometerMore > 0) || !value.Known(s.Manifold) {
			return
		}
		s.Barometer += row.BarometerMore
		if row.LoadSource == evidence.LoadSpeedDensity {
			*s = p.withManifold(*s, s.Manifold+row.BarometerMore)
		} else {
			s.Manifold += row.BarometerMore
		}
		s.Target += row.BarometerMore
	}}
}

// Ways are conditions that take an engine to other cells than those of its logs and that Stresses does not try: denser
// air of a cold day, and boost over its target. What they do to combustion is not computed.
func Ways(met Met) []Stress {
	cold := Stress{Kind: ColdCharge, Size: hotterCharge, From: SizeUsual,
		apply: func(_ *Platform, s *State) { heatCharge(s, -hotterCharge) }}
	if value.Known(met.ColdDay) {
		cold.Size, cold.From = met.ChargeADay*(met.CommonDay-met.ColdDay), met.DaysFrom
		cold.apply = func(_ *Platform, s *State) { heatCharge(s, met.ChargeADay*(met.ColdDay-s.Day)) }
	}
	spike := Stress{Kind: BoostSpike, Size: met.SpikeKPa, From: SizeOfFleet}
	if !value.Known(met.SpikeKPa) {
		spike.Size, spike.From = boostSpike, SizeUsual
	}
	spike.apply = func(p *Platform, s *State) {
		if s.Manifold > s.Barometer {
			*s = p.withManifold(*s, s.Manifold+spike.Size)
		}
	}
	cold.sameCycle, spike.sameCycle = true, true
	return []Stress{cold, spike}
}

// untoldBlend injects what the fuel of the logs took. Whether a control unit hears of a blend (by a sensor, by
// feedback, or by tables made for it) stands in no table of lambda.
func untoldBlend(pct float64) Stress {
	return Stress{Kind: UntoldBlend, Size: pct, From: SizeOfFuels, apply: func(p *Platform, s *State) {
		factor := 1 + p.Untold(s)/100
		s.Lambda *= factor
		s.LambdaCommanded *= factor // as the sensor would read it
	}}
}

// Untold is by how much the mixture of a state is leaner, %, where as much is injected as for the fuel of its log: the
// same openings of the injectors at the same pressure let through mass as √ρ (Bernoulli), of which air asks by the
// stoichiometric ratios. 0 where it is not leaner, or a fuel is not known.
func (p *Platform) Untold(s *State) float64 {
	is, ok := p.fuelOf(s)
	was, known := p.fuelOf(s.Root())
	if !ok || !known {
		return 0
	}
	asked := was.Stoich() * math.Sqrt(was.Density()) / (is.Stoich() * math.Sqrt(is.Density()))
	return math.Max(0, 100*(asked-1))
}

func hotDay(met Met) Stress {
	if !value.Known(met.HotDay) {
		return Stress{Kind: HotCharge, Size: hotterCharge, From: SizeUsual,
			apply: func(_ *Platform, s *State) { heatCharge(s, hotterCharge) }}
	}
	return Stress{Kind: HotCharge, Size: met.ChargeADay * (met.HotDay - met.CommonDay), From: met.DaysFrom,
		apply: func(_ *Platform, s *State) {
			by := met.HotDay - s.Day
			heatCharge(s, met.ChargeADay*by)
			heatAir(s, by)
		}}
}

func badTank(met Met) Stress {
	if met.EthanolPct >= EthanolBlend {
		st := Stress{Kind: LessEthanol, Size: met.WeakBlendPct, From: SizeOfFleet}
		if !value.Known(st.Size) {
			st.Size, st.From = lowerEthanol, SizeUsual
		}
		st.apply = func(_ *Platform, s *State) { s.EthanolShift = -st.Size }
		return st
	}
	return Stress{Kind: LowOctane, Size: lowerOctane, From: SizeUsual, sameCycle: true,
		apply: func(_ *Platform, s *State) { s.OctaneShift = -lowerOctane }}
}

func richSensor(pct float64) Stress {
	st := Stress{Kind: RichSensor, Size: pct, From: SizeOfFleet}
	if !value.Known(pct) {
		st.Size, st.From = richSensorRead, SizeUsual
	}
	factor := 1 + st.Size/100
	st.apply = func(_ *Platform, s *State) { s.Lambda *= factor; s.LambdaCommanded *= factor }
	return st
}

// thinAir keeps the absolute boost target, as control units that hold absolute pressure do: the pressure ratio and the
// compressor's heat go up. Turbine speed is not modelled.
func thinAir(met Met) Stress {
	st := Stress{Kind: ThinAir, Size: met.LowPressure, From: met.PressureFrom}
	if !value.Known(met.LowPressure) {
		st.Size, st.From = highGround, SizeUsual
	}
	st.apply = func(p *Platform, s *State) {
		if s.Barometer > st.Size {
			p.inAirOf(s, st.Size)
		}
	}
	return st
}

// inAirOf puts a state where ambient pressure is another, kPa, at the same absolute manifold pressure: the compressor
// heats by more where the air is thinner. A state without manifold pressure is left as it is.
func (p *Platform) inAirOf(s *State, kPa float64) {
	if !value.Known(s.Manifold) {
		return
	}
	there := *s
	there.Barometer = kPa
	heatCharge(s, p.chargeRise(s.Manifold, &there)-p.chargeRise(s.Manifold, s))
	s.Barometer = kPa
}

// Adds is what the stress adds to a measured metric whatever the calibration does, in the metric's unit: hotter charge
// is hotter at the charge sensor too.
func (st Stress) Adds(m metric.ID) float64 {
	if st.Kind == HotCharge && m == metric.ChargeTemperature {
		return st.Size
	}
	return 0
}

// FixesDay reports whether the stress says what day it is for a metric, so that days are no chance any more.
func (st Stress) FixesDay(m metric.ID) bool {
	return st.Kind == HotCharge && st.From != SizeUsual && m == metric.ChargeTemperature
}

// Under is a visit under a stress, as the calibration it runs on meets it: its tables are read again where the stress
// moved the state to. What a spark change of the revision does to combustion is taken to be the same as without stress.
func (p *Platform) Under(st Stress, v *Visit, on *Calibration) Visit {
	under := func(was *State) State {
		s := *was
		st.apply(p, &s)
		p.readAgain(&s, was, on)
		if !st.sameCycle {
			p.simulateStressed(&s)
		}
		s.calm = was
		return s
	}
	out := Visit{State: under(&v.State), Others: make([]State, len(v.Others))}
	for i := range v.Others {
		out.Others[i] = under(&v.Others[i])
	}
	return out
}

// readAgain moves what a calibration's tables give, and what its control unit takes out for heat, from one state to
// another of the same visit. A table that a state cannot be read by gives what it gave.
func (p *Platform) readAgain(s, was *State, on *Calibration) {
	by := func(role string) float64 {
		d, gap := on.delta(role, s, on, was)
		if gap != nil {
			return 0
		}
		return d
	}
	if boost := by("boost"); boost != 0 && value.Known(s.Manifold) {
		target := s.Target
		*s = p.withManifold(*s, s.Manifold*s.followed(boost, on))
		s.Target = target + boost
	}
	s.Spark += by("spark")
	s.IntakeCam += by("intake_cam")
	lambda := by("lambda")
	s.Lambda += lambda
	s.LambdaCommanded += lambda
	p.starved(s, was)
	p.heated(s, was.Charge)
}

func (p *Platform) simulateStressed(s *State) {
	was := s.Simulated
	p.Simulate(s)
	by := s.Simulated.less(was)
	s.SparkKept, s.OnlyAir = s.SparkKept.Plus(by), s.OnlyAir.Plus(by)
}

// heatAir warms the air that the engine takes in by some kelvin, where it is known.
func heatAir(s *State, by float64) {
	if value.Known(s.Ambient) {
		s.Ambient += by
	}
}

// heatCharge warms the charge by some kelvin at the same manifold pressure: less of it is trapped.
func heatCharge(s *State, by float64) {
	s.Load *= (s.Charge + zeroCelsius) / (s.Charge + by + zeroCelsius)
	s.Charge += by
}
