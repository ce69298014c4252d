package assess

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
	"headroom/models/mixed"
)

// kestrel is the demo's platform with its physics.
func kestrel(t *testing.T) *platform {
	t.Helper()
	ws, err := workspace.Open(fleettest.Demo(t))
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

// More boost moves the lookup to another load cell: with a spark table that falls by 0.1° a percent of load, spark
// falls by a tenth of the rise in load. Load rises with the density p/T, T by the compressor and intercooler relation.
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
	if n := (&bench{states: []state{next}}).pastLastBreakpoint(child); n != 1 {
		t.Errorf("%d states past the last breakpoint, want 1", n)
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
	j := openJob(t, fleettest.Demo(t))
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
		t.Errorf("more charge: peak %v kPa and %v N·m, was %v and %v", more.sim.peakKPa, more.sim.torqueNm,
			base.sim.peakKPa, base.sim.torqueNm)
	}
	ethanol := simulate(func(s *state) { s.ethanol = 40 })
	if !(p.fuelFlow(&ethanol) > p.fuelFlow(&base)) {
		t.Errorf("more ethanol: %v g/s, was %v", p.fuelFlow(&ethanol), p.fuelFlow(&base))
	}
}

// Without measurements a computed level keeps its prior; measurements on other cars move it, with the spread between
// cars left in; a measured car has its own. The truth is drawn here: ratios of 0.95 with 2 % between cars.
func TestLevelPosterior(t *testing.T) {
	s := state{rpm: 4000}
	of := func(l level, car string) (factor, sd float64) {
		_, cov := l.posterior(car, 0.08)
		return l.factor(&s, car, 0.08), math.Sqrt(mat.Inner(mat.NewVecDense(len(l.design(&s)), l.design(&s)), cov,
			mat.NewVecDense(len(l.design(&s)), l.design(&s))))
	}
	factor, sd := of(level{}, "car")
	close(t, "factor without measurements", factor, 1, 0)
	close(t, "deviation without measurements", sd, 0.08, 1e-12)
	rng := rand.New(rand.NewPCG(1, 1))
	var cars []mixed.Car
	own := math.Log(0.95) + 0.06
	for i := range 30 {
		offset := math.Log(0.95) + 0.02*rng.NormFloat64()
		if i == 0 {
			offset = own
		}
		car := mixed.Car{ID: fmt.Sprint("car-", i)}
		for range 3 {
			pull := mixed.Pull{}
			for k := range 8 {
				pull.Rows = append(pull.Rows, mixed.Row{X: []float64{1, float64(k)/2 - 2},
					Y: offset + 0.01*rng.NormFloat64()})
			}
			car.Days = append(car.Days, mixed.Day{Pulls: []mixed.Pull{pull}})
		}
		cars = append(cars, car)
	}
	model, err := mixed.Fit(cars, mixed.Prior{Mean: []float64{0, 0}, SD: []float64{0.08, levelSlopeSD}})
	if err != nil {
		t.Fatal(err)
	}
	l := level{Model: model, Cars: 30, Seen: []string{"car-0"}}
	factor, sd = of(l, "unseen")
	close(t, "factor of an unseen car", factor, 0.95, 0.012)
	close(t, "deviation of an unseen car", sd, 0.021, 0.006)
	factor, sd = of(l, "car-0")
	close(t, "own factor", factor, math.Exp(own), 0.01)
	if sd > 0.006 {
		t.Errorf("own deviation %.4f", sd)
	}
}
