package worlds

import (
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"headroom/internal/hazard"
	"headroom/internal/metric"
)

// drawn are worlds without cars, of some seeds.
func drawn(t *testing.T, seeds int) []*world {
	t.Helper()
	var out []*world
	for seed := range uint64(seeds) {
		out = append(out, drawWorld(seed+1))
	}
	return out
}

// Forty seeds draw every form at least three times.
func TestEachFormIsDrawn(t *testing.T) {
	count := map[string]int{}
	flag := func(name string, on bool) {
		if on {
			count[name]++
		} else {
			count["no "+name]++
		}
	}
	for _, w := range drawn(t, 40) {
		f := &w.forms
		for _, s := range []string{f.Knock, "car " + f.CarLuck, "pull " + f.PullLuck, f.Control, f.Burn, f.Shape,
			f.Torque, "exhaust " + f.Exhaust, f.Boost, "cooler " + f.Cooler, "burn file " + f.BurnFile} {
			count[s]++
		}
		flag("memory", f.Memory)
		flag("pedal", f.Pedal)
		flag("direct", f.Direct)
		flag("protection", f.Protects)
		flag("closed loop", f.Closed)
		flag("cam", f.Cam)
		flag("climate", f.Climate)
	}
	const forms = 3 + 3 + 3 + 2 + 2 + 2 + 2 + 2 + 2 + 2 + 2 + 7*2
	if len(count) != forms {
		t.Errorf("%d forms in forty fleets, want %d: %v", len(count), forms, count)
	}
	for form, n := range count {
		if n < 3 {
			t.Errorf("%s: drawn by %d of 40 fleets", form, n)
		}
	}
}

// state is a usual state at full load.
func state(w *world) charge { return w.typical(4000, 160, 0.87, 0) }

// The borderline falls with charge temperature and load and rises with octane, in every world.
func TestKnockLimitDirections(t *testing.T) {
	for _, w := range drawn(t, 12) {
		at := func(change func(c *charge)) float64 {
			c := state(w)
			change(&c)
			return w.knock.borderline(&w.engine, &w.burn, &c)
		}
		was := at(func(*charge) {})
		hotter := at(func(c *charge) { c.temp += 20 })
		better := at(func(c *charge) { c.tank.octane += 4 })
		fuller := at(func(c *charge) { c.load *= 1.15; c.manifold *= 1.15 })
		if !(hotter < was-0.5 && better > was+1 && fuller < was-1) {
			t.Errorf("seed %d, %s: borderline %.1f, hotter %.1f, more octane %.1f, more load %.1f", w.seed,
				w.forms.Knock, was, hotter, better, fuller)
		}
	}
}

// Exhaust gets hotter with retard and cooler with enrichment; a richer mixture than about 0.97 costs no torque law its
// direction: torque falls away from the best spark on both sides.
func TestExhaustAndTorqueDirections(t *testing.T) {
	for _, w := range drawn(t, 12) {
		at := func(spark, lambda float64) (exhaust, bmep float64) {
			c := state(w)
			c.lambda = lambda
			f := w.engine.fire(&w.burn, &c, spark, nil)
			return w.exhaust.settled(&w.engine, &w.burn, &w.torque, &c, &f), w.torque.bmep(&w.engine, &w.burn, &c, &f)
		}
		c := state(w)
		best := w.burn.bestSpark(&w.engine, &c)
		was, most := at(best, 0.87)
		late, less := at(best-12, 0.87)
		rich, _ := at(best, 0.78)
		_, early := at(best+12, 0.87)
		if !(late > was+5 && rich < was-15) {
			t.Errorf("seed %d, %s: exhaust %.0f, 12° later %.0f, richer %.0f", w.seed, w.forms.Exhaust, was, late, rich)
		}
		if !(less < most && early < most && less > 0.7*most) {
			t.Errorf("seed %d, %s: torque %.0f at best, %.0f late, %.0f early", w.seed, w.forms.Torque, most, less,
				early)
		}
	}
}

