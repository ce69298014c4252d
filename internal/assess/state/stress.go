package state

import (
	"slices"

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
)

// Stress is one condition that states are put under.
type Stress struct {
	Kind StressKind
	Size float64 // in the unit that stands beside the kind

	apply      func(p *Platform, s *State)
	octaneOnly bool // it moves the knock limit and leaves combustion alone
}

// ethanolBlend is the ethanol share, percent by volume, from which the fuel stress takes ethanol away rather than
// octane.
const ethanolBlend = 30

// Stresses are the conditions that a revision is tried under on a fuel of an ethanol share (%, NaN where not logged).
// Sizes: common practice, no source.
func Stresses(ethanolPct float64) []Stress {
	fuel := Stress{Kind: LowOctane, Size: 2, octaneOnly: true,
		apply: func(_ *Platform, s *State) { s.OctaneShift = -2 }}
	if ethanolPct >= ethanolBlend {
		fuel = Stress{Kind: LessEthanol, Size: 15, apply: func(_ *Platform, s *State) { s.EthanolShift = -15 }}
	}
	return []Stress{
		{Kind: HotCharge, Size: 20, apply: func(_ *Platform, s *State) { heatCharge(s, 20) }},
		fuel,
		{Kind: ThinAir, Size: highGround, apply: thinAir},
		{Kind: RichSensor, Size: 3, apply: func(_ *Platform, s *State) { s.Lambda *= 1.03; s.LambdaCommanded *= 1.03 }},
	}
}

// Adds is what the stress adds to a measured metric whatever the calibration does, in the metric's unit: hotter charge
// is hotter at the charge sensor too.
func (st Stress) Adds(m metric.ID) float64 {
	if st.Kind == HotCharge && m == metric.ChargeTemperature {
		return st.Size
	}
	return 0
}

// Under is a visit under a stress. What its spark change does to combustion is taken to be the same as without it.
func (p *Platform) Under(st Stress, v Visit) Visit {
	v.Others = slices.Clone(v.Others)
	v.Each(func(s *State) {
		st.apply(p, s)
		if !st.octaneOnly {
			p.simulateStressed(s)
		}
	})
	return v
}

func (p *Platform) simulateStressed(s *State) {
	was, kept := s.Simulated, s.SparkKept
	p.Simulate(s)
	is := s.Simulated
	s.SparkKept = Simulated{
		PeakKPa: is.PeakKPa + kept.PeakKPa - was.PeakKPa, BMEPKPa: is.BMEPKPa + kept.BMEPKPa - was.BMEPKPa,
		TorqueNm: is.TorqueNm + kept.TorqueNm - was.TorqueNm, ExhaustC: is.ExhaustC + kept.ExhaustC - was.ExhaustC,
	}
}

// heatCharge warms the charge by some kelvin at the same manifold pressure: less of it is trapped.
func heatCharge(s *State, by float64) {
	s.Load *= (s.Charge + zeroCelsius) / (s.Charge + by + zeroCelsius)
	s.Charge += by
}

// highGround is the ambient pressure of the altitude stress, kPa: about 1450 m by the standard atmosphere (ISO 2533).
const highGround = 85

// thinAir keeps the absolute boost target, as control units that hold absolute pressure do: the pressure ratio and the
// compressor's heat go up. Turbine speed is not modelled.
func thinAir(p *Platform, s *State) {
	if s.Barometer <= highGround || !value.Known(s.Manifold) {
		return
	}
	there := *s
	there.Barometer = highGround
	heatCharge(s, p.chargeRise(s.Manifold, &there)-p.chargeRise(s.Manifold, s))
	s.Barometer = highGround
}
