package evidence

import (
	"math"
	"math/rand/v2"
	"testing"

	"headroom/models/channel"
)

// 0.592 g an intake stroke fills a 0.5 L cylinder at 1.184 g/L (SAE J1979, PID 0x43): 100 %. A four-cylinder
// four-stroke at 3000 rpm has 100 intake strokes a second, so that is 59.2 g/s. Air at 101.325 kPa and 25 °C has
// 1.184 g/L, so a volumetric efficiency of 1 in that air is 100 % too, and 1.5 times the pressure is 150 %.
func TestAbsoluteLoadByItsDefinition(t *testing.T) {
	at3000 := map[channel.ID]shape{channel.EngineSpeed: constant(3000)}
	withVE := setup()
	withVE.VolumetricEfficiency = func(float64) float64 { return 1 }
	for name, c := range map[string]struct {
		channels map[channel.ID]float64
		setup    *Setup
		want     float64
		source   string
	}{
		"mass air flow": {map[channel.ID]float64{channel.MassAirFlow: 59.2}, setup(), 100, LoadMassAirFlow},
		"speed density": {map[channel.ID]float64{channel.ManifoldPressure: 101.325, channel.ChargeTemperature: 25},
			withVE, 100, LoadSpeedDensity},
		"boosted": {map[channel.ID]float64{channel.ManifoldPressure: 151.9875, channel.ChargeTemperature: 25},
			withVE, 150, LoadSpeedDensity},
		"logged first": {map[channel.ID]float64{channel.AbsoluteLoad: 120, channel.MassAirFlow: 59.2}, setup(), 120,
			LoadLogged},
		"flow before density": {map[channel.ID]float64{channel.MassAirFlow: 59.2, channel.ManifoldPressure: 160,
			channel.ChargeTemperature: 25},
			withVE, 100, LoadMassAirFlow},
	} {
		shapes := map[channel.ID]shape{}
		for id, s := range at3000 {
			shapes[id] = s
		}
		for id, v := range c.channels {
			shapes[id] = constant(v)
		}
		load, source := AbsoluteLoad(trace(5, 0.1, shapes), c.setup)
		if source != c.source {
			t.Errorf("%s: source %q, want %q", name, source, c.source)
			continue
		}
		near(t, name, load[2], c.want, 0.05)
	}
}

func TestCalculatedLoadIsNotAbsoluteLoad(t *testing.T) {
	run := pullRun(map[channel.ID]shape{channel.AbsoluteLoad: nil, channel.CalculatedLoad: constant(98)})
	rows, findings := Rows(run, setup())
	if len(rows) != 0 {
		t.Errorf("%d rows from calculated load", len(rows))
	}
	wantKind(t, findings, "no_load")
}

func TestSourceOfLoadIsOneForARun(t *testing.T) {
	plain := pullShapes()
	// Logged load fails half-way: mass air flow covers the run and is used throughout.
	run := pullRun(map[channel.ID]shape{
		channel.MassAirFlow: func(i int, t float64) float64 { return 59.2 * plain[channel.EngineSpeed](i, t) / 3000 },
		channel.AbsoluteLoad: func(i int, _ float64) float64 {
			if i > 60 {
				return nan
			}
			return 150
		},
	})
	rows, findings := Rows(run, setup())
	if len(rows) == 0 {
		t.Fatal("no rows")
	}
	for _, r := range rows {
		if r.LoadSource != LoadMassAirFlow {
			t.Errorf("load source %q", r.LoadSource)
		}
		near(t, "load", r.Load, 100, 0.05)
	}
	wantKind(t, findings, "load_disagrees")
}

