package cycle_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"sync"
	"testing"

	"headroom/models/cycle"
	"headroom/models/engine"
	"headroom/models/fuel"

	"pgregory.net/rapid"
)

// Douaud and Eyzat, SAE 780080.
func TestDelay(t *testing.T) {
	for _, c := range [][4]float64{{95, 40, 850, 2.453}, {91, 40, 850, 2.119}, {100, 30, 900, 3.716}} {
		got, err := cycle.Delay(c[0], c[1]*101325, c[2])
		if err != nil || math.Abs(got*1000-c[3]) > 6e-4 {
			t.Errorf("delay at ON %g, %g atm, %g K: %.4f ms, want %g (%v)", c[0], c[1], c[2], got*1000, c[3], err)
		}
	}
}

// randomStates are operating points from idle to full boost.
func randomStates(t testing.TB, n int) []cycle.State {
	rng := rand.New(rand.NewPCG(7, 11))
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	var out []cycle.State
	for range n {
		load := between(0.3, 2.6)
		out = append(out, cycle.State{RPM: between(1000, 7500), AirMass: load * 1.184 * cylinder,
			ManifoldPressure:  100e3 * load,
			ChargeTemperature: between(270, 350), CoolantTemperature: between(320, 385), Lambda: between(0.75, 1.1),
			Spark: between(-8, 40), Fuel: finished(t, between(91, 104), between(0, 0.3)), Octane: between(86, 108)})
	}
	return out
}

// The default step against a step of 0.05°, 0.1° where the limit is searched: peak pressure within 0.2 %,
// knock-limited spark within 0.1°.
func TestDefaultStepIsAccurate(t *testing.T) {
	fine := config()
	fine.Step = 0.05
	e, ref := newEngine(t, config()), newEngine(t, fine)
	fine.Step = 0.1
	search := newEngine(t, fine)
	var peak, imep, rise, temp, limit float64
	limits := 0
	for _, s := range randomStates(t, 60) {
		a, err := e.Run(s)
		if err != nil {
			continue // burn not finished at this corner; refusals are tested elsewhere
		}
		b, err := ref.Run(s)
		if err != nil {
			t.Fatal(err)
		}
		peak = max(peak, math.Abs(a.PeakPressure/b.PeakPressure-1))
		imep = max(imep, math.Abs(a.IMEP/b.IMEP-1))
		rise = max(rise, math.Abs(a.MaxPressureRise/b.MaxPressureRise-1))
		temp = max(temp, math.Abs(a.TemperatureEVO-b.TemperatureEVO))
		ka, errA := e.KnockLimitedSpark(s)
		kb, errB := search.KnockLimitedSpark(s)
		if (errA == nil) != (errB == nil) {
			t.Errorf("limit found by one step only: %v, %v", errA, errB)
		}
		if errA == nil && errB == nil {
			limits++
			limit = max(limit, math.Abs(ka-kb))
		}
	}
	t.Logf("largest error: peak %.2g, imep %.2g, pressure rise %.2g, exhaust opening %.2g K, limit %.3g° (%d limits)",
		peak, imep, rise, temp, limit, limits)
	if peak > 0.002 || imep > 0.002 || rise > 0.005 || temp > 1 || limit > 0.1 {
		t.Error("default step is too coarse")
	}
	if limits < 10 {
		t.Errorf("only %d states had a knock limit to compare", limits)
	}
}