// A polytrope from valve closing to top dead centre lifts pressure by the volume ratio to its exponent, and burning
// adds to that: peak pressure lies between the motored one and that of burning at constant volume (Heywood 1988,
// section 5.5).
func TestPeakPressureLiesBetweenMotoredAndConstantVolume(t *testing.T) {
	for _, w := range drawn(t, 12) {
		e, c := &w.engine, state(w)
		air := c.load * loadAir
		mass := air * (1 + 1/(c.lambda*stoichiometric(c.tank.ethanol))) / (1 - e.residual(&c)) // g/L swept
		closed := math.Exp(e.logVol(e.ivc))                                                    // clearance volumes
		atClosing := mass * (e.compression - 1) * airGas * e.trapped(&c) / closed
		motored := atClosing * math.Pow(closed, squeeze)
		for _, spark := range []float64{-5, 10, 25} {
			f := e.fire(&w.burn, &c, spark, nil)
			if f.peak < motored*0.98 && spark > 0 || f.peak > 6*motored {
				t.Errorf("seed %d, spark %g: peak %.0f kPa, motored %.0f", w.seed, spark, f.peak, motored)
			}
		}
		early, late := e.fire(&w.burn, &c, 20, nil), e.fire(&w.burn, &c, 10, nil)
		if early.peak <= late.peak {
			t.Errorf("seed %d: peak %.0f kPa with more spark, %.0f with less", w.seed, early.peak, late.peak)
		}
	}
}

// The course of the burn is what its shape says: a Wiebe function reaches 1 − e⁻⁵ at its end, a cosine half in the
// middle.
func TestBurnCourse(t *testing.T) {
	for _, w := range drawn(t, 8) {
		b := &w.burn
		for _, share := range []float64{0.1, 0.5, 0.9} {
			if got := b.burned(b.reach(share)); math.Abs(got-share) > 1e-3 {
				t.Errorf("seed %d, %s: %.4f burned where %.1f should be", w.seed, b.shape, got, share)
			}
		}
	}
}

// A thermocouple in gas that jumps shows 1 − 1/e of it after its time constant; a first-order lag trails a ramp by it.
func TestProbeLag(t *testing.T) {
	for _, w := range drawn(t, 6) {
		probe, seconds := 0.0, 0.0
		for probe < 1-1/math.E {
			probe += (1 - probe) * min(1, tick/w.exhaust.probe)
			seconds += tick
		}
		if math.Abs(seconds-w.exhaust.probe) > 2*tick || w.exhaust.probe < 1 || w.exhaust.probe > 3 {
			t.Errorf("seed %d: %.2f s to 63 %%, time constant %.2f", w.seed, seconds, w.exhaust.probe)
		}
	}
}

// A step of lambda reaches the sensor after the gas's way, and 63 % of it after the sensor's lag more.
func TestLambdaPath(t *testing.T) {
	for _, w := range drawn(t, 6) {
		var p lambdaPath
		p.fill(1)
		seconds := 0.0
		for p.sensed > 1-0.1*(1-1/math.E) {
			p.step(&w.mixture, 0.9, 50, tick)
			seconds += tick
		}
		if want := w.mixture.pipe + w.mixture.sensor; math.Abs(seconds-want) > 3*tick {
			t.Errorf("seed %d: %.2f s, way and lag are %.2f", w.seed, seconds, want)
		}
	}
}

// Below the pump's knee nothing is missing; far beyond what it delivers, lambda rises with the demand.
func TestStarvationReachesLambda(t *testing.T) {
	for _, w := range drawn(t, 8) {
		c, s := w.middling(), &w.fuelSystem
		most := s.limit(s.pressure(1.5, 180))
		if d := s.deliver(&w.engine, c, 0.5*most, 5000, 1.5, 180); d.lean != 1 || d.target-d.rail > 0.02*d.target {
			t.Errorf("seed %d: at half the pump's flow lambda × %.3f, rail %.0f of %.0f", w.seed, d.lean, d.rail,
				d.target)
		}
		weak := *c
		weak.pump = 0.5
		one := s.deliver(&w.engine, &weak, 0.7*most, 5000, 1.5, 180)
		two := s.deliver(&w.engine, &weak, 0.9*most, 5000, 1.5, 180)
		if !(one.lean > 1 && two.lean > one.lean && two.rail < one.rail) {
			t.Errorf("seed %d: a weak pump gives lambda × %.3f and %.3f", w.seed, one.lean, two.lean)
		}
	}
}

