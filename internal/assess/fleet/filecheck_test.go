package fleet

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/demo"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/store"
	"headroom/internal/workspace"
	"headroom/models/value"

	"gonum.org/v1/gonum/stat"
)

func TestMain(m *testing.M) { os.Exit(fleettest.Main(m, nil)) }

// checked are the checks of a platform of a workspace whose file was changed, without a knock fit.
func checked(t *testing.T, ws *workspace.Workspace, st *store.Store, id string,
	change func(p *workspace.Platform)) []FileCheck {
	t.Helper()
	rows, err := st.Rows(store.Filter{Platform: id})
	if err != nil {
		t.Fatal(err)
	}
	file := *ws.Platforms[id]
	burn, fuel, airPath := *file.Burn, *file.FuelSystem, *file.AirPath
	fuel.PumpCapacity.Value = slices.Clone(fuel.PumpCapacity.Value)
	airPath.VolumetricEfficiency.Value = slices.Clone(airPath.VolumetricEfficiency.Value)
	file.Burn, file.FuelSystem, file.AirPath = &burn, &fuel, &airPath
	change(&file)
	p := state.NewPlatform(ws, &file)
	rail := state.RailOf(rows)
	f := New(p, &Fit{Rail: rail, BurnFit: fitBurn(p, rows, rail)})
	return f.checkFile(rows)
}

func doubtful(checks []FileCheck) map[metric.Key]FileStatus {
	out := map[metric.Key]FileStatus{}
	for _, c := range checks {
		if c.Doubtful() {
			out[c.Key] = c.Status
		}
	}
	return out
}

func scale(v []float64, by float64) {
	for i := range v {
		v[i] *= by
	}
}

// Each number that is wrong is found, under its own key and no other, and a right file gives no doubt. The logs are the
// demo's, whose cars differ from their platform file by a few percent and come from other equations (internal/demo).
func TestWrongPlatformFileIsFound(t *testing.T) {
	ws, st := fleettest.Open(t, fleettest.Demo(t))
	for _, c := range []struct {
		name   string
		change func(p *workspace.Platform)
		want   map[metric.Key]FileStatus
	}{
		{"as it is", func(*workspace.Platform) {}, map[metric.Key]FileStatus{}},
		{"displacement 20 % larger", func(p *workspace.Platform) { p.Engine.BoreMM *= math.Sqrt(1.2) },
			map[metric.Key]FileStatus{keyDisplacement: Contradicts}},
		{"displacement 20 % smaller", func(p *workspace.Platform) { p.Engine.BoreMM *= math.Sqrt(0.8) },
			map[metric.Key]FileStatus{keyDisplacement: Contradicts}},
		{"volumetric efficiency 20 % lower", func(p *workspace.Platform) {
			scale(p.AirPath.VolumetricEfficiency.Value, 0.8)
		}, map[metric.Key]FileStatus{keyBreathing: Contradicts}},
		{"injectors 25 % larger", func(p *workspace.Platform) { p.FuelSystem.InjectorFlowCCMin *= 1.25 },
			map[metric.Key]FileStatus{keyFlow: Contradicts}},
		{"injectors 25 % smaller", func(p *workspace.Platform) { p.FuelSystem.InjectorFlowCCMin *= 0.75 },
			map[metric.Key]FileStatus{keyFlow: Contradicts}},
		{"dead time a millisecond longer", func(p *workspace.Platform) { p.FuelSystem.DeadTimeMS++ },
			map[metric.Key]FileStatus{keyDeadTime: Contradicts}},
		{"compression 12.5", func(p *workspace.Platform) { p.Engine.CompressionRatio = 12.5 },
			map[metric.Key]FileStatus{keyRatio: Unusual}},
		{"compression 12.5, measured", func(p *workspace.Platform) {
			p.Engine.CompressionRatio, p.Engine.Known = 12.5, workspace.Measured
		}, map[metric.Key]FileStatus{}},
		{"octane weight a unit higher", func(p *workspace.Platform) { p.OctaneIndexK++ },
			map[metric.Key]FileStatus{keyOctane: Unusual}},
	} {
		for _, id := range []string{fleettest.Kestrel, fleettest.Marlin} {
			got := doubtful(checked(t, ws, st, id, c.change))
			if fmt.Sprint(got) != fmt.Sprint(c.want) {
				t.Errorf("%s, %s: %v, want %v", id, c.name, got, c.want)
			}
		}
	}
	tenfold := func(p *workspace.Platform) { scale(p.FuelSystem.PumpCapacity.Value, 10) }
	for id, want := range map[string]FileStatus{
		fleettest.Kestrel: Contradicts, // one car has a weak pump, whose rail pressure falls away
		fleettest.Marlin:  Unusual,     // none has
	} {
		if got := doubtful(checked(t, ws, st, id, tenfold)); len(got) != 1 || got[metric.PumpCapacity] != want {
			t.Errorf("%s, pump ten times too large: %v, want %s", id, got, want)
		}
	}
}