// The real cycle converges with the crank step. Below some 1e-6 the place of Woschni's motored reference, the node
// before the start of burn, shows; TestOrder shows the method's own order without it.
func TestConvergesWithStep(t *testing.T) {
	at := func(step float64, s cycle.State) cycle.Result {
		cfg := config()
		cfg.Step = step
		r, err := newEngine(t, cfg).Run(s)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for k, s := range states(t) {
		exact := at(0.025, s)
		for _, c := range [][2]float64{{2, 4e-5}, {1, 5e-6}, {0.5, 2e-6}, {0.1, 1e-6}} {
			r := at(c[0], s)
			for name, rel := range map[string]float64{
				"peak pressure":                  r.PeakPressure/exact.PeakPressure - 1,
				"imep":                           r.IMEP/exact.IMEP - 1,
				"temperature at exhaust opening": r.TemperatureEVO/exact.TemperatureEVO - 1,
			} {
				if math.Abs(rel) > c[1] {
					t.Errorf("cycle %d, step %g°: %s off by %.2g, want %.2g", k+1, c[0], name, rel, c[1])
				}
			}
		}
	}
}

// First law over the closed part: released = stored + work + lost, within 0.1 %. Work and loss are integrated on their
// own, so that this is no identity.
func TestEnergyBalance(t *testing.T) {
	e := newEngine(t, config())
	n, worst := 0, 0.0
	for _, s := range randomStates(t, 200) {
		r, err := e.Run(s)
		if err != nil {
			continue
		}
		n++
		worst = max(worst, math.Abs(r.Released-r.Stored-r.Work-r.Lost)/r.Released)
	}
	t.Logf("%d cycles, largest open balance %.2g", n, worst)
	if worst > 0.001 || n < 150 {
		t.Errorf("%d cycles, balance open by %.2g", n, worst)
	}
}

// Directions: common practice, no source. At a high load, everything else held.
func TestDirections(t *testing.T) {
	e := newEngine(t, config())
	for _, base := range states(t)[:2] {
		before, err := e.Run(base)
		if err != nil {
			t.Fatal(err)
		}
		run := func(change func(*cycle.State)) cycle.Result {
			s := base
			change(&s)
			r, err := e.Run(s)
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		for name, change := range map[string]func(*cycle.State){
			"more spark":     func(s *cycle.State) { s.Spark += 2 },
			"more boost":     func(s *cycle.State) { s.AirMass *= 1.05; s.ManifoldPressure *= 1.05 },
			"hotter charge":  func(s *cycle.State) { s.ChargeTemperature += 10 },
			"hotter coolant": func(s *cycle.State) { s.CoolantTemperature += 10 },
			"lower octane":   func(s *cycle.State) { s.Octane -= 2 },
			"lower speed":    func(s *cycle.State) { s.RPM *= 0.9 },
		} {
			if r := run(change); !(r.KnockIntegral > before.KnockIntegral) {
				t.Errorf("%s must raise the knock integral: %g, was %g", name, r.KnockIntegral, before.KnockIntegral)
			}
		}
		ethanol := run(func(s *cycle.State) { s.Fuel, err = s.Fuel.WithEthanol(0.4) })
		if err != nil || !(ethanol.KnockIntegral < before.KnockIntegral) {
			t.Error("more ethanol, evaporating into the charge, must lower the knock integral even at the same octane")
		}
		later := run(func(s *cycle.State) { s.Spark -= 4 })
		if !(later.ExhaustTemperature > before.ExhaustTemperature && later.PeakPressure < before.PeakPressure) {
			t.Error("later burn must heat the exhaust and lower the peak pressure")
		}
	}
	// Leaner at high load, between rich and stoichiometric: hotter exhaust, less knock margin.
	s := states(t)[1]
	lastEGT, lastKnock := 0.0, 0.0
	for _, lambda := range []float64{0.78, 0.82, 0.86, 0.90, 0.94, 0.98} {
		s.Lambda = lambda
		r, err := e.Run(s)
		if err != nil {
			t.Fatal(err)
		}
		if !(r.ExhaustTemperature > lastEGT && r.KnockIntegral > lastKnock) {
			t.Errorf("λ %g: exhaust %g K after %g, knock integral %g after %g", lambda, r.ExhaustTemperature, lastEGT,
				r.KnockIntegral, lastKnock)
		}
		lastEGT, lastKnock = r.ExhaustTemperature, r.KnockIntegral
	}
}

// Orders of magnitude an engine man knows (common practice, no source): one octane number is worth half to one degree,
// 10 % charge some degrees, 10 K charge one to four degrees; burn angles grow about with speed to the third.
func TestSlopesArePlausible(t *testing.T) {
	e := newEngine(t, config())
	for k, s := range states(t)[:2] {
		sl, err := e.Slopes(s)
		if err != nil || !sl.KnockKnown {
			t.Fatal(err, sl.KnockKnown)
		}
		for _, c := range []struct {
			name           string
			got, low, high float64
		}{
			{"degrees an octane number", sl.Knock.Octane, 0.4, 1.1},
			{"degrees for 10 % charge", 0.1 * sl.Knock.LnCharge, -6, -1.5},
			{"degrees for 10 K charge temperature", 10 * sl.Knock.Charge, -4, -0.8},
			{"degrees for 0.1 leaner", 0.1 * sl.Knock.Lambda, -5, -0.1},
			{"CA50 a degree of spark", sl.CA50.Spark, -1.5, -0.8},
			{"exhaust K a degree of spark", sl.ExhaustTemperature.Spark, -25, -5},
			{"imep for 10 % charge, kPa", 0.1 * sl.IMEP.LnCharge / 1e3, 100, 350},
		} {
			if c.got < c.low || c.got > c.high {
				t.Errorf("cycle %d: %s = %.3g, want %g to %g", k+1, c.name, c.got, c.low, c.high)
			}
		}
		faster := s
		faster.RPM *= 1.1
		a, err := e.Run(s)
		if err != nil {
			t.Fatal(err)
		}
		b, err := e.Run(faster)
		if err != nil {
			t.Fatal(err)
		}
		if x := math.Log(b.IgnitionLag/a.IgnitionLag) / math.Log(1.1); math.Abs(x-1.0/3) > 0.02 {
			t.Errorf("ignition lag goes with speed to the %.3f, want 1/3", x)
		}
	}
}

// The anchor must be met where it was set, whatever the scaling.
func TestAnchorIsMet(t *testing.T) {
	cfg := config()
	e := newEngine(t, cfg)
	b := cfg.Burn
	mass := b.AbsoluteLoad / 100 * 1.184 * cylinder
	pressure := mass * 287.05 * b.ChargeTemperature / cylinder
	r, err := e.Run(cycle.State{RPM: b.RPM, AirMass: mass, ManifoldPressure: pressure,
		ChargeTemperature:  b.ChargeTemperature,
		CoolantTemperature: b.CoolantTemperature, Lambda: b.Lambda, Spark: b.Spark, Fuel: b.Fuel, Octane: 95})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(r.IgnitionLag-b.Lag) > 1e-3 || math.Abs(r.BurnDuration-b.Duration) > 1e-3 {
		t.Errorf("lag %g°, duration %g°; the anchor says %g° and %g°", r.IgnitionLag, r.BurnDuration, b.Lag, b.Duration)
	}
	// start 2°, half burned at 51.75 % of 48° (definition)
	if want := 3.0 - 1; math.Abs(r.CA50-(want+0.5175*48)) > 0.02 {
		t.Errorf("CA50 %g°", r.CA50)
	}
}

// The limit is where the integral is 1, and its slopes are what moving the inputs and solving again gives.
func TestKnockLimit(t *testing.T) {
	cfg := config()
	s := states(t)[1]
	// Put the limit where the state is, as a user would do from logs.
	scale, err := newEngine(t, cfg).ScaleDelay(s)
	if err != nil {
		t.Fatal(err)
	}
	cfg.DelayScale = scale
	e := newEngine(t, cfg)
	for _, start := range []float64{-20, 0, s.Spark, 30, 55} {
		from := s
		from.Spark = start
		limit, err := e.KnockLimitedSpark(from)
		if err != nil || math.Abs(limit-s.Spark) > 0.01 {
			t.Errorf("from %g°: limit %g° (%v), want %g°", start, limit, err, s.Spark)
		}
	}
	sl, err := e.Slopes(s)
	if err != nil || !sl.Limit.Found {
		t.Fatal(err, sl.Limit.Reason)
	}
	solve := func(change func(*cycle.State)) float64 {
		moved := s
		change(&moved)
		limit, err := e.KnockLimitedSpark(moved)
		if err != nil {
			t.Fatal(err)
		}
		return limit
	}
	for _, c := range []struct {
		name     string
		slope    float64
		step     float64
		change   func(*cycle.State, float64)
		relative float64
	}{
		{"charge", sl.Limit.Slopes.LnCharge, 0.03,
			func(s *cycle.State, d float64) { s.AirMass *= math.Exp(d); s.ManifoldPressure *= math.Exp(d) }, 0.03},
		{"charge temperature", sl.Limit.Slopes.Charge, 5,
			func(s *cycle.State, d float64) { s.ChargeTemperature += d }, 0.03},
		{"coolant temperature", sl.Limit.Slopes.Coolant, 5,
			func(s *cycle.State, d float64) { s.CoolantTemperature += d }, 0.03},
		{"octane", sl.Limit.Slopes.Octane, 2, func(s *cycle.State, d float64) { s.Octane += d }, 0.03},
		{"lambda", sl.Limit.Slopes.Lambda, 0.02, func(s *cycle.State, d float64) { s.Lambda += d }, 0.05},
		{"speed", sl.Limit.Slopes.LnSpeed, 0.05, func(s *cycle.State, d float64) { s.RPM *= math.Exp(d) }, 0.03},
	} {
		got := (solve(func(s *cycle.State) { c.change(s, c.step) }) - solve(
			func(s *cycle.State) { c.change(s, -c.step) })) / (2 * c.step)
		if math.Abs(got/c.slope-1) > c.relative {
			t.Errorf("%s: slope %g, solved again %g", c.name, c.slope, got)
		}
	}
	// At the limit both kinds of slopes are the same.
	if math.Abs(sl.Knock.Octane/sl.Limit.Slopes.Octane-1) > 0.01 ||
		math.Abs(sl.Knock.LnCharge/sl.Limit.Slopes.LnCharge-1) > 0.01 {
		t.Errorf("knock slopes %+v, limit slopes %+v", sl.Knock, sl.Limit.Slopes)
	}
	// The integral falls as the octane number to the 3.402: its slope is known.
	if want := -3.402 / s.Octane; math.Abs(sl.LnKnockIntegral.Octane/want-1) > 1e-4 {
		t.Errorf("octane slope of the integral %g, want %g", sl.LnKnockIntegral.Octane, want)
	}
}

func TestNoKnockLimit(t *testing.T) {
	e := newEngine(t, config())
	calm := states(t)[1]
	calm.AirMass *= 0.3
	calm.ManifoldPressure *= 0.3
	if _, err := e.KnockLimitedSpark(calm); !errors.Is(err, cycle.ErrNoKnockLimit) ||
		!strings.Contains(err.Error(), "below 1") {
		t.Errorf("calm: %v", err)
	}
	sl, err := e.Slopes(calm)
	if err != nil || sl.Limit.Found || !strings.Contains(sl.Limit.Reason, "below 1") {
		t.Errorf("calm: %v, %+v", err, sl.Limit)
	}
	cfg := config()
	cfg.DelayScale = 0.2
	violent := states(t)[0]
	violent.AirMass *= 2
	violent.ManifoldPressure *= 2
	violent.Octane = 80
	violent.ChargeTemperature = 400
	if _, err := newEngine(t, cfg).KnockLimitedSpark(violent); !errors.Is(err, cycle.ErrNoKnockLimit) ||
		!strings.Contains(err.Error(), "above 1") {
		t.Errorf("violent: %v", err)
	}
}

func TestResidual(t *testing.T) {
	e := newEngine(t, config())
	s := states(t)[1]
	s.Residual = cycle.NoResidual
	none, err := e.Run(s)
	if err != nil {
		t.Fatal(err)
	}
	s.Residual = 0.10
	some, err := e.Run(s)
	if err != nil {
		t.Fatal(err)
	}
	if none.ResidualFraction != 0 || some.ResidualFraction != 0.10 {
		t.Errorf("residual %g and %g", none.ResidualFraction, some.ResidualFraction)
	}
	if !(some.TemperatureIVC > none.TemperatureIVC && some.BurnDuration > none.BurnDuration &&
		some.IgnitionLag > none.IgnitionLag) {
		t.Error("burned gas must warm the charge and slow the burn (common practice)")
	}
	s.Residual, s.ExhaustPressure = 0, 400e3
	back, err := e.Run(s)
	if err != nil {
		t.Fatal(err)
	}
	s.ExhaustPressure = 0
	usual, err := e.Run(s)
	if err != nil {
		t.Fatal(err)
	}
	if !(back.ResidualFraction > usual.ResidualFraction && back.PMEP > usual.PMEP && back.BMEP < usual.BMEP) {
		t.Error("more back-pressure must leave more residual and cost pumping work")
	}
}

// Direct injection cools the charge (Kasseris and Heywood, SAE 2012-01-1275: of the order of 10–20 K for gasoline).
func TestChargeCooling(t *testing.T) {
	direct, port := config(), config()
	port.Charging.Evaporation = cycle.Defaults(false).Charging.Evaporation
	s := states(t)[0]
	a, err := newEngine(t, direct).Run(s)
	if err != nil {
		t.Fatal(err)
	}
	b, err := newEngine(t, port).Run(s)
	if err != nil {
		t.Fatal(err)
	}
	if d := b.TemperatureIVC - a.TemperatureIVC; d < 8 || d > 22 {
		t.Errorf("direct injection cools by %g K", d)
	}
	if !(a.KnockIntegral < b.KnockIntegral) {
		t.Error("a cooler charge must knock less")
	}
}

func TestTrace(t *testing.T) {
	e := newEngine(t, config())
	s := states(t)[1]
	r, points, err := e.Trace(s, nil)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := e.Run(s)
	if err != nil || plain != r {
		t.Errorf("a traced cycle differs: %+v, %+v (%v)", r, plain, err)
	}
	last := points[len(points)-1]
	if points[0].Angle != -140 || math.Abs(last.Angle-130) > 1e-9 || math.Abs(last.Burned-1) > 1e-6 {
		t.Errorf("from %+v to %+v", points[0], last)
	}
	if last.Pressure != r.PressureEVO || last.KnockIntegral != r.KnockIntegral {
		t.Errorf("last point %+v, result %+v", last, r)
	}
	for i, p := range points {
		if i > 0 && (p.Angle <= points[i-1].Angle || p.Burned < points[i-1].Burned ||
			p.KnockIntegral < points[i-1].KnockIntegral) {
			t.Errorf("point %d goes back: %+v after %+v", i, p, points[i-1])
		}
		if p.Pressure > r.PeakPressure {
			t.Errorf("point %d above the peak: %g, %g", i, p.Pressure, r.PeakPressure)
		}
	}
}

func TestRefusals(t *testing.T) {
	e := newEngine(t, config())
	good := states(t)[1]
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		want   string
		change func(*cycle.State)
	}{
		{"engine speed", func(s *cycle.State) { s.RPM = 0 }},
		{"engine speed", func(s *cycle.State) { s.RPM = nan }},
		{"absolute load", func(s *cycle.State) { s.AirMass = -1e-3 }},
		{"absolute load", func(s *cycle.State) { s.AirMass = inf }},
		{"manifold pressure", func(s *cycle.State) { s.ManifoldPressure = -100e3 }},
		{"charge temperature", func(s *cycle.State) { s.ChargeTemperature = 40 }},
		{"coolant temperature", func(s *cycle.State) { s.CoolantTemperature = nan }},
		{"lambda", func(s *cycle.State) { s.Lambda = 0 }},
		{"spark", func(s *cycle.State) { s.Spark = -135 }},
		{"spark", func(s *cycle.State) { s.Spark = nan }},
		{"too late", func(s *cycle.State) { s.Spark = -40 }},
		{"fuel is empty", func(s *cycle.State) { s.Fuel = fuel.Fuel{} }},
		{"octane number", func(s *cycle.State) { s.Octane = 0 }},
		{"residual", func(s *cycle.State) { s.Residual = 0.5 }},
		{"residual", func(s *cycle.State) { s.Residual = nan }},
		{"exhaust pressure", func(s *cycle.State) { s.ExhaustPressure = -1 }},
		{"residual share", func(s *cycle.State) { s.AirMass *= 0.05; s.ExhaustPressure = 900e3 }},
		{"evaporation", func(s *cycle.State) {
			s.ChargeTemperature, s.CoolantTemperature, s.Residual = 221, 231, cycle.NoResidual
			s.Fuel, _ = s.Fuel.WithEthanol(1)
		}},
	} {
		s := good
		c.change(&s)
		r, err := e.Run(s)
		if err == nil || !strings.Contains(err.Error(), c.want) || r != (cycle.Result{}) {
			t.Errorf("error %v does not name %q, or a result came with it", err, c.want)
		}
		if _, err := e.Slopes(s); err == nil {
			t.Errorf("slopes of a refused state (%s)", c.want)
		}
	}
	for _, c := range []struct {
		want   string
		change func(*cycle.Config)
	}{
		{"compression ratio", func(c *cycle.Config) { c.Geometry.CompressionRatio = 1 }},
		{"intake-valve closing", func(c *cycle.Config) { c.IntakeValveClosing = 40 }},
		{"exhaust-valve opening", func(c *cycle.Config) { c.ExhaustValveOpening = nan }},
		{"friction", func(c *cycle.Config) { c.Friction.Speed = -1 }},
		{"heat-transfer", func(c *cycle.Config) { c.HeatTransfer.Scale = -1 }},
		{"wall temperature", func(c *cycle.Config) { c.HeatTransfer.WallRise = nan }},
		{"evaporation share", func(c *cycle.Config) { c.Charging.Evaporation = 2 }},
		{"residual temperature", func(c *cycle.Config) { c.Charging.ResidualTemperature = 0 }},
		{"combustion efficiency", func(c *cycle.Config) { c.CombustionEfficiency = 0 }},
		{"delay scale", func(c *cycle.Config) { c.DelayScale = 0 }},
		{"anchor lambda", func(c *cycle.Config) { c.Burn.Lambda = 0 }},
		{"anchor ignition lag", func(c *cycle.Config) { c.Burn.Lag = 0 }},
		{"anchor burn duration", func(c *cycle.Config) { c.Burn.Duration = nan }},
		{"burn anchor", func(c *cycle.Config) { c.Burn.Fuel = fuel.Fuel{} }},
		{"burn anchor", func(c *cycle.Config) { c.Burn.ChargeTemperature = 0 }},
		{"crank step", func(c *cycle.Config) { c.Step = 5 }},
	} {
		cfg := config()
		c.change(&cfg)
		if e, err := cycle.New(cfg); e != nil || err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v does not name %q", err, c.want)
		}
	}
	for _, v := range [][3]float64{{0, 4e6, 800}, {95, -1, 800}, {95, 4e6, nan}} {
		if d, err := cycle.Delay(v[0], v[1], v[2]); err == nil || d != 0 {
			t.Errorf("delay of %v: %g", v, d)
		}
	}
}

