package fleet

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/workspace"
	"headroom/models/mixed"

	"gonum.org/v1/gonum/mat"
)

func close(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// Without measurements a computed level keeps its prior; measurements on other cars move it, with the spread between
// cars left in; a measured car has its own. The truth is drawn here: ratios of 0.95 with 2 % between cars.
func TestLevelPosterior(t *testing.T) {
	s := state.State{RPM: 4000}
	q := &Quantity{bias: 0.08}
	of := func(l *Level, car string) (factor, sd float64) {
		_, cov := l.Posterior(q, car)
		return l.Factor(q, &s, car), math.Sqrt(mat.Inner(mat.NewVecDense(len(l.Design(&s)), l.Design(&s)), cov,
			mat.NewVecDense(len(l.Design(&s)), l.Design(&s))))
	}
	factor, sd := of(&Level{}, "car")
	close(t, "factor without measurements", factor, 1, 0)
	close(t, "deviation without measurements", sd, 0.08, 1e-12)
	rng := rand.New(rand.NewPCG(1, 1))
	l := &Level{Cars: 30, Seen: []string{"car-0"}}
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
				at := state.State{RPM: 2000 + 500*float64(k)}
				pull.Rows = append(pull.Rows, mixed.Row{X: l.covariates(&at),
					Y: offset + 0.01*rng.NormFloat64()})
			}
			car.Days = append(car.Days, mixed.Day{Pulls: []mixed.Pull{pull}})
		}
		cars = append(cars, car)
	}
	model, err := mixed.Fit(cars, l.prior(q))
	if err != nil {
		t.Fatal(err)
	}
	l.Model = model
	factor, sd = of(l, "unseen")
	close(t, "factor of an unseen car", factor, 0.95, 0.012)
	close(t, "deviation of an unseen car", sd, 0.021, 0.006)
	factor, sd = of(l, "car-0")
	close(t, "own factor", factor, math.Exp(own), 0.01)
	if sd > 0.006 {
		t.Errorf("own deviation %.4f", sd)
	}
}

// shapedFleet is a fleet whose torque is another engine's than the platform file says: it burns 5° later, breathes up
// to 4 % better or worse over speed than its load tells, has 1 % between cars, a pattern of 1 % for each car and cell,
// and 1 % from pull to pull and cell. Logs go over speed, load and spark as different calibrations would.
func shapedFleet(t *testing.T) (believed *state.Platform, visits []*state.Visit, truth func(s *state.State) float64) {
	t.Helper()
	believed = platformWith(t, "direct", func(p *workspace.Platform) { p.Burn.Known = workspace.Guess })
	later := believed.Angles
	later.Lag += 5
	real := believed.WithBurn(later)
	truth = func(s *state.State) float64 {
		at := *s
		real.Simulate(&at)
		return at.Simulated.BMEPKPa * (1 + 0.04*math.Sin(s.RPM/900))
	}
	rng := rand.New(rand.NewPCG(3, 1))
	p := state.Preparer{Platform: believed}
	for car := range 12 {
		offset, spark, boost := 0.01*rng.NormFloat64(), 2*rng.NormFloat64(), 0.04*rng.NormFloat64()
		pattern := map[int]float64{}
		for pull := range 8 {
			for k := range 11 {
				r := wholeRow()
				r.Vehicle, r.Run, r.Segment = fmt.Sprint("car-", car), fmt.Sprint("run-", car), int32(pull)
				at := &r.Bound
				at.RPM = 1800 + 480*float64(k) + 60*rng.NormFloat64()
				at.Load = (165 - 6*math.Pow(at.RPM/1000-4, 2)) * math.Exp(boost+0.02*rng.NormFloat64())
				at.Commanded = 9 + 3*(at.RPM/1000-4) - 0.1*(at.Load-150) + spark
				at.Delivered = at.Commanded
				r.RPM, r.Load, r.Entry, r.Exit, r.Peak = at.RPM, at.Load, *at, *at, *at
				v := p.Logged(r)
				cell := believed.CellOf(&v.State)
				key := cell[0]*1000 + cell[1]
				if _, met := pattern[key]; !met {
					pattern[key] = 0.01 * rng.NormFloat64()
				}
				bmep := truth(&v.State) * math.Exp(offset+pattern[key]+0.01*rng.NormFloat64())
				r.Bound.Torque = believed.Geometry.Torque(bmep * 1000)
				visits = append(visits, &v)
			}
		}
	}
	return believed, visits, truth
}

// What physics misses of a wrong anchor and wrong breathing is learned as a shape, and not taken for chance; each car's
// pattern is told from what changes from pull to pull. The truth is drawn (see shapedFleet).
func TestLevelHasAShape(t *testing.T) {
	believed, visits, truth := shapedFleet(t)
	q := QuantityOf(metric.BMEP)
	l, err := fitLevel(believed, q, visits)
	if err != nil {
		t.Fatal(err)
	}
	close(t, "pattern", math.Sqrt(l.Between), 0.01, 0.003)
	close(t, "chance", math.Sqrt(l.Within), 0.01, 0.002)
	worst := 0.0
	for _, v := range visits {
		expected := q.Predictor(believed, &v.State) * l.Factor(q, &v.State, "unseen")
		worst = math.Max(worst, math.Abs(math.Log(expected/truth(&v.State))))
	}
	if worst > 0.025 {
		t.Errorf("the expected torque of some state is %.1f %% off, of a shape of 8 %% and more", 100*worst)
	}
	f := &Fleet{Preparer: state.Preparer{Platform: believed}, Fit: &Fit{}}
	var states []*state.State
	for _, v := range visits {
		states = append(states, &v.State)
	}
	own := f.LevelPatternOf(&l, q, "car-3", states)
	if chance := own.Residual; !(chance < 0.0125) {
		t.Errorf("of a car of eight pulls %.4f is chance, truly 0.01", chance)
	}
	close(t, "chance of a car not seen", f.LevelPatternOf(&l, q, "", states).Residual, 0.0141, 0.003)
}

