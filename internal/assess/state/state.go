package state

import (
	"math"

	"headroom/internal/evidence"
	"headroom/models/channel"
	"headroom/models/value"
)

// Reference values of what a log may lack. The report says where they stand in.
const (
	StandardBarometer = 101.325 // kPa, ISO 2533 sea level
	StandardCoolant   = 90.0    // °C, a warm engine; common practice, no source
	standardAmbient   = 25.0    // °C, the reference of SAE J1349
)

// State is one operating point of one pull: as logged, or as a calibration would run it. Units as in evidence.Row; NaN
// where neither logged nor derivable. Values that belong to the whole cell (mixture, coolant, target rate) are the same
// at each of its samples.
type State struct {
	Pull string        // which pull it belongs to (see evidence.PullID)
	Car  string        // that was logged
	Row  *evidence.Row // it was read from; nil for a state that no log shows

	RPM, Load               float64
	Manifold, Target        float64 // kPa absolute
	Barometer, Ambient      float64
	Charge, Coolant         float64 // °C
	Lambda, LambdaCommanded float64
	Spark                   float64 // commanded, before knock retard
	Retard                  float64 // knock retard, °, 0 where not logged
	IntakeCam               float64
	Ethanol                 float64 // %
	Fuel                    string  // id in headroom.yaml
	Cycles                  float64 // engine cycles spent in the cell
	Order                   float64 // pulls before this one in its run
	Gear                    float64
	Overshoot               float64 // measured boost above target, kPa
	TargetRate              float64 // of the boost target, kPa/s
	Rail                    float64 // pressure, kPa
	Pedal                   float64 // and throttle, %
	Day                     float64 // of the weather it is in, on the scale of who put it there; 0 in that of its log

	PumpKnee      float64 // pump use, %, from which this car's rail pressure falls away
	Leaned        float64 // by how much leaner than Lambda says a pump that starves makes what burns, λ
	SuspectLambda bool    // the lambda sensor of its car is (fits of the fleet only)
	Unheard       bool    // its log did not hear knock
	LookedUp      bool    // its commanded lambda is the table's, for want of a logged one
	Edge          bool    // it is another sample of the cell than the bounding one
	Placed        bool    // no log was there: it was put there (see Platform.MoveTo)
	OctaneShift   float64 // stress: octane numbers added to the fuel's
	EthanolShift  float64 // stress: ethanol share added, % by volume

	Simulated Simulated // combustion here
	Logged    *State    // what it was before it was moved to another calibration; nil where it was not
	SparkKept Simulated // combustion as moved, but at the logged spark
	OnlyAir   Simulated // and at the logged lambda

	loosened *loosened // see Platform.Loosened; nil until asked for
	calm     *State    // what it was before it was put under a stress; nil where it was not
}

// Visit is one pull's visit to one operating cell: the state at its bounding sample, where the cell is hardest on the
// engine for its spark, and the states at the other samples kept of the cell.
type Visit struct {
	State
	Others []State
}

// Simulated is what the cycle model says of a state; NaN where it cannot.
type Simulated struct {
	PeakKPa, BMEPKPa, TorqueNm, ExhaustC float64
}

// Each applies f to all states of the visit.
func (v *Visit) Each(f func(*State)) {
	f(&v.State)
	for i := range v.Others {
		f(&v.Others[i])
	}
}

// AsLogged is the state before it was moved to another calibration.
func (s *State) AsLogged() *State {
	if s.Logged != nil {
		return s.Logged
	}
	return s
}

// Root is the state as it was logged, before weather and calibration moved it.
func (s *State) Root() *State {
	for s.Logged != nil {
		s = s.Logged
	}
	return s
}

// stateAt reads a logged row at one of its samples.
func stateAt(r *evidence.Row, at *evidence.Sample) State {
	return State{
		Pull: evidence.PullID(r), Car: r.Vehicle, Row: r,
		RPM: value.Or(at.RPM, r.RPM), Load: value.Or(at.Load, r.Load),
		Manifold: value.Or(at.Manifold, r.ManifoldPressure), Target: value.Or(at.Target, r.ManifoldPressureTarget),
		Barometer: value.Or(r.Barometer, StandardBarometer), Ambient: r.Ambient,
		Charge: value.Or(at.Charge, r.ChargeTemperature), Coolant: r.CoolantTemperature,
		Lambda: value.Or(r.Lambda, r.LambdaCommanded), LambdaCommanded: r.LambdaCommanded,
		Spark: value.Or(at.Commanded, r.SparkCommanded), Retard: math.Max(0, value.Or(at.Commanded-at.Delivered, 0)),
		IntakeCam: r.IntakeCam, Ethanol: r.Ethanol, Fuel: r.Fuel,
		Cycles: r.Cycles, Order: float64(r.Order), Gear: r.Gear, Overshoot: r.BoostOvershoot, TargetRate: r.TargetRate,
		Rail: r.RailPressure, Pedal: FullThrottle,
	}
}

// channels are what a logged state can supply to a table axis. A pull is near-full throttle by definition, so pedal and
// throttle read 100.
var channels = map[channel.ID]func(s *State) float64{
	channel.EngineSpeed:       func(s *State) float64 { return s.RPM },
	channel.AbsoluteLoad:      func(s *State) float64 { return s.Load },
	channel.ManifoldPressure:  func(s *State) float64 { return s.Manifold },
	channel.ThrottlePosition:  func(s *State) float64 { return s.Pedal },
	channel.PedalPosition:     func(s *State) float64 { return s.Pedal },
	channel.ChargeTemperature: func(s *State) float64 { return s.Charge },
	channel.CoolantTemperature: func(s *State) float64 {
		return s.Coolant
	},
	channel.EthanolShare: func(s *State) float64 { return s.Ethanol },
}

// FullThrottle is what pedal and throttle read in a pull, %.
const FullThrottle = 100

// Supplies reports whether a logged state can know a channel.
func Supplies(id channel.ID) bool { return channels[id] != nil }

// Axis is the value a table axis reads, in the channel's stored unit; NaN for a channel that no state knows.
func (s *State) Axis(id channel.ID) float64 {
	read, ok := channels[id]
	if !ok {
		return math.NaN()
	}
	return read(s)
}

func (s Simulated) less(o Simulated) Simulated {
	return Simulated{s.PeakKPa - o.PeakKPa, s.BMEPKPa - o.BMEPKPa, s.TorqueNm - o.TorqueNm, s.ExhaustC - o.ExhaustC}
}

// Plus is the sum of two results.
func (s Simulated) Plus(o Simulated) Simulated {
	return Simulated{s.PeakKPa + o.PeakKPa, s.BMEPKPa + o.BMEPKPa, s.TorqueNm + o.TorqueNm, s.ExhaustC + o.ExhaustC}
}
