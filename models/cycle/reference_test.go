package cycle_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"headroom/models/cycle"
	"headroom/models/engine"
	"headroom/models/fuel"
)

const cylinder = math.Pi / 4 * 0.0825 * 0.0825 * 0.0928 // m³

// config is the engine of testdata/reference/physics/cycle.m.
func config() cycle.Config {
	cfg := cycle.Defaults(true)
	cfg.Geometry = engine.Geometry{Cylinders: 4, Bore: 0.0825, Stroke: 0.0928, Rod: 0.144, CompressionRatio: 9.6}
	cfg.IntakeValveClosing, cfg.ExhaustValveOpening = -140, 130
	b := &cfg.Burn
	b.RPM, b.AbsoluteLoad, b.Lambda, b.Spark, b.Lag, b.Duration = 3000, 150, 0.9, 10, 12, 48
	return cfg
}

func newEngine(t testing.TB, cfg cycle.Config) *cycle.Engine {
	t.Helper()
	e, err := cycle.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func finished(t testing.TB, ron, ethanol float64) fuel.Fuel {
	t.Helper()
	f, err := fuel.Finished(ron, 85, ethanol)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// states are the three cycles of testdata/reference/physics/cycle.m.
func states(t testing.TB) []cycle.State {
	return []cycle.State{
		{RPM: 2000, AirMass: 1.2 * 1.184 * cylinder, ManifoldPressure: 130e3, ChargeTemperature: 310,
			CoolantTemperature: 360,
			Lambda:             0.98, Spark: 14, Fuel: finished(t, 95, 0.1), Octane: 97},
		{RPM: 3500, AirMass: 1.8 * 1.184 * cylinder, ManifoldPressure: 200e3, ChargeTemperature: 320,
			CoolantTemperature: 365,
			Lambda:             0.85, Spark: 12, Fuel: finished(t, 95, 0.1), Octane: 98},
		{RPM: 6000, AirMass: 1.6 * 1.184 * cylinder, ManifoldPressure: 185e3, ChargeTemperature: 325,
			CoolantTemperature: 368,
			Lambda:             0.80, Spark: 18, Fuel: finished(t, 101, 0.5), Octane: 104},
	}
}

// Three full cycles with heat transfer against an integrator that shares nothing with this package but the published
// formulas: testdata/reference/physics/cycle.m (Octave, lsode, NIST Shomate heat capacities).
func TestAgainstIndependentIntegrator(t *testing.T) {
	file, err := os.Open("../../testdata/reference/physics/cycle.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 4 {
		t.Fatalf("%d rows, want a heading and 3 cycles", len(rows))
	}
	e := newEngine(t, config())
	for k, s := range states(t) {
		want := map[string]float64{}
		for i, name := range rows[0] {
			want[name], err = strconv.ParseFloat(rows[k+1][i], 64)
			if err != nil {
				t.Fatal(err)
			}
		}
		r, err := e.Run(s)
		if err != nil {
			t.Fatal(err)
		}
		// The ends of imep outside the closed part follow from the same pressures on both sides.
		geometry := e.Config().Geometry
		bottom, vIVC, vEVO := geometry.Volume(180), geometry.Volume(-140), geometry.Volume(130)
		exhaust := math.Max(105e3, 1.15*s.ManifoldPressure)
		pEVO := r.PressureEVO * want["t_evo_K"] / r.TemperatureEVO
		imep := (want["work_J"] + r.PressureIVC*(vIVC-bottom) + (pEVO+exhaust)/2*(bottom-vEVO)) / cylinder
		for _, c := range []struct {
			name           string
			got, want, rel float64
		}{
			{"peak pressure", r.PeakPressure / 1e5, want["peak_bar"], 0.005},
			{"imep", r.IMEP, imep, 0.005},
			{"work", r.Work, want["work_J"], 0.005},
			{"heat loss", r.Lost, want["lost_J"], 0.005},
			{"temperature at exhaust opening", r.TemperatureEVO, want["t_evo_K"], 0.005},
			{"knock integral", r.KnockIntegral, want["knock"], 0.01},
			{"ignition lag", r.IgnitionLag, want["lag_deg"], 0.003},
			{"burn duration", r.BurnDuration, want["duration_deg"], 0.003},
			{"residual", r.ResidualFraction, want["residual"], 0.001},
			{"temperature at intake closing", r.TemperatureIVC, want["t_ivc_K"], 0.0005},
			{"trapped mass", r.TrappedMass * 1e6, want["mass_mg"], 0.0005},
		} {
			t.Logf("cycle %d, %s: %.5g, reference %.5g, %+.3f %%", k+1, c.name, c.got, c.want, 100*(c.got/c.want-1))
			if !(math.Abs(c.got/c.want-1) <= c.rel) {
				t.Errorf("cycle %d: %s %.6g, reference %.6g", k+1, c.name, c.got, c.want)
			}
		}
		if d := r.PeakPressureAngle - want["peak_deg"]; math.Abs(d) > 0.1 {
			t.Errorf("cycle %d: peak at %.3f°, reference %.3f°", k+1, r.PeakPressureAngle, want["peak_deg"])
		}
	}
}
