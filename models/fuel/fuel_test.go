package fuel_test

import (
	"math"
	"strings"
	"testing"

	"headroom/models/fuel"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.6g, want %.6g ± %g", what, got, want, tolerance)
	}
}

func blend(t *testing.T, b fuel.Base, share float64) fuel.Fuel {
	t.Helper()
	f, err := fuel.Blend(b, share)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func finished(t *testing.T, ron, mon, share float64) fuel.Fuel {
	t.Helper()
	f, err := fuel.Finished(ron, mon, share)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// Heywood, Internal Combustion Engine Fundamentals, eq. 3.6 and table D.4 (from memory): stoichiometric air–fuel
// ratios by mass.
func TestStoichiometry(t *testing.T) {
	for _, c := range []struct {
		name       string
		y, z, want float64
	}{
		{"ethanol", 3, 0.5, 9.00},
		{"iso-octane", 18.0 / 8, 0, 15.13},
		{"gasoline CH1.87", 1.87, 0, 14.60},
		{"methanol", 4, 1, 6.47},
		{"methane", 4, 0, 17.23},
		{"propane", 8.0 / 3, 0, 15.67},
		{"benzene", 1, 0, 13.27},
		{"toluene", 8.0 / 7, 0, 13.50},
	} {
		near(t, c.name, fuel.Stoich(c.y, c.z), c.want, 0.012)
	}
	near(t, "pure ethanol as a fuel", blend(t, fuel.Gasoline(95, 85), 1).Stoich(), 9.00, 0.01)
	// Common practice, no source: 10 % ethanol about 14.1, 85 % about 9.8.
	near(t, "E10", blend(t, fuel.Gasoline(95, 85), 0.10).Stoich(), 14.05, 0.1)
	near(t, "E85", blend(t, fuel.Gasoline(95, 85), 0.85).Stoich(), 9.8, 0.1)
}

func TestBlendProperties(t *testing.T) {
	base := fuel.Gasoline(95, 85)
	e0, e10, e85, e100 := blend(t, base, 0), blend(t, base, 0.1), blend(t, base, 0.85), blend(t, base, 1)
	near(t, "LHV E0", e0.LowerHeatingValue(), 44.0e6, 1)
	near(t, "LHV E100", e100.LowerHeatingValue(), 26.9e6, 1)
	near(t, "HoV E100", e100.HeatOfVaporisation(), 840e3, 1)
	// US Department of Energy, Alternative Fuels Data Center (from memory): 10 % ethanol holds 3.3 % less energy a
	// gallon than gasoline, E85 of 83 % ethanol about 27 % less.
	perVolume := func(f fuel.Fuel) float64 { return f.LowerHeatingValue() * f.Density() }
	near(t, "energy a volume, E10", perVolume(e10)/perVolume(e0), 1-0.033, 0.004)
	near(t, "energy a volume, E83", perVolume(blend(t, base, 0.83))/perVolume(e0), 1-0.27, 0.03)
	// Anderson and others, SAE 2012-01-1274 (from memory): 10 % by volume is about 20 % of the molecules, and half the
	// molecules are ethanol near 30 %. Octane numbers follow the molecules, from 95 to ethanol's 109.
	moles := func(f fuel.Fuel) float64 { return (f.RON() - base.RON) / (109 - base.RON) }
	near(t, "mole share E10", moles(e10), 0.21, 0.02)
	near(t, "mole share E30", moles(blend(t, base, 0.3)), 0.5, 0.04)
	// Trade practice in North America (from memory): 84 AKI base with 10 % ethanol sells as 87 AKI.
	near(t, "AKI of 84 base with 10 %", blend(t, fuel.Gasoline(88, 80), 0.1).AKI(), 87, 0.6)
	// Mass fractions of the elements in ethanol, C2H6O: 52.1 % C, 13.1 % H, 34.7 % O.
	c := e100.Composition()
	near(t, "carbon", c.C, 0.5214, 5e-4)
	near(t, "hydrogen", c.H, 0.1313, 5e-4)
	near(t, "oxygen", c.O, 0.3473, 5e-4)
	near(t, "molar mass", c.MolarMass, 0.04607, 1e-9)
	if !(e0.HeatOfVaporisation()/e0.LowerHeatingValue() < e85.HeatOfVaporisation()/e85.LowerHeatingValue()) {
		t.Error("ethanol must cool more for the heat it gives")
	}
}

// Kalghatgi, SAE 2001-01-3584: K = 0 is RON, 1 is MON, ½ is the anti-knock index, below 0 more than RON.
func TestOctaneIndex(t *testing.T) {
	f := finished(t, 95, 85, 0.1)
	for k, want := range map[float64]float64{0: 95, 1: 85, 0.5: 90, -0.5: 100} {
		got, err := f.OctaneIndex(k)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "octane index", got, want, 1e-9)
	}
	near(t, "AKI", f.AKI(), 90, 1e-12)
}

func TestMixingProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ron := rapid.Float64Range(80, 100).Draw(t, "ron")
		base := fuel.Gasoline(ron, ron-rapid.Float64Range(0, 12).Draw(t, "sensitivity"))
		a, b := rapid.Float64Range(0, 1).Draw(t, "a"), rapid.Float64Range(0, 1).Draw(t, "b")
		if a > b {
			a, b = b, a
		}
		fa, err := fuel.Blend(base, a)
		if err != nil {
			t.Fatal(err)
		}
		fb, err := fuel.Blend(base, b)
		if err != nil {
			t.Fatal(err)
		}
		if fb.Stoich() > fa.Stoich()+1e-9 || fb.HeatOfVaporisation() < fa.HeatOfVaporisation()-1e-6 ||
			fb.LowerHeatingValue() > fa.LowerHeatingValue()+1e-6 {
			t.Fatalf("more ethanol must need less air, cool more and heat less: %v %v", a, b)
		}
		// The stoichiometric ratio is a mass average, whichever way it is computed.
		w := fa.EthanolMassShare()
		mean := (1-w)*fuel.Stoich(1.87, 0) + w*fuel.Stoich(3, 0.5)
		if math.Abs(mean-fa.Stoich()) > 1e-3 { // the constant 34.56 is rounded
			t.Fatalf("stoichiometric ratio %g, by mass %g", fa.Stoich(), mean)
		}
		c := fa.Composition()
		if math.Abs(c.C+c.H+c.O-1) > 1e-12 {
			t.Fatal("elements do not sum to 1")
		}
		// A finished fuel, taken apart and blended back, is the same fuel.
		if a < 0.4 {
			back, err := fuel.Finished(fa.RON(), fa.MON(), a)
			if err != nil {
				t.Fatal(err)
			}
			again, err := back.WithEthanol(b)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(again.RON()-fb.RON()) > 1e-6 || math.Abs(again.MON()-fb.MON()) > 1e-6 {
				t.Fatalf("RON %g, want %g", again.RON(), fb.RON())
			}
		}
	})
}

