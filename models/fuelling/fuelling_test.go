package fuelling_test

import (
	"math"
	"strings"
	"testing"

	"headroom/models/fuel"
	"headroom/models/fuelling"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.6g, want %.6g ± %g", what, got, want, tolerance)
	}
}

func must(t *testing.T) func(v float64, err error) float64 {
	return func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func gasoline(t *testing.T, ethanol float64) fuel.Fuel {
	t.Helper()
	f, err := fuel.Blend(fuel.Gasoline(95, 85), ethanol)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func injector() fuelling.Injector {
	return fuelling.Injector{RatedFlow: 550e-6 / 60, RatedPressure: 300e3,
		DeadTime: fuelling.Curve{
			Breakpoints: []float64{8, 10, 12, 14}, Value: []float64{2.2e-3, 1.5e-3, 1.1e-3, 0.8e-3}}}
}

func TestDefinitions(t *testing.T) {
	ok := must(t)
	near(t, "duty of 12 ms at 6500 rpm", ok(fuelling.Duty(0.012, 6500)), 0.65, 1e-12) // definition, four-stroke
	near(t, "crank angle of 5 ms at 6000 rpm", ok(fuelling.CrankAngle(0.005, 6000)), 180, 1e-9)
	near(t, "share of 240°", ok(fuelling.WindowUse(0.005, 6000, 240)), 0.75, 1e-12)
	// Heywood eq. C.1 ff., Bernoulli: four times the pressure, twice the flow; 3 to 4 bar gives 1.1547 times the flow.
	i := injector()
	at := func(p float64) float64 { return ok(i.Flow(p, 745)) }
	near(t, "four times the pressure", at(1200e3)/at(300e3), 2, 1e-12)
	near(t, "3 to 4 bar", at(400e3)/at(300e3), 1.1547, 1e-4)
	// 550 cc/min of gasoline at 745 kg/m³ is 409.75 g/min.
	near(t, "rated mass flow, g/min", at(300e3)*60e3, 409.75, 1e-6)
}

func TestDemand(t *testing.T) {
	ok := must(t)
	e0, e10, e85 := gasoline(t, 0), gasoline(t, 0.1), gasoline(t, 0.85)
	near(t, "mg for 146 mg of air at λ 1", ok(fuelling.MassPerCycle(146e-6, 1, e0))*1e6, 10, 0.01) // 14.60
	near(t, "richer", ok(fuelling.MassPerCycle(146e-6, 0.8, e0))*1e6, 12.5, 0.02)
	// Common practice, no source: E85 needs 30–45 % more fuel by volume than gasoline.
	if k := ok(fuelling.DemandFactor(e0, e85)); k < 1.30 || k > 1.45 {
		t.Errorf("E85 demand factor %g", k)
	}
	if !(ok(fuelling.DemandFactor(e0, e10)) > 1) {
		t.Error("more ethanol must raise the demand")
	}
}

func TestPumpAndCurve(t *testing.T) {
	ok := must(t)
	p := fuelling.Pump{Capacity: fuelling.Curve{Breakpoints: []float64{300e3, 500e3, 700e3},
		Value: []float64{0.05, 0.04, 0.02}}}
	near(t, "at a breakpoint", ok(p.Use(0.02, 500e3)), 0.5, 1e-12)
	near(t, "between", ok(p.Use(0.03, 600e3)), 1, 1e-12)
	near(t, "held below", ok(p.Use(0.05, 100e3)), 1, 1e-12)
	near(t, "held above", ok(p.Use(0.02, 900e3)), 1, 1e-12)
	near(t, "constant", fuelling.Constant(3).At(-7), 3, 0)
	near(t, "dead time at 13 V", injector().DeadTime.At(13), 0.95e-3, 1e-12)
}

func TestPulseRoundTrip(t *testing.T) {
	f := gasoline(t, 0.1)
	rapid.Check(t, func(t *rapid.T) {
		air := rapid.Float64Range(1e-5, 2e-3).Draw(t, "air")
		lambda := rapid.Float64Range(0.7, 1.1).Draw(t, "lambda")
		dp := rapid.Float64Range(200e3, 600e3).Draw(t, "dp")
		volts := rapid.Float64Range(8, 15).Draw(t, "volts")
		i := injector()
		fuelMass, err := fuelling.MassPerCycle(air, lambda, f)
		if err != nil {
			t.Fatal(err)
		}
		pulse, err := i.Pulse(fuelMass, dp, f.Density(), volts)
		if err != nil {
			t.Fatal(err)
		}
		back, err := i.LargestAirMass(pulse, dp, volts, lambda, f)
		if err != nil || math.Abs(back/air-1) > 1e-9 {
			t.Fatalf("air %g, want %g (%v)", back, air, err)
		}
		low, err := i.Pulse(fuelMass, dp, f.Density(), volts-1)
		if err != nil || low < pulse {
			t.Fatalf("a weaker battery must not shorten the pulse: %g %g", low, pulse)
		}
	})
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	f := gasoline(t, 0)
	i := injector()
	broken := fuelling.Injector{RatedFlow: 1e-5, RatedPressure: 3e5,
		DeadTime: fuelling.Curve{Breakpoints: []float64{12, 12}, Value: []float64{1e-3, 1e-3}}}
	negative := fuelling.Injector{RatedFlow: 1e-5, RatedPressure: 3e5, DeadTime: fuelling.Constant(-1e-3)}
	empty := fuelling.Pump{Capacity: fuelling.Constant(0)}
	cases := []struct {
		want string
		call func() (float64, error)
	}{
		{"lambda", func() (float64, error) { return fuelling.MassPerCycle(1e-4, 0, f) }},
		{"fuel is empty", func() (float64, error) { return fuelling.MassPerCycle(1e-4, 1, fuel.Fuel{}) }},
		{"air mass", func() (float64, error) { return fuelling.MassPerCycle(nan, 1, f) }},
		{"fuel is empty", func() (float64, error) { return fuelling.DemandFactor(f, fuel.Fuel{}) }},
		{"pressure difference", func() (float64, error) { return i.Flow(-3e5, 745) }},
		{"density", func() (float64, error) { return i.Flow(3e5, 0) }},
		{"rated flow", func() (float64, error) { return fuelling.Injector{}.Flow(3e5, 745) }},
		{"does not rise", func() (float64, error) { return broken.Flow(3e5, 745) }},
		{"dead time", func() (float64, error) { return negative.Flow(3e5, 745) }},
		{"pressure difference", func() (float64, error) { return i.Pulse(1e-5, -3e5, 745, 12) }},
		{"pressure difference", func() (float64, error) { return i.LargestAirMass(0.01, -3e5, 12, 1, f) }},
		{"fuel mass", func() (float64, error) { return i.Pulse(-1, 3e5, 745, 12) }},
		{"supply voltage", func() (float64, error) { return i.Pulse(1e-5, 3e5, 745, nan) }},
		{"supply voltage", func() (float64, error) { return i.LargestAirMass(0.01, 3e5, 0, 1, f) }},
		{"injector pulse", func() (float64, error) { return fuelling.Duty(-1, 3000) }},
		{"engine speed", func() (float64, error) { return fuelling.CrankAngle(0.01, nan) }},
		{"window", func() (float64, error) { return fuelling.WindowUse(0.01, 3000, 0) }},
		{"pump capacity", func() (float64, error) { return empty.Use(0.01, 3e5) }},
		{"breakpoints", func() (float64, error) { return fuelling.Pump{}.Use(0.01, 3e5) }},
		{"fuel demand", func() (float64, error) {
			return fuelling.Pump{Capacity: fuelling.Constant(0.1)}.Use(math.Inf(1), 3e5)
		}},
		{"not finite", func() (float64, error) {
			return fuelling.Pump{Capacity: fuelling.Constant(nan)}.Use(0.01, 3e5)
		}},
	}
	for _, c := range cases {
		v, err := c.call()
		if v != 0 || err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("value %g, error %v: want 0 and an error that names %q", v, err, c.want)
		}
	}
}
