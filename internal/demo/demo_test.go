package demo

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/workspace"
)

// digest is one hash over names and contents of a tree.
func digest(t *testing.T, dir string) string {
	t.Helper()
	h := sha256.New()
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		name, _ := filepath.Rel(dir, p)
		io.WriteString(h, name+"\x00"+strconv.Itoa(len(b))+"\x00")
		h.Write(b)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func mustBuild(t *testing.T, o Options) (string, Summary) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "ws")
	s, err := Build(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	return dir, s
}

func TestSameSeedSameBytesOnAnyNumberOfProcessors(t *testing.T) {
	a, _ := mustBuild(t, Options{Cars: 6, Seed: 5, TruthPulls: 40})
	before := runtime.GOMAXPROCS(1)
	b, _ := mustBuild(t, Options{Cars: 6, Seed: 5, TruthPulls: 40})
	runtime.GOMAXPROCS(before)
	if digest(t, a) != digest(t, b) {
		t.Error("the same seed gave other bytes on one processor")
	}
	f, err := invent(Options{Cars: 6, Seed: 6})
	if err != nil {
		t.Fatal(err)
	}
	runs, err := os.ReadFile(filepath.Join(a, "runs.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(runs, f.runs()) {
		t.Error("another seed gave the same runs")
	}
}

func TestBuildRefuses(t *testing.T) {
	dir := t.TempDir()
	if _, err := Build(filepath.Join(dir, "ws"), Options{Cars: 3}); err == nil ||
		!strings.Contains(err.Error(), "6 or more") {
		t.Errorf("three cars: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "mine.txt"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Build(dir, Options{Cars: 6}); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("directory in use: %v", err)
	}
	if _, err := Proposals(dir, 1, 1); err == nil || !strings.Contains(err.Error(), "not a demo workspace") {
		t.Errorf("no demo: %v", err)
	}
}

// TestDefaultDemo checks the whole default workspace: that the workspace reader takes it, that logs are what their
// dialects say, and that the truth is what the four proposals are meant to be.
func TestDefaultDemo(t *testing.T) {
	dir, s := mustBuild(t, Options{Seed: 1, TruthPulls: 200})
	if s.Cars != DefaultCars || s.Logs < 90 || s.Logs > 120 || s.Bytes > 25e6 || len(s.Proposed) != 4 {
		t.Errorf("size: %+v", s)
	}
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range ws.Problems {
		t.Errorf("problem: %+v", p)
	}
	if len(ws.Vehicles) != s.Cars || len(ws.Revisions) != s.Revisions || len(ws.Runs) != s.Logs+1 {
		t.Errorf("read %d vehicles, %d revisions, %d runs; wrote %+v", len(ws.Vehicles), len(ws.Revisions),
			len(ws.Runs), s)
	}
	for _, r := range ws.Revisions {
		if r.Parent != "" && ws.Revisions[r.Parent].Date > r.Date {
			t.Errorf("%s of %s is older than its parent %s of %s", r.ID, r.Date, r.Parent, ws.Revisions[r.Parent].Date)
		}
	}
	for _, r := range ws.Runs {
		if r.Date < "2025-01-01" || r.Date > "2026-06-30" || r.Date < ws.Revisions[r.Revision].Date {
			t.Errorf("%s: date %q, revision of %s", r.Path, r.Date, ws.Revisions[r.Revision].Date)
		}
	}
	checkLogs(t, dir, s)
	truth, err := ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	checkProposed(t, truth.Proposed)
	checkKnockShare(t, &truth)
	checkFaults(t, &truth)
}

func checkLogs(t *testing.T, dir string, s Summary) {
	t.Helper()
	kinds := map[string]int{}
	err := filepath.WalkDir(filepath.Join(dir, "runs"), func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		switch {
		case strings.HasSuffix(p, "-broken.csv"):
			kinds["unreadable"]++
			return nil
		case strings.HasSuffix(p, ".gz"):
			kinds["gzip"]++
			z, err := gzip.NewReader(bytes.NewReader(b))
			if err != nil {
				return err
			}
			if b, err = io.ReadAll(z); err != nil {
				return err
			}
		case b[0] == 0xFF:
			kinds["utf16"]++
			return nil
		case b[len(b)-1] != '\n':
			kinds["cut"]++
			b = b[:bytes.LastIndexByte(b, '\n')+1]
		}
		kinds["log"]++
		checkRows(t, p, string(b))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if kinds["unreadable"] != 1 || kinds["gzip"] != 1 || kinds["utf16"] != 1 || kinds["cut"] != 1 ||
		kinds["log"]+kinds["utf16"] != s.Logs {
		t.Errorf("kinds of log: %v of %d", kinds, s.Logs)
	}
}

// checkRows checks that each row has as many numbers as the header has names, and that time runs forward.
func checkRows(t *testing.T, name, text string) {
	t.Helper()
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	header, separator := -1, ""
	for i, l := range lines[:5] {
		for _, sep := range []string{";", "\t", ","} {
			if header < 0 && strings.HasPrefix(l, "Time") && strings.Contains(l, sep) {
				header, separator = i, sep
			}
		}
	}
	if header < 0 {
		t.Fatalf("%s: no header", name)
	}
	width, last := strings.Count(lines[header], separator), -1.0
	rows := 0
	for _, l := range lines[header+1:] {
		fields := strings.Split(l, separator)
		if len(fields) != width+1 {
			t.Fatalf("%s: %d fields in %q, want %d", name, len(fields), l, width+1)
		}
		if fields[0] == "s" { // units row
			continue
		}
		for i, f := range fields {
			v, err := strconv.ParseFloat(strings.Replace(f, ",", ".", 1), 64)
			if err != nil || math.IsNaN(v) {
				t.Fatalf("%s: field %d of %q: %v", name, i, l, err)
			}
			if i == 0 && v <= last {
				t.Fatalf("%s: time does not run forward at %q", name, l)
			}
			if i == 0 {
				last = v
			}
		}
		rows++
	}
	if rows < 400 {
		t.Errorf("%s: only %d rows", name, rows)
	}
}

func checkProposed(t *testing.T, proposed []ProposalTruth) {
	t.Helper()
	want := map[Kind]hazard.ID{KindMild: "", KindMidSpark: hazard.Knock, KindLeanTop: hazard.Lean,
		KindLowSpeed: hazard.LowSpeedLoad}
	for _, p := range proposed {
		meant, ok := want[p.Kind]
		if !ok {
			t.Errorf("unexpected kind %q", p.Kind)
			continue
		}
		delete(want, p.Kind)
		if meant == "" {
			if p.WorstPerPull >= 0.02 {
				t.Errorf("mild is not mild: %s %.3f", p.WorstHazard, p.WorstPerPull)
			}
			continue
		}
		h := p.Hazard(meant)
		if p.WorstHazard != meant || h.ProbabilityPerPull < 0.2 {
			t.Errorf("%s: worst %s %.3f, %s %.3f", p.Kind, p.WorstHazard, p.WorstPerPull, meant, h.ProbabilityPerPull)
		}
		if len(h.RPM) != 2 || h.RPM[1] < p.RPM[0] || h.RPM[0] > p.RPM[1] {
			t.Errorf("%s: crossed at %v, changed at %v", p.Kind, h.RPM, p.RPM)
		}
	}
	if len(want) != 0 {
		t.Errorf("missing proposals: %v", want)
	}
}

func checkKnockShare(t *testing.T, truth *Truth) {
	t.Helper()
	cells, events := 0, 0
	for _, c := range truth.Fleet {
		for _, l := range c.Logs {
			cells += l.PullCells
			events += l.PullCellsWithKnock
		}
	}
	if share := float64(events) / float64(cells); share < 0.04 || share > 0.11 {
		t.Errorf("%d of %d pull cells with knock: %.3f, want 5 to 10 %%", events, cells, share)
	}
}

func checkFaults(t *testing.T, truth *Truth) {
	t.Helper()
	var got []string
	for _, c := range truth.Fleet {
		for _, f := range c.Faults {
			got = append(got, f.Fault)
		}
	}
	slices.Sort(got)
	want := []string{"boost_leak", "knock_level_drift", "lambda_sensor_offset", "stuck_coolant_sensor",
		"weak_fuel_pump"}
	if !slices.Equal(got, want) {
		t.Errorf("faults %v, want %v", got, want)
	}
}

func TestProposalsHaveTheIntendedTruthForOtherSeeds(t *testing.T) {
	for seed := uint64(2); seed <= 3; seed++ {
		f, err := invent(Options{Cars: minimumCars, Seed: seed, TruthPulls: 200})
		if err != nil {
			t.Fatal(err)
		}
		if err := f.propose(); err != nil {
			t.Fatal(err)
		}
		var truths []ProposalTruth
		for _, p := range f.proposals {
			truths = append(truths, p.truth)
		}
		checkProposed(t, truths)
	}
}

// TestReleasedRevisionsLiveInsideTheirLimits: what is on the road may be heard knocking, but only the planted knock
// drift and a few unlucky cars pass a limit now and then.
func TestReleasedRevisionsLiveInsideTheirLimits(t *testing.T) {
	f, err := invent(Options{Cars: DefaultCars, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	crossing := 0
	for _, c := range f.cars {
		same := c.latest().child("same", "t1", historyEnd)
		none := change{kind: "none"}
		truth := none.judge(c, same, 25, 1, 7)
		for _, h := range truth.Hazards {
			if h.Severity == hazard.Catastrophic && h.ProbabilityPerPull > 0.05 {
				t.Errorf("%s: %s %.2f on its released revision", c.id, h.Hazard, h.ProbabilityPerPull)
			}
		}
		if truth.WorstPerPull > 0.1 && c.index != roleKnockDrift {
			crossing++
		}
	}
	if crossing > 3 {
		t.Errorf("%d cars pass a limit in more than a tenth of their pulls", crossing)
	}
}

func TestGradedProposals(t *testing.T) {
	dir, _ := mustBuild(t, Options{Cars: 8, Seed: 3, TruthPulls: 40})
	a, err := Proposals(dir, 16, 11)
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
	dangerous, mild := 0, 0
	for _, p := range a {
		r := ws.Revisions[p.Revision]
		if r == nil || r.Parent != p.Parent || r.Vehicle != p.Vehicle || r.Status != "proposed" {
			t.Errorf("%s in the workspace: %+v", p.Revision, r)
		}
		switch {
		case p.WorstPerPull >= 0.2:
			dangerous++
		case p.WorstPerPull < 0.02:
			mild++
		}
	}
	if dangerous < 3 || mild < 3 {
		t.Errorf("%d dangerous and %d mild of %d: not graded", dangerous, mild, len(a))
	}
	f, err := invent(Options{Cars: 8, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	again, err := f.graded(3, 11)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range again {
		if p.truth.WorstPerPull != a[i].WorstPerPull || p.truth.Vehicle != a[i].Vehicle {
			t.Errorf("proposal %d differs when made again", i+1)
		}
	}
}

// anyState draws a boosted state.
func anyState(t *rapid.T) condition {
	load := rapid.Float64Range(1.1, 2.1).Draw(t, "load")
	charge := rapid.Float64Range(295, 340).Draw(t, "charge")
	return condition{
		rpm: rapid.Float64Range(1800, 6700).Draw(t, "rpm"), load: load, charge: charge,
		manifold: load * loadDensity / 0.93 * gasConstantAir * charge, coolant: rapid.Float64Range(355, 380).Draw(t,
			"coolant"),
		lambda: rapid.Float64Range(0.78, 0.95).Draw(t, "lambda"), fuel: gasoline{97, 87, 0.1},
	}
}

// Directions: common practice, no source.
func TestKnockLimitFallsWithEveryHardship(t *testing.T) {
	all := engines()
	rapid.Check(t, func(t *rapid.T) {
		e := all[rapid.IntRange(0, 1).Draw(t, "engine")]
		c := anyState(t)
		k := e.knockLimit(&c)
		for _, worse := range []struct {
			name string
			do   func(c *condition)
		}{
			{"more boost", func(c *condition) { c.manifold *= 1.05; c.load *= 1.05 }},
			{"hotter charge", func(c *condition) { c.charge += 10 }},
			{"hotter coolant", func(c *condition) { c.coolant += 10 }},
			{"lower octane", func(c *condition) { c.fuel.ron--; c.fuel.mon-- }},
			{"less ethanol", func(c *condition) { c.fuel.ethanol -= 0.1 }},
			{"leaner", func(c *condition) { c.lambda += 0.02 }},
			{"earlier intake cam", func(c *condition) { c.cam += 10 }},
		} {
			d := c
			worse.do(&d)
			if e.knockLimit(&d) >= k {
				t.Fatalf("%s: %s raises the knock limit from %.2f to %.2f at %+v", e.id, worse.name, k,
					e.knockLimit(&d), c)
			}
		}
	})
}

// TestMagnitudes checks the truth against the orders of magnitude of common practice (no source): half to one degree
// of spark an octane number, one to four degrees for a tenth more charge, peak pressures and mean effective pressures
// of a boosted road engine.
func TestMagnitudes(t *testing.T) {
	for _, e := range engines() {
		c := condition{rpm: 3500, load: 1.7, manifold: 192, charge: 320, coolant: 364, lambda: 0.88,
			fuel: gasoline{96, 86, 0.1}}
		k := e.knockLimit(&c)
		if k < 4 || k > 14 {
			t.Errorf("%s: knock limit %.1f°", e.id, k)
		}
		better := c
		better.fuel.ron++
		better.fuel.mon++
		if d := e.knockLimit(&better) - k; d < 0.4 || d > 1.1 {
			t.Errorf("%s: %.2f° an octane number", e.id, d)
		}
		more := c
		more.manifold *= 1.1
		more.load *= 1.1
		if d := k - e.knockLimit(&more); d < 1 || d > 4 {
			t.Errorf("%s: %.2f° for a tenth more charge", e.id, d)
		}
		phi := e.burnAngle(c.rpm, c.load, c.lambda) - k
		peak := e.peakPressure(&c, e.trapped(&c), phi)
		if peak < 5500 || peak > 11000 {
			t.Errorf("%s: peak pressure %.0f kPa", e.id, peak)
		}
		if b := e.meanEffectivePressure(&c, phi, peak); b < 1700 || b > 2400 {
			t.Errorf("%s: brake mean effective pressure %.0f kPa", e.id, b)
		}
	}
}

func TestStoichiometricRatio(t *testing.T) {
	for ethanol, want := range map[float64]float64{0: 14.6, 1: 9.0} { // Heywood, eq. 3.6 and app. D
		if got := (gasoline{ethanol: ethanol}).stoichiometricRatio(); math.Abs(got-want) > 1e-9 {
			t.Errorf("ethanol %g: %g, want %g", ethanol, got, want)
		}
	}
}

// TestKnockRateMatchesTheLimit: held at the limit for the reference number of cycles, an engine is heard knocking with
// probability 1 − 1/e (the definition of the limit), and e-fold less often a rate scale below it.
func TestKnockRateMatchesTheLimit(t *testing.T) {
	e := engines()[0]
	for _, below := range []float64{0, 1} {
		heard, n := 0, 4000
		rng := stream(1, 99)
		for range n {
			s := &session{car: &car{}, eng: e, rng: rng, rpm: 3000, sinceKnock: 9, spark: 10 - below*knockRateScale,
				sparkCmd: 10 - below*knockRateScale}
			for range int(math.Round(referenceCycles / (3000.0 / 120) / tick)) {
				s.sinceKnock += tick
				s.listen(10)
				if s.retard > 0 {
					heard++
					break
				}
			}
		}
		want := 1 - math.Exp(-math.Exp(-below))
		if got := float64(heard) / float64(n); math.Abs(got-want) > 0.03 {
			t.Errorf("%g scales below the limit: heard in %.3f of stays, want %.3f", below, got, want)
		}
	}
}

func TestTableIsBilinearAndHeldAtTheEnds(t *testing.T) {
	g := grid{x: []float64{0, 10}, y: []float64{0, 2}, z: [][]float64{{0, 10}, {20, 50}}}
	for _, c := range [][3]float64{{5, 1, 20}, {0, 2, 20}, {99, 99, 50}, {-3, 1, 10}, {10, -1, 10}} {
		if got := g.at(c[0], c[1]); got != c[2] {
			t.Errorf("at %g, %g: %g, want %g", c[0], c[1], got, c[2])
		}
	}
}

// Every limit of the invented engines is on a metric with a true value, so that each of their hazards can be graded.
func TestEveryLimitHasATruth(t *testing.T) {
	for _, e := range []*engine{kestrel(), marlin()} {
		for _, l := range e.limits {
			if m, known := metric.Of(l.metric); !known || !m.Limited() || truths[l.metric] == nil {
				t.Errorf("%s: a limit on %q, which has no true value", e.id, l.metric)
			}
		}
	}
}