// Speed rises 50 rpm a sample from 2000 (sample 20) to 6000 (sample 100): ten samples to a 500 rpm cell, one in the
// last.
func TestOneRowPerCell(t *testing.T) {
	run := pullRun(map[channel.ID]shape{
		channel.ChargeTemperature: func(i int, _ float64) float64 { return float64(i) },
		channel.Lambda:            constant(0.85),
		channel.LambdaCommanded:   constant(0.80),
		channel.ManifoldPressure:  func(i int, _ float64) float64 { return 200 + float64(i%10) },
		channel.ManifoldPressureTarget: func(int, float64) float64 {
			return 205
		},
	})
	rows, _ := Rows(run, setup())
	var pulls []Row
	seconds, cycles := 0.0, 0.0
	for _, r := range rows {
		if r.Kind != KindPull {
			continue
		}
		pulls = append(pulls, r)
		seconds += r.Duration
		cycles += r.Cycles
	}
	if len(pulls) != 9 {
		t.Fatalf("%d rows, want 9", len(pulls))
	}
	near(t, "seconds", seconds, 8, 1e-9)         // the pull's length
	near(t, "cycles", cycles, 8*4000.0/120, 0.3) // 4000 rpm on average: two turns a cycle
	for i, r := range pulls[:8] {
		if r.RPMLow != float64(2000+500*i) || r.Samples != 10 || r.LoadLow != 140 || r.LoadHigh != 160 {
			t.Errorf("row %d: %v rpm, %v–%v %%, %d samples", i, r.RPMLow, r.LoadLow, r.LoadHigh, r.Samples)
		}
		near(t, "mean rpm", r.RPM, r.RPMLow+225, 1e-9)
	}
	last := pulls[8]
	if last.Samples != 1 || last.RPMLow != 6000 {
		t.Errorf("last row: %+v", last)
	}
	r := pulls[1] // samples 30–39
	near(t, "start", r.Start, 3, 1e-9)
	near(t, "charge", r.ChargeTemperature, 34.5, 1e-9)
	near(t, "largest charge", r.ChargeTemperatureMax, 39, 0)
	near(t, "rise of charge", r.ChargeTemperatureRise, 39-20, 0)
	near(t, "lambda error", r.LambdaError, 0.05, 1e-12)
	near(t, "boost error", r.BoostError, 204.5-205, 1e-9)
	near(t, "overshoot", r.BoostOvershoot, 209-205, 0)
	if r.Vehicle != "v" || r.Run != "runs/v/r/x.csv" || r.Order != 0 || r.LoadSource != LoadLogged {
		t.Errorf("tags %+v", r)
	}
	for name, v := range map[string]float64{"oil": r.OilTemperature, "torque": r.Bound.Torque, "gear": r.Gear,
		"trim": r.ShortTermTrim, "barometer": r.Barometer} {
		if !math.IsNaN(v) {
			t.Errorf("%s reads %v but is not logged", name, v)
		}
	}
}

func TestOrderCountsPullsBefore(t *testing.T) {
	run := gears(channel.Gear)
	plain := setup()
	plain.VolumetricEfficiency = func(float64) float64 { return 1 }
	shapes := map[channel.ID]shape{channel.AbsoluteLoad: constant(110)}
	run.Series = append(run.Series, trace(len(run.Time), 0.1, shapes).Series...)
	rows, _ := Rows(run, plain)
	seen := map[int32]int32{}
	for _, r := range rows {
		seen[r.Segment] = r.Order
	}
	if len(seen) != 3 || seen[0] != 0 || seen[1] != 1 || seen[2] != 2 {
		t.Errorf("order by segment: %v", seen)
	}
}

// The largest 0.3 s mean of a running median of three, here at 10 Hz: a single lean sample is a spike, two in a row
// count for the two thirds of the window they fill, three fill it.
func TestLeanestIgnoresASingleSpike(t *testing.T) {
	run := pullRun(map[channel.ID]shape{channel.Lambda: func(i int, _ float64) float64 {
		switch i {
		case 35:
			return 1.30
		case 55, 56:
			return 0.95
		case 75, 76, 77:
			return 0.95
		}
		return 0.85
	}})
	rows, _ := Rows(run, setup())
	near(t, "cell with a spike", rowAt(t, rows, 2500).LambdaLeanest, 0.85, 1e-12)
	near(t, "cell with two lean samples", rowAt(t, rows, 3500).LambdaLeanest, 0.85+0.10*2/3, 1e-12)
	near(t, "cell with a lean stretch", rowAt(t, rows, 4500).LambdaLeanest, 0.95, 1e-12)
}

// A faster logger must not read leaner: the extreme of a noisy but steady mixture, with sensor noise of 0.003 λ, stays
// within one noise of the truth at 5 as at 50 Hz.
func TestLeanestDoesNotGrowWithSampleRate(t *testing.T) {
	noise := rand.New(rand.NewPCG(1, 2))
	for _, step := range []float64{0.2, 0.1, 0.02} {
		n := int(1 / step)
		times, values := make([]float64, n), make([]float64, n)
		sum := 0.0
		for range 200 {
			for i := range n {
				times[i], values[i] = float64(i)*step, 0.85+0.003*noise.NormFloat64()
			}
			all := make([]int, n)
			for i := range all {
				all[i] = i
			}
			sum += largest(sustained(median3(values, 0, n), times, leanWindow), all)
		}
		if excess := sum/200 - 0.85; excess > 0.003 {
			t.Errorf("at %g s a second of steady mixture reads %.4f leaner than it is", step, excess)
		}
	}
}

func TestAlignMovesALaggingChannelBack(t *testing.T) {
	// Lambda follows speed but arrives 0.3 s late.
	plain := pullShapes()
	truth := func(i int, t float64) float64 { return plain[channel.EngineSpeed](i, t) / 10000 }
	run := pullRun(map[channel.ID]shape{channel.Lambda: func(i int, t float64) float64 { return truth(i-3, t-0.3) }})
	aligned := Align(run, map[channel.ID]float64{channel.Lambda: 0.3}).Values(channel.Lambda)
	for i := range aligned {
		if i >= len(aligned)-2 { // within one interval of the end the last sample still stands, then nothing
			continue
		}
		near(t, "aligned lambda", aligned[i], truth(i, run.Time[i]), 0.02)
	}
	if !math.IsNaN(aligned[len(aligned)-1]) {
		t.Errorf("last sample reads %v, but nothing was logged 0.3 s later", aligned[len(aligned)-1])
	}
	if run.Values(channel.Lambda)[50] == aligned[50] {
		t.Error("the run itself was changed, or nothing was shifted")
	}
}

