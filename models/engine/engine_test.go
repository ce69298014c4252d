package engine_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"headroom/models/bound"
	"headroom/models/engine"
	"headroom/models/unit"

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

func twoLitre() engine.Geometry {
	return engine.Geometry{Cylinders: 4, Bore: 0.086, Stroke: 0.086, Rod: 0.145, CompressionRatio: 10}
}

func TestPublishedValues(t *testing.T) {
	ok := must(t)
	// Heywood, Internal Combustion Engine Fundamentals, eq. 2.20b.
	litres := twoLitre()
	litres.Stroke *= 2e-3 / litres.Displacement() // 2.0 L to the last digit
	near(t, "bmep of 400 N·m from 2.0 L, kPa", litres.BMEP(400)/1e3, 2513, 0.5)
	// Heywood eq. 2.20b in its rounded form: bmep[kPa] = 6.28·2·T/V_d[dm³].
	near(t, "rounded form", litres.BMEP(400)/1e3, 6.28*2*400/2.0, 2)
	// NIST SP 811: the horsepower; common practice: torque in lbf·ft and power in hp cross at 5252 rpm.
	hp := engine.Power(300*unit.NewtonMetrePerPoundFt, 5252) / unit.WattPerHorsepower
	near(t, "hp of 300 lbf·ft at 5252 rpm", hp, 300, 0.01)
	// SAE J1349 formula: dry kPa, °C, factor.
	for _, c := range [][3]float64{{99, 25, 1.0000}, {97, 30, 1.0344}, {100, 15, 0.9684}} {
		near(t, "J1349 factor", ok(engine.PowerCorrection(c[0]*1e3, c[1]+273.15)), c[2], 6e-5)
	}
	// Heywood section 2.2: piston speeds of automobile engines reach about 15 m/s; 86 mm at 5250 rpm is 15.05.
	near(t, "piston speed", twoLitre().PistonSpeed(5250), 15.05, 0.001)
}

// Heywood eq. 2.4–2.6 and figure 2-2: volumes at the dead centres, and the limits of a long rod.
func TestSliderCrank(t *testing.T) {
	g := twoLitre()
	near(t, "displacement, cm³", g.Displacement()*1e6, 1998.2, 0.1) // 4·π/4·8.6³
	near(t, "V(180)/V(0)", g.Volume(180)/g.Volume(0), 10, 1e-9)
	near(t, "V(360)", g.Volume(360), g.Volume(0), 1e-15)
	long := g
	long.Rod = 10 * g.Stroke
	sine := long.ClearanceVolume() + long.CylinderDisplacement()/2
	near(t, "half stroke of a long rod", long.Volume(90)/sine, 1, 0.03)
	if g.Volume(90) <= sine {
		t.Error("a short rod must be past half stroke at 90°")
	}
	// Area at top dead centre: two discs and a liner as high as the clearance disc.
	h := g.ClearanceVolume() / g.PistonArea()
	near(t, "area", g.Area(0), 2*g.PistonArea()+math.Pi*g.Bore*h, 1e-12)
}

func TestSliderCrankProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		stroke := rapid.Float64Range(0.05, 0.15).Draw(t, "stroke")
		g := engine.Geometry{Cylinders: 1, Bore: rapid.Float64Range(0.05, 0.15).Draw(t, "bore"), Stroke: stroke,
			Rod: stroke * rapid.Float64Range(1.2, 3).Draw(t, "rod"), CompressionRatio: rapid.Float64Range(5, 15).Draw(t,
				"r")}
		if err := g.Validate(); err != nil {
			t.Fatal(err)
		}
		a := rapid.Float64Range(-179, 179).Draw(t, "deg")
		slope := (g.Volume(a+0.01) - g.Volume(a-0.01)) / 0.02
		if math.Abs(slope-g.VolumeSlope(a)) > 1e-6*g.CylinderDisplacement() {
			t.Fatalf("slope %g, difference %g", g.VolumeSlope(a), slope)
		}
		if v := g.Volume(a); v < g.ClearanceVolume() || v > g.ClearanceVolume()*g.CompressionRatio*(1+1e-12) {
			t.Fatalf("volume %g outside clearance and full", v)
		}
		if d := g.Volume(a) - g.Volume(-a); math.Abs(d) > 1e-12 {
			t.Fatalf("volume not symmetric: %g", d)
		}
		torque := rapid.Float64Range(-500, 1000).Draw(t, "torque")
		if d := g.Torque(g.BMEP(torque)) - torque; math.Abs(d) > 1e-9 {
			t.Fatalf("torque does not come back: %g", d)
		}
	})
}

// Chen and Flynn, SAE 650733: each term alone.
func TestFriction(t *testing.T) {
	f := engine.Friction{Constant: 35e3, PeakPressure: 0.005, Speed: 9e3, SpeedSquared: 90}
	near(t, "constant", f.FMEP(0, 0), 35e3, 1e-9)
	near(t, "all terms", f.FMEP(80e5, 10), 35e3+40e3+90e3+9e3, 1e-6)
	// Heywood section 13.3 (from memory): total friction of gasoline engines at 10 m/s lies between 1 and 2.5 bar.
	if d := engine.DefaultFriction().FMEP(60e5, 10); d < 1e5 || d > 2.5e5 {
		t.Errorf("default fmep at 10 m/s is %g Pa", d)
	}
}

func TestRefusals(t *testing.T) {
	bad := twoLitre()
	bad.CompressionRatio = 1
	short := twoLitre()
	short.Rod = 0.04
	cases := []struct {
		name, want string
		call       func() error
	}{
		{"compression ratio", "compression ratio", func() error { return bad.Validate() }},
		{"rod", "connecting rod", func() error { return short.Validate() }},
		{"empty", "cylinders", func() error { return engine.Geometry{}.Validate() }},
		{"factor", "correction factor", func() error { _, err := engine.PowerCorrection(85e3, 298); return err }},
		{"friction", "constant term", func() error { return engine.Friction{Constant: -1}.Validate() }},
	}
	for _, c := range cases {
		err := c.call()
		var out *bound.Error
		if !errors.As(err, &out) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v does not name %q with its range", c.name, err, c.want)
		}
	}
	if err := twoLitre().Validate(); err != nil {
		t.Error(err)
	}
	if err := engine.DefaultFriction().Validate(); err != nil {
		t.Error(err)
	}
}