func TestRefusals(t *testing.T) {
	for _, s := range []float64{-0.01, 1.01, math.NaN(), math.Inf(1)} {
		if _, err := fuel.Blend(fuel.Gasoline(95, 85), s); err == nil ||
			!strings.Contains(err.Error(), "ethanol share") {
			t.Errorf("share %g: error %v", s, err)
		}
		if _, err := fuel.Finished(95, 85, s); err == nil || !strings.Contains(err.Error(), "ethanol share") {
			t.Errorf("finished share %g: error %v", s, err)
		}
	}
	if _, err := fuel.Finished(math.NaN(), 85, 0); err == nil || !strings.Contains(err.Error(), "research octane") {
		t.Errorf("NaN RON: %v", err)
	}
	if _, err := fuel.Finished(95, 97, 0); err == nil || !strings.Contains(err.Error(), "motor octane") {
		t.Errorf("MON above RON: %v", err)
	}
	if _, err := fuel.Blend(fuel.Base{Name: "nothing"}, 0); err == nil || !strings.Contains(err.Error(), "nothing") {
		t.Errorf("empty base: %v", err)
	}
	f := finished(t, 95, 85, 0.1)
	if _, err := f.OctaneIndex(math.NaN()); err == nil {
		t.Error("NaN K passed")
	}
	if _, err := (fuel.Fuel{}).WithEthanol(0.1); err == nil {
		t.Error("empty fuel passed")
	}
	// 85 % ethanol sold as RON 103: its base would need an absurd octane number.
	if _, err := finished(t, 103, 88, 0.85).WithEthanol(0.1); err == nil ||
		!strings.Contains(err.Error(), "base gasoline") {
		t.Errorf("unknown base: %v", err)
	}
}