// finite reports whether every number of a struct is finite.
func finite(v reflect.Value) bool {
	for i := range v.NumField() {
		if x := v.Field(i).Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// Whatever goes in: an error, or a finite and physical cycle.
func FuzzRun(f *testing.F) {
	f.Add(3000.0, 1e-3, 150e3, 310.0, 360.0, 0.9, 12.0, 0.1, 95.0, 0.0, 0.0)
	f.Add(1000.0, 1e-4, 30e3, 280.0, 300.0, 1.1, 40.0, 0.85, 105.0, 0.1, 105e3)
	f.Add(15000.0, 3e-3, 6e5, 450.0, 420.0, 0.65, -40.0, 1.0, 50.0, -1.0, 1e6)
	f.Add(math.NaN(), math.Inf(1), -1.0, 0.0, 1e300, math.Copysign(0, -1), math.Inf(-1), 2.0, 1e-300, math.NaN(),
		math.NaN())
	e := newEngine(f, config())
	f.Fuzz(func(t *testing.T, rpm, mass, pressure, charge, coolant, lambda, spark, ethanol, octane, residual,
		exhaust float64) {
		fl, err := fuel.Finished(98, 87, ethanol)
		if err != nil {
			fl = fuel.Fuel{}
		}
		s := cycle.State{RPM: rpm, AirMass: mass, ManifoldPressure: pressure, ChargeTemperature: charge,
			CoolantTemperature: coolant,
			Lambda:             lambda, Spark: spark, Fuel: fl, Octane: octane, Residual: residual,
			ExhaustPressure: exhaust}
		r, err := e.Run(s)
		if err != nil {
			return
		}
		if !finite(reflect.ValueOf(r)) || r.PeakPressure < r.PressureIVC || r.KnockIntegral < 0 ||
			r.TemperatureEVO < 200 || r.TemperatureEVO > 5000 {
			t.Fatalf("%+v gives %+v", s, r)
		}
		if _, err := e.KnockLimitedSpark(s); err != nil && !errors.Is(err, cycle.ErrNoKnockLimit) &&
			!strings.Contains(err.Error(), "too far from the burn anchor") {
			t.Fatalf("%+v runs, but its knock limit fails: %v", s, err)
		}
	})
}

// The fuzzer rarely hits the domain; here every engine and state is drawn from inside it, corners included.
func TestWholeDomain(t *testing.T) {
	ran, limits := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		in := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		cfg := cycle.Defaults(rapid.Bool().Draw(t, "direct"))
		stroke := in("stroke", 0.03, 0.3)
		cfg.Geometry = engine.Geometry{Cylinders: 4, Bore: in("bore", 0.03, 0.3), Stroke: stroke,
			Rod: in("rod", 0.51, 10) * stroke, CompressionRatio: in("ratio", 1.01, 25)}
		cfg.IntakeValveClosing, cfg.ExhaustValveOpening = in("ivc", -180, -60), in("evo", 60, 180)
		cfg.HeatTransfer.Scale = in("heat transfer", 0, 3)
		b := &cfg.Burn
		b.RPM, b.AbsoluteLoad, b.Lambda, b.Spark = in("anchor rpm", 500, 10000), in("anchor load", 10, 400),
			in("anchor lambda", 0.65, 1.4), in("anchor spark", -30, 60)
		b.Lag, b.Duration = in("lag", 1, 45), in("duration", 10, 120)
		e, err := cycle.New(cfg)
		if err != nil {
			return
		}
		load := in("load", 0.03, 6)
		f, err := fuel.Finished(95, 85, in("ethanol", 0, 1))
		if err != nil {
			t.Fatal(err)
		}
		s := cycle.State{RPM: in("rpm", 300, 15000), AirMass: load * 1.184 * cfg.Geometry.CylinderDisplacement(),
			ManifoldPressure:  in("map", 10e3, 600e3),
			ChargeTemperature: in("charge", 220, 450), CoolantTemperature: in("coolant", 230, 420),
			Lambda: in("lambda", 0.65, 1.4),
			Spark:  in("spark", -40, 70), Fuel: f, Octane: in("octane", 50, 140)}
		r, err := e.Run(s)
		if err != nil {
			return
		}
		ran++
		if !finite(reflect.ValueOf(r)) || r.KnockIntegral <= 0 || r.PeakPressure < r.PressureIVC {
			t.Fatalf("%+v", r)
		}
		limit, err := e.KnockLimitedSpark(s)
		if errors.Is(err, cycle.ErrNoKnockLimit) {
			return
		}
		if err != nil && strings.Contains(err.Error(), "too far from the burn anchor") {
			return // met on the way to the limit
		}
		if err != nil {
			t.Fatal(err)
		}
		limits++
		s.Spark = limit
		at, err := e.Run(s)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(at.KnockIntegral-1) > 0.01 {
			t.Fatalf("knock integral %g at its limit of %g°", at.KnockIntegral, limit)
		}
	})
	t.Logf("%d cycles, %d limits", ran, limits)
}