// A number that no log tells is in the list and says so: it is never left out. Every status has its numbers or none.
func TestWhatNoLogTellsIsListed(t *testing.T) {
	ws, st := fleettest.Open(t, fleettest.Demo(t))
	listed := map[metric.Key]FileStatus{}
	for _, c := range checked(t, ws, st, fleettest.Marlin, func(*workspace.Platform) {}) {
		listed[c.Key] = c.Status
		if c.Status == Agrees && (!c.Shown.Known() || c.Cars == 0 || c.Pulls == 0 || !(c.Interval[0] < c.Interval[1])) {
			t.Errorf("%s agrees on nothing: %+v", c.Key, c)
		}
	}
	for key, want := range map[metric.Key]FileStatus{keyRatio: NotTold, keyBurn: NotTold, keyOctane: NotTold,
		metric.PumpCapacity: NotTold, keyDisplacement: Agrees, keyBreathing: Agrees, keyFlow: Agrees,
		keyDeadTime: Agrees} {
		if listed[key] != want {
			t.Errorf("%s: %s, want %s", key, listed[key], want)
		}
	}
}

// Demo fleets of other seeds, whose files are right, give no doubt. HEADROOM_PROOF=1: six fleets are made and read.
func TestProofRightPlatformFiles(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("HEADROOM_PROOF is not set")
	}
	for seed := uint64(1); seed <= 6; seed++ {
		dir := filepath.Join(t.TempDir(), "ws")
		if _, err := demo.Build(dir, demo.Options{Seed: seed, TruthPulls: 1}); err != nil {
			t.Fatal(err)
		}
		if err := fleettest.Ingest(dir); err != nil {
			t.Fatal(err)
		}
		ws, st := fleettest.Open(t, dir)
		for _, id := range []string{fleettest.Kestrel, fleettest.Marlin} {
			if got := doubtful(checked(t, ws, st, id, func(*workspace.Platform) {})); len(got) > 0 {
				t.Errorf("seed %d, %s: %v", seed, id, got)
			}
		}
	}
}

// The stated rates by simulation: cars drawn about a right number, with the spread between cars and the error they all
// share as stated, are said to contradict it in falseAlarm of fleets, and the interval holds the number in 95 %; within
// four Monte Carlo deviations, and more cautious where one to three cars say little of their own spread.
func TestFalseAlarms(t *testing.T) {
	const fleets = 8000
	rng := rand.New(rand.NewPCG(3, 1))
	s := spread{car: 0.03, common: 0.04, matters: 0.12}
	for _, cars := range []int{1, 2, 3, 8, 20} {
		alarms, missed := 0.0, 0.0
		for range fleets {
			shared := s.common * rng.NormFloat64()
			d := make([]float64, cars)
			for i := range d {
				d[i] = shared + s.car*rng.NormFloat64()
			}
			f := s.over(d)
			if f.status(s) == Contradicts {
				alarms++
			}
			if math.Abs(f.mean) > f.half {
				missed++
			}
		}
		beyond := func(p float64) float64 { return p*fleets + 4*math.Sqrt(p*fleets) }
		t.Logf("%d cars: %.4f contradicted, %.4f outside the interval", cars, alarms/fleets, missed/fleets)
		if alarms > beyond(falseAlarm) || missed > beyond(0.05) {
			t.Errorf("%d cars: %g of %d fleets contradicted, %g outside the interval", cars, alarms, fleets, missed)
		}
		if missed < 0.02*fleets {
			t.Errorf("%d cars: an interval that misses in %g of %d fleets is too wide", cars, missed, fleets)
		}
	}
}

// The same for pumps: knees drawn about the described capacity, seen where demand reaches them.
func TestPumpFalseAlarms(t *testing.T) {
	const fleets = 800
	rng := rand.New(rand.NewPCG(3, 2))
	for _, cars := range []int{1, 3, 10} {
		alarms := 0.0
		for range fleets {
			shared := demandError * rng.NormFloat64()
			reaches := make([]state.PumpReach, cars)
			for i := range reaches {
				knee := math.Exp(shared+pumpSpread*rng.NormFloat64()) * state.HealthyKnee
				most := (0.6 + 0.4*rng.Float64()) * 100
				reaches[i] = state.PumpReach{Use: math.Min(knee, most), Falls: knee < most}
			}
			low, _, high := pumpShare(reaches, 7.88)
			if low > 0 || high < 0 {
				alarms++
			}
		}
		t.Logf("%d cars: %.4f contradicted", cars, alarms/fleets)
		if alarms > falseAlarm*fleets+4*math.Sqrt(falseAlarm*fleets) {
			t.Errorf("%d cars: %g of %d fleets contradicted", cars, alarms, fleets)
		}
	}
}

