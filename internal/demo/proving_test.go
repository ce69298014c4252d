package demo

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/hazard"
	"headroom/internal/workspace"
)

func proving(t *testing.T, cars int) *fleet {
	t.Helper()
	f, err := invent(Options{Cars: cars, Seed: 4, Proving: true})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// A proving fleet is a workspace without problems, whose other kinds of proposal are there as their truth says, the
// same whenever they are made again. Proposals makes the same of it as of any fleet.
func TestProposalsOfKinds(t *testing.T) {
	dir, _ := mustBuild(t, Options{Cars: 8, Seed: 4, TruthPulls: 10, Proving: true})
	kinds := ProvingKinds()
	made, err := ProposalsOf(dir, kinds, len(kinds), 11)
	if err != nil {
		t.Fatal(err)
	}
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(ws.Problems) > 0 {
		t.Errorf("problems: %+v", ws.Problems)
	}
	for i, p := range made {
		r := ws.Revisions[p.Revision]
		if p.Kind != kinds[i] || r == nil || r.Parent != p.Parent || r.Vehicle != p.Vehicle || r.Status != "proposed" {
			t.Fatalf("%s, a %s, in the workspace: %+v", p.Revision, p.Kind, r)
		}
		parent := ws.Revisions[p.Parent]
		if changed := r.Fuel != parent.Fuel; changed != (p.Fuel != "") || changed && r.Fuel != p.Fuel {
			t.Errorf("%s: fuel %s after %s, truth says %q", p.Revision, r.Fuel, parent.Fuel, p.Fuel)
		}
		if named := strings.SplitN(p.Part+": ", ": ", 3); p.Part != "" && r.Hardware[named[0]] != named[1] {
			t.Errorf("%s: hardware %v, truth says %q", p.Revision, r.Hardware, p.Part)
		}
		now, _ := ws.TableOf(r.ID, "intake_cam", "")
		was, _ := ws.TableOf(parent.ID, "intake_cam", "")
		if moved := now != nil && now != was; moved != (p.CamDeg != 0) {
			t.Errorf("%s: cam table changed %v, truth says %g°", p.Revision, moved, p.CamDeg)
		}
		if (p.IfVisited != nil) != slices.Contains([]Kind{KindUnvisited, KindPartLoad}, p.Kind) {
			t.Errorf("%s: if visited %+v", p.Revision, p.IfVisited)
		}
	}
	again, err := proving(t, 8).ofKinds(kinds, len(kinds), 11)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range again {
		if p.truth.WorstPerPull != made[i].WorstPerPull || p.truth.Vehicle != made[i].Vehicle {
			t.Errorf("%s differs when made again", made[i].Revision)
		}
	}
}

// A kind named twice is made twice, each with a name and a turn of its own.
func TestKindsMayRepeat(t *testing.T) {
	kinds := []Kind{KindFuel, KindLarge, KindLarge}
	var turns []int
	for i := range 6 {
		turns = append(turns, turnOf(kinds, i))
	}
	if want := []int{0, 0, 1, 1, 2, 3}; !slices.Equal(turns, want) {
		t.Errorf("turns %v, want %v", turns, want)
	}
	made, err := proving(t, minimumCars).ofKinds(kinds, 6, 1)
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	for _, p := range made {
		if named[p.revision.id] {
			t.Errorf("two proposals are %s", p.revision.id)
		}
		named[p.revision.id] = true
	}
}

func TestProposalsOfKindsRefuses(t *testing.T) {
	plain := t.TempDir()
	if err := os.WriteFile(filepath.Join(plain, TruthFile), []byte(`{"cars": 6, "seed": 1}`), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := ProposalsOf(plain, ProvingKinds(), 1, 1); err == nil || !strings.Contains(err.Error(), "Proving") {
		t.Errorf("a fleet without them: %v", err)
	}
	f := proving(t, minimumCars)
	for _, kinds := range [][]Kind{nil, {"colour"}} {
		if _, err := f.ofKinds(kinds, 1, 1); err == nil || !strings.Contains(err.Error(), string(KindPartLoad)) {
			t.Errorf("kinds %v: %v", kinds, err)
		}
	}
}

// Every hazard has truly dangerous cases among the large steps; where a planted fault leads to one, it needs the fault:
// the same step on the car mended crosses less.
func TestEveryHazardCanBeReached(t *testing.T) {
	f, sound := proving(t, DefaultCars), proving(t, DefaultCars)
	for i, c := range sound.cars {
		mended := f.cars[i]
		c.faulty, c.pump = faulty{}, 1
		c.thermostat, c.intercooler, c.exhaustBias = 90, 1, 0
		if mended.id != c.id {
			t.Fatal("fleets differ")
		}
	}
	for turn, h := range hazard.All() {
		reached := false
		for try := uint64(0); try < 12 && !reached; try++ {
			rng := stream(try, 5, uint64(turn))
			d := f.drawLarge(f.cars[rng.IntN(len(f.cars))], turn, rng)
			judge := func(c *car) float64 {
				r := d.change.apply(c.latest(), "x", "t1", historyEnd)
				truth := d.change.judge(c, r, 40, 1, try)
				return truth.Hazard(h.ID).ProbabilityPerPull
			}
			p := judge(d.car)
			reached = p >= 0.2
			if role, fault := faultyFor(h.ID); fault && reached && d.car.index == role {
				if without := judge(sound.cars[d.car.index]); without >= p {
					t.Errorf("%s: crossed in %.2f of pulls with the fault, in %.2f without it", h.ID, p, without)
				}
			}
		}
		if !reached {
			t.Errorf("no large step is dangerous for %s", h.ID)
		}
	}
}

// What the fleet calls unvisited no usual pull goes to, and the way it names does.
func TestUnvisitedIsUnvisited(t *testing.T) {
	made, err := proving(t, DefaultCars).ofKinds([]Kind{KindUnvisited}, 8, 3)
	if err != nil {
		t.Fatal(err)
	}
	entered := 0
	for _, p := range made {
		v := p.truth.IfVisited
		if v.UsualShare > 0.05 {
			t.Errorf("%s: %.2f of usual pulls enter", p.truth.Revision, v.UsualShare)
		}
		entered += v.Entered
	}
	if entered < len(made)*visitDrives/4 {
		t.Errorf("of %d drives only %d enter the changed cells", len(made)*visitDrives, entered)
	}
}

// extremes are the largest values of a pull driven by a car as it may be changed, at the same luck.
type extremes struct{ charge, exhaust, duty, pump, load, lambda, spool float64 } // spool: rpm

func pulled(c *car, change func(c *car)) extremes {
	as := *c
	change(&as)
	day := *c.daysOn(c.latest().id)[0]
	day.gears = day.gears[:1] // pulls before this one would end at another luck
	s := as.usual(c.latest(), []*logPlan{&day}, 0, stream(1, 2))
	x := extremes{lambda: math.Inf(-1)}
	s.write = func(float64) {
		if !s.watched() {
			return
		}
		x.charge, x.exhaust = max(x.charge, s.charge), max(x.exhaust, s.exhaust)
		x.duty, x.pump = max(x.duty, s.duty), max(x.pump, s.pumpShare)
		x.load = max(x.load, s.load)
		if s.manifold < 160 {
			x.spool = max(x.spool, s.rpm)
		}
		if s.rpm > 4500 {
			x.lambda = max(x.lambda, s.smoothLambda)
		}
	}
	s.pull(4, 1800, 6000)
	return x
}

// Directions of what parts and fuels do: common practice, no source.
func TestPartsAndFuelsAct(t *testing.T) {
	f := proving(t, minimumCars)
	c := f.cars[0]
	fit := func(item, name string, n float64) extremes {
		i := slices.IndexFunc(parts, func(p part) bool { return p.item == item && p.name == name })
		return pulled(c, func(c *car) { parts[i].fit(c, 0.5, n) })
	}
	stock := pulled(c, func(*car) {})
	large, small := fit("turbo", "larger", 0), fit("turbo", "smaller", 0)
	if large.spool <= stock.spool || small.charge <= stock.charge || small.exhaust <= large.exhaust {
		t.Errorf("turbos: larger %+v, stock %+v, smaller %+v", large, stock, small)
	}
	if big, little := fit("injectors", "larger", 0), fit("injectors", "smaller", 0); big.duty >= stock.duty ||
		little.duty <= stock.duty {
		t.Errorf("injectors: larger %+v, stock %+v, smaller %+v", big, stock, little)
	}
	if lean := fit("injectors", "larger", 1.5); lean.lambda <= stock.lambda {
		t.Errorf("injection data that are off leave lambda at %v of %v", lean.lambda, stock.lambda)
	}
	if open := fit("intake", "open", 0); open.load <= stock.load*0.99 || open.lambda <= stock.lambda {
		t.Errorf("open intake %+v, stock %+v", open, stock)
	}
	if cool, hot := fit("intercooler", "larger", 0), fit("intercooler", "smaller", 0); cool.charge >= stock.charge ||
		hot.charge <= stock.charge {
		t.Errorf("intercoolers: larger %+v, stock %+v, smaller %+v", cool, stock, hot)
	}
	if pump := fit("fuel pump", "larger", 0); pump.pump >= stock.pump {
		t.Errorf("pump %+v, stock %+v", pump, stock)
	}
	all := f.fuels()
	if e85 := pulled(c, func(c *car) { c.fuel = &all[len(all)-1] }); e85.pump <= 1.15*stock.pump {
		t.Errorf("ethanol takes %.2f of the pump, gasoline %.2f", e85.pump, stock.pump)
	}
}

// An intake cam further advanced breathes better at low speed and worse at high; far off it breathes worse anywhere.
func TestCamBreathing(t *testing.T) {
	if g := camBreathing(2000, 10); g <= 1 {
		t.Errorf("10° more at 2000 rpm: %v", g)
	}
	for _, x := range [][2]float64{{6500, 10}, {2000, 60}, {2000, -40}} {
		if g := camBreathing(x[0], x[1]); g >= 1 {
			t.Errorf("%v° off at %v rpm: %v", x[1], x[0], g)
		}
	}
}