func TestRunAllocatesNothing(t *testing.T) {
	e := newEngine(t, config())
	s := states(t)[1]
	var err error
	if n := testing.AllocsPerRun(50, func() { _, err = e.Run(s) }); n != 0 || err != nil {
		t.Errorf("%g allocations a cycle (%v)", n, err)
	}
	if n := testing.AllocsPerRun(20, func() { _, err = e.KnockLimitedSpark(s) }); n != 0 || err != nil {
		t.Errorf("%g allocations a knock limit (%v)", n, err)
	}
	if n := testing.AllocsPerRun(20, func() { _, err = e.Slopes(s) }); n != 0 || err != nil {
		t.Errorf("%g allocations a set of slopes (%v)", n, err)
	}
}

// Smooth in its inputs: no jump from the crank grid, whatever the spark.
func TestSmoothInSpark(t *testing.T) {
	e := newEngine(t, config())
	all := states(t)
	rapid.Check(t, func(t *rapid.T) {
		s := all[rapid.IntRange(0, 2).Draw(t, "cycle")]
		s.Spark = rapid.Float64Range(-5, 30).Draw(t, "spark")
		a, err := e.Run(s)
		if err != nil {
			t.Fatal(err)
		}
		s.Spark += 0.01
		b, err := e.Run(s)
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(math.Log(b.KnockIntegral / a.KnockIntegral)); d > 0.003 {
			t.Fatalf("ln of the knock integral jumps by %g over 0.01°", d)
		}
		if d := math.Abs(b.PeakPressure/a.PeakPressure - 1); d > 0.001 {
			t.Fatalf("peak pressure jumps by %g over 0.01°", d)
		}
	})
}