// Luck has mean 0 and standard deviation 1 whatever its law; skewed luck has its tail on the bad side.
func TestLuck(t *testing.T) {
	const n = 40000
	for _, l := range luckLaws {
		d := newDice(3, 9)
		sum, squares, cubes := 0.0, 0.0, 0.0
		for range n {
			v := l.draw(d)
			sum, squares, cubes = sum+v, squares+v*v, cubes+v*v*v
		}
		// fourth moments are at most 9, so a mean square has a standard error of at most 0.015
		if math.Abs(sum/n) > 0.02 || math.Abs(squares/n-1) > 0.06 {
			t.Errorf("%s: mean %.3f, mean square %.3f", l, sum/n, squares/n)
		}
		if l == luckSkewed && cubes/n > -1.5 { // −2 for a reflected exponential
			t.Errorf("%s: third moment %.2f", l, cubes/n)
		}
	}
}

// The standard error of a share allows for pulls of a day being alike: days that all cross or none do are as good as
// one pull a day.
func TestErrorOfSharesIsByDay(t *testing.T) {
	x := crossings{}
	for day := range 100 {
		for range 5 {
			if day < 30 {
				x.add(map[hazard.ID]bool{hazard.Lean: true}, day, 100, 5)
			}
		}
	}
	p, se := meanAndError(x[hazard.Lean], 100)
	if want := math.Sqrt(0.3 * 0.7 / 100); math.Abs(p-0.3) > 1e-9 || math.Abs(se-want) > 0.01*want {
		t.Errorf("%.3f ± %.4f, want 0.300 ± %.4f", p, se, want)
	}
}

// Altitude takes pressure as the standard atmosphere does: 89.87 kPa at 1000 m (ISO 2533, table 1).
func TestAltitude(t *testing.T) {
	for _, w := range drawn(t, 20) {
		for _, p := range w.places {
			want := 101.325 * math.Exp(-p.altitude/8330) // within 0.5 % below 2 km
			if math.Abs(p.pressure-want) > 0.01*want {
				t.Errorf("%.0f m: %.2f kPa", p.altitude, p.pressure)
			}
		}
	}
	if got := 101.325 * math.Pow(1-2.25577e-5*1000, 5.25588); math.Abs(got-89.87) > 0.02 {
		t.Errorf("1000 m: %.2f kPa", got)
	}
}

// A car that drifts is another in a year, and no other.
func TestDriftMoves(t *testing.T) {
	w := drawWorld(1)
	day := historyStart.AddDate(1, 0, 0)
	for _, kind := range []DriftKind{DriftDeposits, DriftPump, DriftSensor, DriftLeak, DriftPower} {
		c := w.middling()
		c.drift = drift{kind, -0.1}
		if now := c.on(day); now.knock == c.knock && now.pump == c.pump && now.lambdaBias == c.lambdaBias &&
			now.reach == c.reach && now.torque == c.torque {
			t.Errorf("%s: nothing moved", kind)
		}
	}
	if c := w.middling(); c.on(day) != c {
		t.Error("a sound car moved")
	}
}

// Every limit that is drawn has a true value in a pull, and base pulls stay below it nearly always.
func TestLimitsLieAboveBasePulls(t *testing.T) {
	w, err := invent(Options{Seed: 2, Cars: 8}, nil)
	if err != nil {
		t.Fatal(err)
	}
	c := w.sample(1)[0]
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for h, days := range w.simulate(c, w.base[c.fuel], from, 1) {
		if p, _ := meanAndError(days, truthDays); p > 0.25 {
			t.Errorf("%s: %s crosses in %.2f of base pulls", c.id, h, p)
		}
	}
	for i := range w.limits {
		s := w.baseDay(c, newDice(5))
		s.pull(4, 1800, 6000, coarseTick)
		if v := s.value(w.limits[i].metric); math.IsNaN(v) {
			t.Errorf("%s has no true value", w.limits[i].metric)
		}
	}
	if s := w.baseDay(c, newDice(5)); !math.IsNaN(s.value(metric.WastegateDuty)) {
		t.Error("wastegate duty has a value, so its limits could be drawn")
	}
}

