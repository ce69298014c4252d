package air_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"headroom/models/air"
	"headroom/models/bound"

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

// IAPWS-95 saturation table (Wagner and Pruss, J. Phys. Chem. Ref. Data 31, 2002; from memory).
func TestSaturationPressure(t *testing.T) {
	ok := must(t)
	for _, c := range [][2]float64{{0.01, 611.66}, {10, 1228.2}, {20, 2339.3}, {25, 3169.9}, {30, 4247.0}, {40, 7384.9},
		{50, 12352}} {
		got := ok(air.VapourPressure(c[0]+273.15, 1))
		near(t, "saturation pressure", got/c[1], 1, 0.001)
	}
	// World Meteorological Organization tables: 50.9 Pa over supercooled water at −30 °C (from memory).
	near(t, "−30 °C", ok(air.VapourPressure(243.15, 1)), 50.9, 0.3)
}

func TestDryAir(t *testing.T) {
	ok := must(t)
	near(t, "gas constant", air.GasConstant, 287.05, 0.02) // ICAO standard atmosphere: 287.053
	// ICAO standard atmosphere, sea level and 15 °C: 1.2250 kg/m³.
	near(t, "ICAO sea level", 101325/(air.GasConstant*288.15), 1.2250, 2e-4)
	// SAE J1979 sets 1.184 kg/m³ for 101.325 kPa and 25 °C.
	near(t, "J1979 reference", 101325/(air.GasConstant*298.15), air.LoadDensity, 6e-4)
	// Dry pressure at 25 °C, 50 %: 101.325 − 1.585 kPa (from the table above).
	near(t, "dry pressure", ok(air.DryPressure(101325, 298.15, 0.5)), 101325-1585, 2)
}

// NACA Report 1135 (1953), isentropic flow of air: p/p0 = 0.5283 goes with T/T0 = 0.8333, and 0.1278 with 0.5556.
func TestCompressor(t *testing.T) {
	ok := must(t)
	near(t, "Mach 1", ok(air.CompressorOutlet(300, 1/0.5283, 1)), 300/0.8333, 0.03)
	near(t, "twice", ok(air.CompressorOutlet(300, 1/0.2724, 1)), 300/0.6897, 0.05) // Mach 1.5
	// Efficiency is isentropic rise over actual rise (definition).
	near(t, "70 %", ok(air.CompressorOutlet(300, 1/0.5283, 0.7))-300, (300/0.8333-300)/0.7, 0.05)
	near(t, "no compression", ok(air.CompressorOutlet(300, 1, 0.7)), 300, 1e-12)
	near(t, "perfect intercooler", ok(air.IntercoolerOutlet(400, 300, 1)), 300, 1e-12)
	near(t, "no intercooler", ok(air.IntercoolerOutlet(400, 300, 0)), 400, 1e-12)
	near(t, "both", ok(air.ChargeTemperature(300, 100e3, 100e3/0.5283, 0.7, 0.8)), 300+0.2*(300/0.8333-300)/0.7, 0.05)
	near(t, "vacuum", ok(air.ChargeTemperature(300, 100e3, 40e3, 0.7, 0.8)), 300, 1e-12)
}

func TestCharge(t *testing.T) {
	ok := must(t)
	// SAE J1979, PID 0x43: a cylinder full of air at 25 °C and 101.325 kPa is 100 % load.
	full := ok(air.MassBySpeedDensity(101325, 298.15, 1, 5e-4))
	near(t, "full cylinder", ok(air.AbsoluteLoad(full, 5e-4)), 100, 0.06)
	// 200 g/s into a four-cylinder at 6000 rpm: 200/(6000/60/2·4) = 1 g a cylinder and cycle.
	mass := ok(air.MassByFlow(0.2, 6000, 4))
	near(t, "1 g", mass, 1e-3, 1e-12)
	near(t, "its load", ok(air.AbsoluteLoad(mass, 5e-4)), 100/(1.184*0.5), 1e-9)
}

func TestRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(20e3, 350e3).Draw(t, "p")
		temp := rapid.Float64Range(240, 400).Draw(t, "T")
		ve := rapid.Float64Range(0.3, 1.3).Draw(t, "ve")
		v := rapid.Float64Range(2e-4, 1e-3).Draw(t, "V")
		m, err := air.MassBySpeedDensity(p, temp, ve, v)
		if err != nil {
			t.Fatal(err)
		}
		back, err := air.PressureBySpeedDensity(m, temp, ve, v)
		if err != nil || math.Abs(back/p-1) > 1e-12 {
			t.Fatalf("pressure %g, want %g (%v)", back, p, err)
		}
		gotVE, err := air.VolumetricEfficiency(m, p, temp, v)
		if err != nil || math.Abs(gotVE-ve) > 1e-12 {
			t.Fatalf("volumetric efficiency %g, want %g (%v)", gotVE, ve, err)
		}
		load, err := air.AbsoluteLoad(m, v)
		if err != nil {
			t.Fatal(err)
		}
		mass, err := air.MassFromLoad(load, v)
		if err != nil || math.Abs(mass/m-1) > 1e-12 {
			t.Fatalf("mass %g, want %g (%v)", mass, m, err)
		}
	})
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	cases := []struct {
		want string
		call func() (float64, error)
	}{
		{"air temperature", func() (float64, error) { return air.VapourPressure(400, 1) }},
		{"relative humidity", func() (float64, error) { return air.VapourPressure(300, 1.1) }},
		{"air pressure", func() (float64, error) { return air.DryPressure(nan, 300, 0.5) }},
		{"water-vapour", func() (float64, error) { return air.DryPressure(2e4, 330, 1) }},
		{"manifold pressure", func() (float64, error) { return air.MassBySpeedDensity(-1e5, 300, 1, 5e-4) }},
		{"charge temperature", func() (float64, error) { return air.MassBySpeedDensity(1e5, 0, 1, 5e-4) }},
		{"volumetric efficiency", func() (float64, error) { return air.MassBySpeedDensity(1e5, 300, nan, 5e-4) }},
		{"cylinder displacement", func() (float64, error) { return air.MassBySpeedDensity(1e5, 300, 1, 0) }},
		{"air mass", func() (float64, error) { return air.PressureBySpeedDensity(-1, 300, 1, 5e-4) }},
		{"air mass", func() (float64, error) { return air.VolumetricEfficiency(nan, 1e5, 300, 5e-4) }},
		{"air flow", func() (float64, error) { return air.MassByFlow(-0.1, 3000, 4) }},
		{"engine speed", func() (float64, error) { return air.MassByFlow(0.1, 0, 4) }},
		{"cylinders", func() (float64, error) { return air.MassByFlow(0.1, 3000, 0) }},
		{"absolute load", func() (float64, error) { return air.MassFromLoad(-1, 5e-4) }},
		{"pressure ratio", func() (float64, error) { return air.CompressorOutlet(300, 0.9, 0.7) }},
		{"efficiency", func() (float64, error) { return air.CompressorOutlet(300, 2, 0) }},
		{"effectiveness", func() (float64, error) { return air.IntercoolerOutlet(400, 300, 1.2) }},
		{"ambient pressure", func() (float64, error) { return air.ChargeTemperature(300, 0, 2e5, 0.7, 0.8) }},
		{"inlet temperature", func() (float64, error) { return air.ChargeTemperature(nan, 1e5, 2e5, 0.7, 0.8) }},
	}
	for _, c := range cases {
		v, err := c.call()
		var out *bound.Error
		if v != 0 || !errors.As(err, &out) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("value %g, error %v: want 0 and an error that names %q", v, err, c.want)
		}
	}
}