// Many goroutines may use one engine: each gets what it would get alone.
func TestConcurrentUse(t *testing.T) {
	e := newEngine(t, config())
	all := states(t)
	want := make([]cycle.Result, len(all))
	for i, s := range all {
		r, err := e.Run(s)
		if err != nil {
			t.Fatal(err)
		}
		want[i] = r
	}
	var wait sync.WaitGroup
	for worker := range 4 {
		wait.Go(func() {
			for i := range 60 {
				k := (i + worker) % len(all)
				if r, err := e.Run(all[k]); err != nil || r != want[k] {
					t.Errorf("worker %d, cycle %d: %+v (%v)", worker, k, r, err)
				}
			}
		})
	}
	wait.Wait()
}

// Without the end gas everything else stays as it is, to the bit, what is refused too.
func TestRunWork(t *testing.T) {
	e := newEngine(t, config())
	for _, s := range randomStates(t, 60) {
		whole, errWhole := e.Run(s)
		r, err := e.RunWork(s)
		if (err == nil) != (errWhole == nil) {
			t.Fatalf("refused by one only: %v, %v", err, errWhole)
		}
		if err != nil {
			continue
		}
		if !math.IsNaN(r.KnockIntegral) || !math.IsNaN(r.EndGasTemperature) {
			t.Errorf("knock integral %g, end gas %g K", r.KnockIntegral, r.EndGasTemperature)
		}
		r.KnockIntegral, r.EndGasTemperature = whole.KnockIntegral, whole.EndGasTemperature
		if r != whole {
			t.Errorf("%+v, with the end gas %+v", r, whole)
		}
	}
}

func BenchmarkRunWork(b *testing.B) {
	e := newEngine(b, config())
	s := states(b)[1]
	for b.Loop() {
		if _, err := e.RunWork(s); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRun(b *testing.B) {
	e := newEngine(b, config())
	s := states(b)[1]
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Run(s); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "cycles/s")
	// Beside the speed, what it costs: error against a step of 0.05°.
	fine := config()
	fine.Step = 0.05
	ref := newEngine(b, fine)
	got, err := e.Run(s)
	want, err2 := ref.Run(s)
	k, err3 := e.KnockLimitedSpark(s)
	k0, err4 := ref.KnockLimitedSpark(s)
	if err := errors.Join(err, err2, err3, err4); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(100*math.Abs(got.PeakPressure/want.PeakPressure-1), "%peak-error")
	b.ReportMetric(math.Abs(k-k0), "deg-limit-error")
}

func BenchmarkKnockLimitedSpark(b *testing.B) {
	e := newEngine(b, config())
	s := states(b)[1]
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.KnockLimitedSpark(s); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSlopes(b *testing.B) {
	e := newEngine(b, config())
	s := states(b)[1]
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Slopes(s); err != nil {
			b.Fatal(err)
		}
	}
}
