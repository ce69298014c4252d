package state

import (
	"math"
	"testing"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// kestrel is a platform with its physics.
func kestrel(t *testing.T) *Platform {
	t.Helper()
	ws, err := workspace.Open("../../workspace/testdata/good")
	if err != nil {
		t.Fatal(err)
	}
	return NewPlatform(ws, ws.Platforms["kestrel-20t"])
}

func tableOf(t *testing.T, x, y []float64, z [][]float64) *calmap.Table {
	t.Helper()
	out, err := calmap.New(x, y, z)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// calibrationWith has a spark table that falls by 0.1° a percent of load, a flat boost target and a flat lambda table.
func calibrationWith(t *testing.T, id string, spark, boost, lambda float64) *Calibration {
	t.Helper()
	loads := []float64{50, 100, 150, 200}
	z := make([][]float64, len(loads))
	for j, l := range loads {
		z[j] = []float64{spark - 0.1*l, spark - 0.1*l}
	}
	rpm := []float64{1000, 6000}
	return &Calibration{ID: id, Lookups: map[string]Lookup{
		"spark":  {Table: tableOf(t, rpm, loads, z), X: channel.EngineSpeed, Y: channel.AbsoluteLoad},
		"boost":  {Table: tableOf(t, rpm, nil, [][]float64{{boost, boost}}), X: channel.EngineSpeed},
		"lambda": {Table: tableOf(t, rpm, nil, [][]float64{{lambda, lambda}}), X: channel.EngineSpeed},
	}}
}

func loggedState() State {
	nan := math.NaN()
	return State{
		Pull: "p", Car: "car-001", RPM: 4000, Load: 160, Manifold: 180, Target: 180, Barometer: 100, Ambient: 20,
		Charge: 40, Coolant: 90, Lambda: 0.86, LambdaCommanded: 0.86, Spark: 10, IntakeCam: nan, Ethanol: nan,
		Fuel: "pump-91", Cycles: 25, Gear: 4, Row: &evidence.Row{RailPressure: nan},
	}
}

func close(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// A calibration against itself moves nothing; without boost, spark and lambda move by the tables' difference exactly.
func TestShiftWithoutBoost(t *testing.T) {
	p, s := kestrel(t), loggedState()
	parent := calibrationWith(t, "parent", 30, 180, 0.86)
	same, notes := p.shift(s, parent, parent)
	if len(notes) > 0 || same.Spark != s.Spark || same.Load != s.Load || same.Lambda != s.Lambda {
		t.Errorf("a calibration against itself moved the state: %+v, %v", same, notes)
	}
	child := calibrationWith(t, "child", 32.5, 180, 0.89)
	next, notes := p.shift(s, parent, child)
	if len(notes) > 0 {
		t.Error(notes)
	}
	close(t, "spark", next.Spark, s.Spark+2.5, 1e-12)
	close(t, "lambda", next.Lambda, s.Lambda+0.03, 1e-12)
	close(t, "commanded lambda", next.LambdaCommanded, s.LambdaCommanded+0.03, 1e-12)
	close(t, "load", next.Load, s.Load, 0)
}

// More boost moves the lookup to another load cell: with a spark table that falls by 0.1° a percent of load, spark
// falls by a tenth of the rise in load. Load rises with the density p/T, T by the compressor and intercooler relation.
func TestShiftIteratesToTheNewCell(t *testing.T) {
	p, s := kestrel(t), loggedState()
	parent, child := calibrationWith(t, "parent", 30, 180, 0.86), calibrationWith(t, "child", 30, 198, 0.86)
	next, notes := p.shift(s, parent, child)
	if len(notes) > 0 {
		t.Error(notes)
	}
	close(t, "manifold pressure", next.Manifold, 198, 1e-9)
	warmer := p.chargeRise(198, &s) - p.chargeRise(180, &s)
	if warmer <= 0 {
		t.Errorf("the charge warms by %v K with more boost", warmer)
	}
	load := s.Load * 1.1 * (s.Charge + zeroCelsius) / (s.Charge + warmer + zeroCelsius)
	close(t, "load", next.Load, load, 1e-6)
	close(t, "spark", next.Spark, s.Spark-0.1*(load-s.Load), 1e-6)
	close(t, "cycles", next.Cycles, s.Cycles*s.Load/load, 1e-6)
}

// Past the last breakpoint the control unit holds the edge value, and the state is counted.
func TestShiftPastTheLastBreakpoint(t *testing.T) {
	p, s := kestrel(t), loggedState()
	s.Load = 198
	parent, child := calibrationWith(t, "parent", 30, 180, 0.86), calibrationWith(t, "child", 30, 216, 0.86)
	next, _ := p.shift(s, parent, child)
	if _, past, ok := child.Lookups["spark"].At(&next); !past || !ok {
		t.Error("the state is not past the last breakpoint")
	}
	close(t, "spark", next.Spark, s.Spark-0.1*(200-198), 1e-6)
}

// While the turbocharger still spools, boost above ambient follows a higher target in proportion: half of the boost
// asked for is made, so half of what is added to it. Below ambient it makes none.
func TestSpoolingFollowsInProportion(t *testing.T) {
	s, on := loggedState(), &Calibration{Lookups: map[string]Lookup{}}
	s.Barometer, s.Manifold, s.Target = 100, 140, 180
	close(t, "factor while spooling", s.followed(18, on), 149.0/140, 1e-12)
	s.Manifold = 90
	close(t, "factor below ambient", s.followed(18, on), 1, 1e-12)
	s.Manifold = 180
	close(t, "factor on target", s.followed(18, on), 1.1, 1e-12)
	s.Target = math.NaN()
	close(t, "factor without a target", s.followed(18, on), 1.1, 1e-12)
	s.Manifold = 140
	on.Lookups["boost"] = Lookup{Table: &calmap.Table{X: []float64{1000, 7000}, Z: [][]float64{{180, 180}}},
		X: channel.EngineSpeed}
	close(t, "factor with the table's target", s.followed(18, on), 149.0/140, 1e-12)
}

// A table that only one of two calibrations has is said, not guessed.
func TestShiftSaysWhatIsMissing(t *testing.T) {
	p, s := kestrel(t), loggedState()
	parent, child := calibrationWith(t, "parent", 30, 180, 0.86), calibrationWith(t, "child", 30, 180, 0.86)
	delete(parent.Lookups, "lambda")
	_, gaps := p.shift(s, parent, child)
	want := Gap{Kind: OneSided, Role: "lambda", Revision: "parent", Other: "child"}
	if len(gaps) != 1 || gaps[0] != want {
		t.Errorf("a lambda table without a counterpart: %+v, want %+v", gaps, want)
	}
}

// Physics directions, common practice, no source: later burn and leaner mixture raise exhaust temperature, more
// ethanol raises fuel demand, more charge raises peak pressure and torque.
func TestPhysicsDirections(t *testing.T) {
	p := kestrel(t)
	simulate := func(change func(s *State)) State {
		s := loggedState()
		change(&s)
		p.Simulate(&s)
		return s
	}
	base := simulate(func(*State) {})
	if v := simulate(func(s *State) { s.Spark -= 5 }).Simulated.ExhaustC; !(v > base.Simulated.ExhaustC) {
		t.Errorf("5° later: exhaust %v °C, was %v", v, base.Simulated.ExhaustC)
	}
	if v := simulate(func(s *State) { s.Lambda += 0.08 }).Simulated.ExhaustC; !(v > base.Simulated.ExhaustC) {
		t.Errorf("leaner: exhaust %v °C, was %v", v, base.Simulated.ExhaustC)
	}
	more := simulate(func(s *State) { s.Load *= 1.1; s.Manifold *= 1.1 })
	if !(more.Simulated.PeakKPa > base.Simulated.PeakKPa) || !(more.Simulated.TorqueNm > base.Simulated.TorqueNm) {
		t.Errorf("more charge: peak %v kPa and %v N·m, was %v and %v", more.Simulated.PeakKPa, more.Simulated.TorqueNm,
			base.Simulated.PeakKPa, base.Simulated.TorqueNm)
	}
	ethanol := simulate(func(s *State) { s.Ethanol = 40 })
	if !(p.FuelFlow(&ethanol) > p.FuelFlow(&base)) {
		t.Errorf("more ethanol: %v g/s, was %v", p.FuelFlow(&ethanol), p.FuelFlow(&base))
	}
}
