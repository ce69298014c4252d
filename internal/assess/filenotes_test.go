package assess

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"

	"headroom/internal/assess/fleet"
)

// platformFile replaces parts of a platform file of a copied workspace.
func platformFile(t *testing.T, dir, id string, change ...string) {
	t.Helper()
	path := filepath.Join(dir, "platforms", id+".yaml")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	for i := 0; i < len(change); i += 2 {
		if !strings.Contains(text, change[i]) {
			t.Fatalf("%s has no %q", path, change[i])
		}
		text = strings.Replace(text, change[i], change[i+1], 1)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// proposalOf is the demo's proposed revision of a kind.
func proposalOf(t *testing.T, dir string, kind demo.Kind) string {
	t.Helper()
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(truth.Proposed, func(p demo.ProposalTruth) bool { return p.Kind == kind })
	if i < 0 {
		t.Fatalf("no proposal of kind %s", kind)
	}
	return truth.Proposed[i].Revision
}

// reviewWith reviews a revision with parts of the platform file replaced.
func reviewWith(t *testing.T, from, platform, revision string, change ...string) *Review {
	t.Helper()
	dir := fleettest.Copy(t, from)
	platformFile(t, dir, platform, change...)
	r, err := openJob(t, dir).Review(revision)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func worstMargin(r *Review, id metric.ID) (margin, width float64) {
	for _, c := range r.Curves {
		if c.Metric != id {
			continue
		}
		low := slices.MinFunc(c.Points, func(a, b CurvePoint) int {
			if a.Margin < b.Margin {
				return -1
			}
			return 1
		})
		return low.Margin, low.High - low.Low
	}
	return 0, 0
}

func notes[R result.Reason](r *Review) (out []R) {
	for _, n := range r.Notes {
		if n, ok := n.(R); ok {
			out = append(out, n)
		}
	}
	return out
}

const (
	kestrelLag  = "ignition_lag_deg: 9\n  duration_deg: 45"
	quickerBurn = "ignition_lag_deg: 5\n  duration_deg: 35" // four and ten degrees quicker: 4 and 40 for 8 and 50
)

// Ignition lag and burn duration are known to no shop: four and ten degrees quicker in the platform file took a
// revision's cylinder pressure from no chance at all to a fair one with an interval from 0 to 1. Now they do so only
// where the file states that they were measured; else what is usual for such an engine and logged torque hold them.
func TestGuessedBurnDoesNotDecide(t *testing.T) {
	dir := fleettest.Kestrels(t)
	revision := proposalOf(t, dir, "mid_range_spark")
	pressure := func(r *Review) *Hazard { return r.HazardOf(hazard.CylinderPressure) }
	as := func(burn string) *Review {
		return reviewWith(t, dir, fleettest.Kestrel, revision, kestrelLag, burn)
	}
	plain, quick := reviewed(t, dir, revision), as(quickerBurn)
	measured, quickMeasured := as(kestrelLag+"\n  known: measured"), as(quickerBurn+"\n  known: measured")
	for _, r := range []*Review{plain, quick} {
		if h := pressure(r); !(h.ProbabilityPerPull < 0.05) || !(h.Interval90[1] < 0.05) {
			t.Errorf("cylinder pressure by guess: %v %v", h.ProbabilityPerPull, h.Interval90)
		}
		if n := notes[BurnTaken](r); len(n) != 1 || !n[0].Given || n[0].Known != "" || !(n[0].LagSD > 2) {
			t.Errorf("not said where the burn angles come from: %v", n)
		}
	}
	if h := pressure(quickMeasured); !(h.ProbabilityPerPull > 0.1) || !(h.Interval90[1] > 0.5) {
		t.Errorf("cylinder pressure as measured: %v %v", h.ProbabilityPerPull, h.Interval90)
	}
	if n := notes[BurnTaken](quickMeasured); len(n) > 0 {
		t.Errorf("a measured burn is told as taken: %v", n)
	}
	marginOf := func(r *Review) (margin, width float64) { return worstMargin(r, metric.PeakPressure) }
	was, narrow := marginOf(measured)
	is, _ := marginOf(quickMeasured)
	guess, wide := marginOf(plain)
	quickGuess, _ := marginOf(quick)
	if moved, held := was-is, guess-quickGuess; !(moved > 2500 && held < moved/4) {
		t.Errorf("peak pressure moved by %.0f kPa where measured and %.0f where guessed", moved, held)
	}
	gain := func(r *Review) (width float64) {
		for _, g := range r.Gains {
			width += float64(g.Change90[1] - g.Change90[0])
		}
		return width
	}
	if g, m := gain(plain), gain(measured); !(g > m && m > 0) {
		t.Errorf("gain is %.2f %% wide as a guess and %.2f as measured", g, m)
	}
	if !(wide > 1.5*narrow) {
		t.Errorf("peak pressure is %.0f kPa wide as a guess and %.0f as measured", wide, narrow)
	}
}

// A platform file without a burn section loses no hazard: a usual engine's angles stand in, that is said, and what has
// no measurement of its own is as wide as it gets.
func TestMissingBurnWidens(t *testing.T) {
	from := fleettest.Marlins(t)
	revision := proposalOf(t, from, "mild")
	full := reviewed(t, from, revision)
	dir := fleettest.Copy(t, from)
	fleettest.Cut(t, dir, "platforms/"+fleettest.Marlin+".yaml", "burn:", "air_path:")
	r, err := openJob(t, dir).Review(revision)
	if err != nil {
		t.Fatal(err)
	}
	for i, h := range full.Hazards {
		if r.Hazards[i].Status != h.Status {
			t.Errorf("%s: %s with a burn section, %s without", h.Hazard, h.Status, r.Hazards[i].Status)
		}
	}
	if n := notes[BurnTaken](r); len(n) != 1 || n[0].Given {
		t.Errorf("not said that the burn section is missing: %v", n)
	}
	if len(r.Gains) == 0 {
		t.Error("no gain")
	}
	_, narrow := worstMargin(full, metric.PeakPressure)
	if _, wide := worstMargin(r, metric.PeakPressure); !(wide > narrow) {
		t.Errorf("peak pressure is %.0f kPa wide without a burn section, %.0f with a guessed one", wide, narrow)
	}
}

// A guessed section widens what rests on it, and the review names it.
func TestGuessedSectionsWiden(t *testing.T) {
	from := fleettest.Marlins(t)
	revision := proposalOf(t, from, "mild")
	full := reviewed(t, from, revision)
	r := reviewWith(t, from, fleettest.Marlin, revision, "\nfuel_system:\n", "\nfuel_system:\n  known: guess\n",
		"\nengine:\n", "\nengine:\n  known: guess\n")
	var told []string
	for _, n := range notes[Guessed](r) {
		told = append(told, n.Section)
	}
	if !slices.Equal(told, []string{"engine", "fuel_system"}) {
		t.Errorf("guesses told: %v", told)
	}
	for _, id := range []metric.ID{metric.PumpUse, metric.PeakPressure} {
		at, narrow := worstMargin(full, id)
		is, wide := worstMargin(r, id)
		if !(wide > 1.02*narrow) || at <= 0 || is <= 0 {
			t.Errorf("%s: margin %g, %g wide; as a guess %g, %g wide", id, at, narrow, is, wide)
		}
	}
}

// A number of the platform file that cannot be right keeps a release away and is named with what it says; once the shop
// states that it was measured, what no log tells no longer does. What logs contradict does whatever the file states.
func TestFileDoubtIsACondition(t *testing.T) {
	from := fleettest.Marlins(t)
	revision := proposalOf(t, from, "mild")
	const was = "compression_ratio: 8.8"
	alone := *reviewed(t, from, revision) // with nothing else against it
	alone.Findings, alone.Conditions, alone.unshown, alone.Footprint.Gaps = nil, nil, nil, nil
	judge(&alone, nil, openJob(t, from).ws.Config.Decision)
	if alone.Verdict != VerdictRelease {
		t.Fatalf("%s: %v", alone.Verdict, alone.Reasons)
	}
	alone.unshown = result.Reasons{FileDoubt{}}
	if judge(&alone, nil, openJob(t, from).ws.Config.Decision); alone.Verdict != VerdictConditions {
		t.Errorf("a doubtful platform file alone: %s, %v", alone.Verdict, alone.Reasons)
	}
	for _, c := range []struct {
		change []string
		key    metric.Key // doubted
		status fleet.FileStatus
	}{
		{[]string{was, "compression_ratio: 12.5"}, "engine.compression_ratio", fleet.Unusual},
		{[]string{"octane_index_k: -0.15", "octane_index_k: 0.85"}, "octane_index_k", fleet.Unusual},
		{[]string{"injector_flow_cc_min: 780", "injector_flow_cc_min: 975\n  known: measured"},
			"fuel_system.injector_flow_cc_min", fleet.Contradicts},
		{[]string{"value: [44, 38, 31]", "value: [440, 380, 310]"}, metric.PumpCapacity, fleet.Unusual},
	} {
		r := reviewWith(t, from, fleettest.Marlin, revision, c.change...)
		var doubts []fleet.FileCheck
		for _, reason := range r.unshown {
			if d, ok := reason.(FileDoubt); ok {
				doubts = append(doubts, d.Check)
			}
		}
		if r.Verdict == VerdictRelease || len(doubts) != 1 || doubts[0].Key != c.key || doubts[0].Status != c.status {
			t.Errorf("%v: %s, doubts %+v", c.change, r.Verdict, doubts)
		}
	}
	known := reviewWith(t, from, fleettest.Marlin, revision, was, "compression_ratio: 12.5\n  known: measured")
	if slices.ContainsFunc(known.unshown, func(r result.Reason) bool { _, doubt := r.(FileDoubt); return doubt }) {
		t.Errorf("a measured compression ratio is doubted: %v", known.unshown)
	}
}