// Two cars differ by their calibrations and fuels as much as by themselves: what load and spark do inside their pulls
// is not carried from one to the other, and with it the level of a third would be lost (on an invented fleet of two
// such cars the spread between them came out at 11 %).
func TestFewCarsTellNoShapeOverLoadAndSpark(t *testing.T) {
	believed, visits, _ := shapedFleet(t)
	q := QuantityOf(metric.BMEP)
	for cars, plain := range map[int]bool{2: true, carLevelCars - 1: true, carLevelCars: false, 12: false} {
		l, err := fitLevel(believed, q, visits[:88*cars])
		if err != nil {
			t.Fatal(err)
		}
		own := &state.State{RPM: 4000, Load: 150, Spark: 10}
		later := *own
		later.Spark, later.Load = own.Spark+8, 1.1*own.Load
		moves := l.Factor(q, &later, "unseen") != l.Factor(q, own, "unseen")
		if l.Cars != cars || l.Plain != plain || moves == plain {
			t.Errorf("%d cars: plain %v, level moves with load and spark %v", cars, l.Plain, moves)
		}
	}
}

// A change that a revision makes is physics': however the shape came out over load and spark, it is read where the pull
// was logged. And what the anchor is not known by is settled there by torque, not in the change.
func TestLevelLeavesTheChangeToPhysics(t *testing.T) {
	believed, visits, truth := shapedFleet(t)
	q := QuantityOf(metric.BMEP)
	l, err := fitLevel(believed, q, visits)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range visits[:88] {
		was := &v.State
		for _, change := range []struct{ spark, load float64 }{{4, 1}, {-4, 1}, {0, 1.15}, {3, 1.1}} {
			moved := *was
			moved.Logged = was
			moved.Spark, moved.Load = was.Spark+change.spark, was.Load*change.load
			believed.Simulate(&moved)
			factor := l.Factor(q, was, "unseen")
			close(t, "factor after a change", l.Factor(q, &moved, "unseen"), factor, 1e-12)
			physics := math.Log(q.Predictor(believed, &moved) / q.Predictor(believed, was))
			close(t, "change foretold, ln", physics, math.Log(truth(&moved)/truth(was)), 0.035)
			v := factor * q.Predictor(believed, was)
			left := factor*q.LooseChange(believed, was)[0] - l.SettledAt(was, v)[0]
			if math.Abs(left) > 0.003*v {
				t.Errorf("at %.0f rpm a deviation of ignition lag still moves torque by %.1f %%", was.RPM, 100*left/v)
			}
		}
	}
}

// Torque that knock retard took is not what commanded spark gives: it is known as such, stays where a revision asks for
// as much spark or more, and goes as far as the revision takes spark away itself or changes the fuel.
func TestRetardIsNotMisfit(t *testing.T) {
	p := state.Preparer{Platform: platformWith(t, "direct", func(*workspace.Platform) {})}
	r := wholeRow()
	r.Bound.Delivered = r.Bound.Commanded - 3
	v := p.Logged(r)
	close(t, "retard as logged", retardOf(&v.State), 3, 1e-12)
	for spark, want := range map[float64]float64{2: 3, 0: 3, -1: 2, -3: 0, -8: 0} {
		moved := v.State
		moved.Logged, moved.Spark = &v.State, v.Spark+spark
		close(t, fmt.Sprint("retard after ", spark, "°"), retardOf(&moved), want, 1e-12)
		moved.Fuel = "e85"
		close(t, "retard on another fuel", retardOf(&moved), 0, 0)
	}
}

// Knock retard costs torque and must not be read as late burning, which would lower computed peak pressure: a log with
// retard moves the angles no further than the same engine's without.
func TestRetardIsNotLateBurning(t *testing.T) {
	believed := platformWith(t, "direct", func(p *workspace.Platform) { p.Burn.Known = workspace.Guess })
	rows := torqueRows(t, believed)
	plain := fitBurn(believed, rows, state.RailLine{})
	close(t, "angle where torque is as computed", plain.Lag, believed.Angles.Lag, 1e-9)
	for i := range rows {
		r := &rows[i]
		fired := *r
		fired.Bound.Commanded -= 4
		p := state.Preparer{Platform: believed}
		v := p.Logged(&fired)
		r.Bound.Delivered = fired.Bound.Commanded
		r.Bound.Torque = v.Simulated.TorqueNm
	}
	retarded := fitBurn(believed, rows, state.RailLine{})
	close(t, "ratio of torque with retard", retarded.Ratio, 0, 1e-9)
	close(t, "ignition lag with retard", retarded.Lag, plain.Lag, 1e-9)
}