// Without a car whose rail pressure falls away a pump has no upper bound; one that falls away at a tenth bounds it.
func TestPumpShare(t *testing.T) {
	holds := state.PumpReach{Use: 9}
	low, best, high := pumpShare([]state.PumpReach{holds, holds, holds}, 3.84)
	// 3 ln Φ(z) = −3.84/2 at z = 0.06847 (Python 3: statistics.NormalDist().inv_cdf(exp(-3.84/6))).
	want := math.Log(9.0/95) + 0.06847*pumpSpread - math.Sqrt(3.84)*demandError
	if math.Abs(low-want) > 0.01 || value.Known(best) || value.Known(high) {
		t.Errorf("pumps that hold: %v %v %v, want %v", low, best, high, want)
	}
	_, best, high = pumpShare([]state.PumpReach{{Use: 9.5, Falls: true}}, 3.84)
	close(t, "the share of a pump that falls away at a tenth", best, math.Log(0.1), 0.01)
	// One normal observation: the interval is ±1.96 deviations (here both errors).
	close(t, "its upper bound", high-best, 1.96*math.Hypot(pumpSpread, demandError), 0.02)
	if low, _, _ := pumpShare(nil, 3.84); value.Known(low) {
		t.Errorf("no car bounds a pump by %v", low)
	}
}

// Fuels tell the octane weight where they differ in sensitivity and not in ethanol. Offsets are made of a weight that
// is 1.5 larger than the file's, at 0.8 degrees an octane number.
func TestOctaneWeightByFuels(t *testing.T) {
	const gain, off = 0.8, 1.5
	rng := rand.New(rand.NewPCG(4, 1))
	cars := func(sensitivities ...float64) (out []fuelled) {
		for i := range 24 {
			s := sensitivities[i%len(sensitivities)]
			out = append(out, fuelled{s, 0.1, -gain*off*(s-10) + rng.NormFloat64()})
		}
		return out
	}
	c := check(keyOctane, "", -0.3)
	c.octane(cars(7, 13), gain)
	if c.Status != Contradicts || math.Abs(float64(c.Shown)-(off-0.3)) > 0.3 || c.Cars != 24 {
		t.Errorf("fuels of sensitivity 7 and 13: %+v", c)
	}
	c = check(keyOctane, "", -0.3)
	if c.octane(cars(10, 11), gain); c.Status != NotTold || c.Shown.Known() {
		t.Errorf("fuels of nearly one sensitivity: %+v", c)
	}
	mixed := cars(7, 13)
	for i := range mixed {
		mixed[i].ethanol = mixed[i].sensitivity / 20
	}
	c = check(keyOctane, "", -0.3)
	if c.octane(mixed, gain); c.Status != NotTold {
		t.Errorf("fuels that differ in ethanol as well: %+v", c)
	}
}

// Rows that lack the channels tell nothing, and nothing is claimed of them.
func TestNothingLogged(t *testing.T) {
	p := platformWith(t, "direct", func(*workspace.Platform) {})
	r := fleettest.BlankRow()
	f := New(p, &Fit{})
	for _, c := range f.checkFile([]evidence.Row{r}) {
		if c.Status != NotTold || c.Shown.Known() || c.Interval[0].Known() || c.Cars != 0 {
			t.Errorf("%s: %+v", c.Key, c)
		}
	}
	if n := len(f.checkFile(nil)); n < 8 {
		t.Errorf("%d keys listed", n)
	}
}

// What logs show narrows a guess: two errors of one size by the square root of two; a bound from below by the
// deviation of normal draws above it; no log, not at all.
func TestLogsNarrowAGuess(t *testing.T) {
	c := check(metric.PumpCapacity, "g/s", 30)
	close(t, "without logs", c.narrowed(0.3), 0.3, 0)
	c.Interval = result.Span{result.Number(30 * math.Exp(-1.96*0.3)), result.Number(30 * math.Exp(1.96*0.3))}
	close(t, "by logs as good as the guess", c.narrowed(0.3), 0.3/math.Sqrt2, 1e-9)
	c.Interval = result.Span{result.Number(30 * math.Exp(-0.3)), result.Unknown()}
	rng := rand.New(rand.NewPCG(9, 9))
	var kept []float64
	for len(kept) < 200000 {
		if z := rng.NormFloat64(); z > -1 {
			kept = append(kept, z)
		}
	}
	close(t, "bounded from below", c.narrowed(0.3), 0.3*stat.StdDev(kept, nil), 0.002)
}