// A share has no limit past the whole: fleets whose base pulls use up a pump or an injector wrote 101 and 106 %, which
// no workspace may say.
func TestNoLimitPastTheWhole(t *testing.T) {
	for i := range rules {
		r := &rules[i]
		if r.unit != "%" {
			continue
		}
		var seen []sighting
		for pull := range 10 {
			g := sighting{pull: pull, rpm: 5000, load: 150}
			g.value[i] = 97
			seen = append(seen, g)
		}
		if l := r.set(nil, i, seen, limitLevel, 1.8); l.value > 100 || l.value < 97 {
			t.Errorf("limit of %s: %g %%", r.metric, l.value)
		}
	}
}

// All kinds are drawn, small steps and large ones; a fleet without a cam has no change of it.
func TestKindsAndSizes(t *testing.T) {
	for _, w := range drawn(t, 4) {
		d := newDice(w.seed, 77)
		kinds := map[Kind]int{}
		small, large := 0, 0
		for range 600 {
			ch := w.drawChange(d)
			kinds[ch.kind]++
			if ch.size < 0.15 {
				small++
			}
			if ch.size > 0.75 {
				large++
			}
		}
		want := len(shareOf)
		if !w.engine.hasCam {
			want--
		}
		if len(kinds) != want || kinds[KindCam] > 0 != w.engine.hasCam || small < 60 || large < 60 {
			t.Errorf("seed %d: %v, %d small, %d large", w.seed, kinds, small, large)
		}
	}
}

// Much more spark everywhere knocks, less does not more often than before, and the parent is graded on the same days.
func TestTruthFollowsTheChange(t *testing.T) {
	w, err := invent(Options{Seed: 6, Cars: 6}, nil)
	if err != nil {
		t.Fatal(err)
	}
	c := w.sample(1)[0]
	parent := c.revisions[0]
	knock := func(spark float64) float64 {
		ch := change{kind: KindSpark, low: 0, high: 9000, loadLow: 80, loadHigh: 400, spark: spark, fuel: -1}
		r := ch.apply(w, parent, "p-1", c.id, "t1", historyEnd)
		p, _ := meanAndError(w.simulate(c, r, historyEnd, 3)[hazard.Knock], truthDays)
		return p
	}
	before := knock(0)
	if more, less := knock(9), knock(-4); !(more > 0.5 && more > before && less <= before+0.01) {
		t.Errorf("knock in %.3f of pulls, 9° more %.3f, 4° less %.3f", before, more, less)
	}
}

// The same seed gives the same bytes, and the same proposals; another gives another fleet.
func TestSameSeedSameBytes(t *testing.T) {
	read := func(seed uint64) (map[string]string, []Graded) {
		dir := filepath.Join(t.TempDir(), "ws")
		if _, err := Build(dir, Options{Seed: seed, Cars: 4}); err != nil {
			t.Fatal(err)
		}
		graded, err := Propose(dir, 2, 9)
		if err != nil {
			t.Fatal(err)
		}
		return contents(t, dir), graded
	}
	one, truth := read(3)
	two, again := read(3)
	for name, text := range one {
		if two[name] != text {
			t.Errorf("%s differs", name)
		}
	}
	if len(one) != len(two) || !slices.EqualFunc(truth, again, func(a, b Graded) bool { return same(&a, &b) }) {
		t.Error("files or truths differ")
	}
	other := drawWorld(4)
	if text := string(other.configFile()); text == one["headroom.yaml"] {
		t.Error("another seed gives the same fleet")
	}
}

// A fleet asked to drift has about the share it was asked for, of every kind, and is otherwise the fleet it was.
func TestPlantedDrift(t *testing.T) {
	kinds, n := map[DriftKind]int{}, 0
	w := drawWorld(3)
	for i := range 400 {
		w.cars = append(w.cars, w.drawCar(i))
	}
	knock := w.cars[7].knock
	w.plant(0.25)
	for _, c := range w.cars {
		if c.drift.kind != driftNone {
			kinds[c.drift.kind]++
			n++
		}
	}
	if n < 70 || n > 130 || len(kinds) != 5 || w.cars[7].knock != knock {
		t.Errorf("%d of 400 cars drift: %v", n, kinds)
	}
}