func TestAlignDoesNotReachAcrossAGap(t *testing.T) {
	run := trace(20, 0.1, map[channel.ID]shape{channel.Lambda: func(i int, _ float64) float64 { return float64(i) }})
	for i := 10; i < 20; i++ {
		run.Time[i] += 5
	}
	got := Align(run, map[channel.ID]float64{channel.Lambda: 0.3}).Values(channel.Lambda)
	if got[6] != 9 || !math.IsNaN(got[8]) || !math.IsNaN(got[9]) || got[10] != 13 {
		t.Errorf("around the gap: %v", got[5:12])
	}
}

func TestEstimateLagsFindsAKnownLag(t *testing.T) {
	wave := func(t float64) float64 { return math.Sin(1.3*t) + 0.5*math.Sin(3.1*t+1) }
	run := trace(300, 0.1, map[channel.ID]shape{
		channel.LambdaCommanded: func(_ int, t float64) float64 { return 0.9 + 0.05*wave(t) },
		channel.Lambda: func(i int, t float64) float64 {
			return 0.91 + 0.05*wave(t-0.4) +
				0.003*math.Sin(float64(i*i))
		},
		channel.RailPressure:       constant(12000),
		channel.RailPressureTarget: func(_ int, t float64) float64 { return 12000 + 500*wave(t) },
	})
	got := EstimateLags(run)
	if len(got) != 2 || got[0].Channel != channel.Lambda || got[1].Channel != channel.RailPressure {
		t.Fatalf("estimates %+v", got)
	}
	near(t, "lag of lambda", got[0].Lag.Seconds, 0.4, 0.05)
	if got[1].Why == "" {
		t.Errorf("a channel that does not move has lag %+v", got[1])
	}
}

func TestColumnLagGoesBeforeThePlatforms(t *testing.T) {
	run := trace(20, 0.1, map[channel.ID]shape{channel.Lambda: func(i int, _ float64) float64 { return float64(i) }})
	run.Series[0].Lag = 0.2
	got := Align(run, map[channel.ID]float64{channel.Lambda: 0.5})
	if v := got.Values(channel.Lambda)[4]; v != 6 {
		t.Errorf("sample 4 reads that of %v, want 6", v)
	}
	if again := Align(got, nil); again.Values(channel.Lambda)[4] != 6 {
		t.Error("an aligned run is shifted again")
	}
}

func TestSetupThatCannotWorkIsNamed(t *testing.T) {
	for _, spoil := range []func(s *Setup){
		func(s *Setup) { s.RPMStep = 0 },
		func(s *Setup) { s.LoadStep = math.NaN() },
		func(s *Setup) { s.Cylinders = 0 },
		func(s *Setup) { s.Lags = map[channel.ID]float64{channel.Lambda: math.Inf(1)} },
		func(s *Setup) { s.Knock = &KnockControl{} },
	} {
		s := setup()
		spoil(s)
		rows, findings := Rows(pullRun(nil), s)
		if len(rows) != 0 || len(findings) != 1 {
			t.Errorf("setup %+v gives %d rows, findings %v", s, len(rows), findings)
		}
		wantKind(t, findings, "setup")
	}
}

// The leanest mixture of a cell keeps the speed and the load at which it was met, not the cell's mean: a limit on
// lambda along load is read there. Load here rises by 0.19 % a sample through a cell.
func TestLeanestKeepsItsPlace(t *testing.T) {
	run := pullRun(map[channel.ID]shape{
		channel.AbsoluteLoad: func(i int, _ float64) float64 { return 140 + 0.19*float64(i) },
		channel.Lambda: func(i int, _ float64) float64 {
			if i >= 36 && i <= 38 {
				return 0.95
			}
			return 0.85
		},
	})
	set := setup()
	set.Lags = map[channel.ID]float64{channel.Lambda: 0}
	rows, _ := Rows(run, set)
	r := rowAt(t, rows, 2500) // samples 30–39
	near(t, "speed", r.LeanestRPM, 2000+50*17, 1e-9)
	near(t, "load", r.LeanestLoad, 140+0.19*37, 1e-9)
	plain, _ := Rows(pullRun(nil), setup())
	if r := rowAt(t, plain, 2500); !math.IsNaN(r.LeanestLoad) || !math.IsNaN(r.LeanestRPM) {
		t.Errorf("without lambda the leanest is at %v rpm, %v %%", r.LeanestRPM, r.LeanestLoad)
	}
}
