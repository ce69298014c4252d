package assess

import (
	"math"
	"testing"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// kestrel is the demo's platform with its physics.
func kestrel(t *testing.T) *platform {
	t.Helper()
	ws, err := workspace.Open(demoDir(t))
	if err != nil {
		t.Fatal(err)
	}
	return newPlatform(ws, ws.Platforms["kestrel-20t"])
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
func calibrationWith(t *testing.T, id string, spark, boost, lambda float64) *calibration {
	t.Helper()
	loads := []float64{50, 100, 150, 200}
	z := make([][]float64, len(loads))
	for j, l := range loads {
		z[j] = []float64{spark - 0.1*l, spark - 0.1*l}
	}
	rpm := []float64{1000, 6000}
	return &calibration{id: id, lookups: map[string]lookup{
		"spark":  {table: tableOf(t, rpm, loads, z), x: channel.EngineSpeed, y: channel.AbsoluteLoad},
		"boost":  {table: tableOf(t, rpm, nil, [][]float64{{boost, boost}}), x: channel.EngineSpeed},
		"lambda": {table: tableOf(t, rpm, nil, [][]float64{{lambda, lambda}}), x: channel.EngineSpeed},
	}}
}

func loggedState() state {
	nan := math.NaN()
	return state{
		pull: "p", car: "car-001", rpm: 4000, load: 160, manifold: 180, target: 180, baro: 100, ambient: 20,
		charge: 40, coolant: 90, lambda: 0.86, lambdaCmd: 0.86, spark: 10, intakeCam: nan, ethanol: nan,
		fuel: "pump-91", cycles: 25, gear: 4, row: &evidence.Row{RailPressure: nan},
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
	if len(notes) > 0 || same.spark != s.spark || same.load != s.load || same.lambda != s.lambda {
		t.Errorf("a calibration against itself moved the state: %+v, %v", same, notes)
	}
	child := calibrationWith(t, "child", 32.5, 180, 0.89)
	next, notes := p.shift(s, parent, child)
	if len(notes) > 0 {
		t.Error(notes)
	}
	close(t, "spark", next.spark, s.spark+2.5, 1e-12)
	close(t, "lambda", next.lambda, s.lambda+0.03, 1e-12)
	close(t, "commanded lambda", next.lambdaCmd, s.lambdaCmd+0.03, 1e-12)
	close(t, "load", next.load, s.load, 0)
}

// More boost moves the lookup to another load cell: with a spark table that falls by 0.1° a percent of load, spark falls
// by a tenth of the rise in load. Load rises with the density p/T, T by the compressor and intercooler relation.
func TestShiftIteratesToTheNewCell(t *testing.T) {
	p, s := kestrel(t), loggedState()
	parent, child := calibrationWith(t, "parent", 30, 180, 0.86), calibrationWith(t, "child", 30, 198, 0.86)
	next, notes := p.shift(s, parent, child)
	if len(notes) > 0 {
		t.Error(notes)
	}
	close(t, "manifold pressure", next.manifold, 198, 1e-9)
	warmer := p.chargeRise(198, 100, 20) - p.chargeRise(180, 100, 20)
	if warmer <= 0 {
		t.Errorf("the charge warms by %v K with more boost", warmer)
	}
	load := s.load * 1.1 * (s.charge + kelvin) / (s.charge + warmer + kelvin)
	close(t, "load", next.load, load, 1e-6)
	close(t, "spark", next.spark, s.spark-0.1*(load-s.load), 1e-6)
	close(t, "cycles", next.cycles, s.cycles*s.load/load, 1e-6)
}

// Past the last breakpoint the control unit holds the edge value, and the state is counted.
func TestShiftPastTheLastBreakpoint(t *testing.T) {
	p, s := kestrel(t), loggedState()
	s.load = 198
	parent, child := calibrationWith(t, "parent", 30, 180, 0.86), calibrationWith(t, "child", 30, 216, 0.86)
	next, _ := p.shift(s, parent, child)
	if !next.pastLastBreakpoint {
		t.Error("a load past the last breakpoint is not noted")
	}
	close(t, "spark", next.spark, s.spark-0.1*(200-198), 1e-6)
}

// While the turbocharger still spools, manifold pressure follows a higher target in proportion.
func TestSpoolingFollowsInProportion(t *testing.T) {
	s := loggedState()
	s.manifold, s.target = 90, 180
	close(t, "factor while spooling", s.followed(18), 1.1, 1e-12)
	s.manifold = 180
	close(t, "factor on target", s.followed(18), 1.1, 1e-12)
	s.target = math.NaN()
	close(t, "factor without a logged target", s.followed(18), 1.1, 1e-12)
}

// A table that only one of two calibrations has is said, not guessed.
func TestShiftSaysWhatIsMissing(t *testing.T) {
	p, s := kestrel(t), loggedState()
	parent, child := calibrationWith(t, "parent", 30, 180, 0.86), calibrationWith(t, "child", 30, 180, 0.86)
	delete(parent.lookups, "lambda")
	_, notes := p.shift(s, parent, child)
	if len(notes) == 0 {
		t.Error("a lambda table without a counterpart is passed over in silence")
	}
}

// Direction checks, common practice (check-values.md, "monotone"): at fixed everything else more spark, more charge,
// hotter charge and lower octane each lower the knock margin.
func TestKnockMarginDirections(t *testing.T) {
	j := openJob(t, demoDir(t))
	p, f, _, err := j.fitted("kestrel-20t")
	if err != nil {
		t.Fatal(err)
	}
	base := loggedState()
	margin := p.knockMargin(f, &base)
	for name, change := range map[string]func(s *state){
		"more spark":    func(s *state) { s.spark += 2 },
		"more charge":   func(s *state) { s.load *= 1.1 },
		"hotter charge": func(s *state) { s.charge += 15 },
		"lower octane":  func(s *state) { s.octaneShift = -3 },
	} {
		s := base
		change(&s)
		if got := p.knockMargin(f, &s); !(got < margin) {
			t.Errorf("%s: knock margin %v, was %v", name, got, margin)
		}
	}
}

// Physics directions, common practice (check-values.md): later burn and leaner mixture raise exhaust temperature, more
// ethanol raises fuel demand, more charge raises peak pressure and torque.
func TestPhysicsDirections(t *testing.T) {
	p := kestrel(t)
	simulate := func(change func(s *state)) state {
		s := loggedState()
		change(&s)
		p.simulate(&s)
		return s
	}
	base := simulate(func(*state) {})
	if v := simulate(func(s *state) { s.spark -= 5 }).sim.exhaustC; !(v > base.sim.exhaustC) {
		t.Errorf("5° later: exhaust %v °C, was %v", v, base.sim.exhaustC)
	}
	if v := simulate(func(s *state) { s.lambda += 0.08 }).sim.exhaustC; !(v > base.sim.exhaustC) {
		t.Errorf("leaner: exhaust %v °C, was %v", v, base.sim.exhaustC)
	}
	more := simulate(func(s *state) { s.load *= 1.1; s.manifold *= 1.1 })
	if !(more.sim.peakKPa > base.sim.peakKPa) || !(more.sim.torqueNm > base.sim.torqueNm) {
		t.Errorf("more charge: peak %v kPa and %v N·m, was %v and %v", more.sim.peakKPa, more.sim.torqueNm, base.sim.peakKPa, base.sim.torqueNm)
	}
	ethanol := simulate(func(s *state) { s.ethanol = 40 })
	if !(p.fuelFlow(&ethanol) > p.fuelFlow(&base)) {
		t.Errorf("more ethanol: %v g/s, was %v", p.fuelFlow(&ethanol), p.fuelFlow(&base))
	}
}

// Without measurements a computed level keeps its prior; with very many cars only the spread between cars is left; a
// measured car has its own.
func TestLevelPosterior(t *testing.T) {
	of := func(l level, car string) (factor, sd float64) {
		factor, common, own := l.of(car, 0.08)
		return factor, math.Hypot(common, own)
	}
	factor, sd := of(level{}, "car")
	close(t, "factor without measurements", factor, 1, 0)
	close(t, "deviation without measurements", sd, 0.08, 0)
	many := level{}
	for i := range 10000 {
		many[string(rune('a'+i%26))+string(rune(i))] = 0.05
	}
	factor, sd = of(many, "unseen")
	close(t, "factor with many cars", factor, math.Exp(0.05), 1e-4)
	close(t, "deviation with many cars", sd, carLevelSD, 1e-4)
	factor, sd = of(level{"car": -0.1}, "car")
	close(t, "own factor", factor, math.Exp(-0.1), 1e-12)
	close(t, "own deviation", sd, ownLevelSD, 0)
}
