package assess

import (
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
)

// children writes copies of a driven revision of a fleet, each a child of it with one change made to its revision.yaml.
func children(t *testing.T, dir, of string, changes map[string]func(yaml string) string) {
	t.Helper()
	from := filepath.Join(dir, "revisions", of)
	for id, change := range changes {
		to := filepath.Join(dir, "revisions", id)
		if err := os.CopyFS(to, os.DirFS(from)); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(to, "revision.yaml")
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		yaml := string(b)
		for key, value := range map[string]string{"id": id, "parent": of, "status": "proposed", "date": "2026-11-01"} {
			yaml = regexp.MustCompile(`(?m)^`+key+`: .*$`).ReplaceAllString(yaml, key+": "+value)
		}
		if err := os.WriteFile(file, []byte(change(yaml)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// A revision with the tables of its driven parent, on another fuel or other hardware: nothing in the tables
// differs, and still it is not what the logs ran. Each difference is named and keeps a release away; a part that a
// serious hazard's prediction rests on leaves it undecided. The same tables, fuel and parts add nothing.
func TestWhatNoPullRanWith(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Marlins(t))
	parent := mildProposal(t, dir).Revision
	parent = openJob(t, dir).ws.Revisions[parent].Parent
	line := func(key, value string) func(string) string {
		return func(yaml string) string {
			out := regexp.MustCompile(`(?m)^`+key+`: .*$`).ReplaceAllString(yaml, key+": "+value)
			if out == yaml {
				t.Fatalf("no line %s", key)
			}
			return out
		}
	}
	part := func(item string) func(string) string {
		return func(yaml string) string {
			return strings.Replace(yaml, "hardware: {", "hardware: {"+item+": other, ", 1)
		}
	}
	children(t, dir, parent, map[string]func(string) string{
		"same":      func(yaml string) string { return yaml },
		"ethanol":   line("fuel", "blend-e50"),
		"turbo":     part("turbo"),
		"injectors": part("injectors"),
		"intake":    part("intake"),
	})
	config := filepath.Join(dir, "headroom.yaml")
	b, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	blend := "fuels:\n  blend-e50: {class: e50, ron: 101, mon: 89, ethanol_share: 0.5, source: test}\n"
	if err := os.WriteFile(config, []byte(strings.Replace(string(b), "fuels:\n", blend, 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	j := openJob(t, dir)
	review := func(id string) *Review {
		r, err := j.Review(id)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	same := review("same")
	if len(same.unshown) > 0 {
		t.Errorf("the parent's own fuel and parts are not shown: %v", same.unshown)
	}
	for id, want := range map[string]struct {
		reason result.Reason
		open   bool // undecided at least
	}{
		"ethanol": {FuelNotShown{From: []string{same.Fuel}, To: "blend-e50"}, false},
		"turbo": {PartNotShown{Item: "turbo", From: []string{"stock"}, To: "other", Hazards: rests("turbo")},
			true},
		"injectors": {PartNotShown{Item: "injectors", From: []string{"stock"}, To: "other",
			Hazards: rests("injectors")}, true},
		"intake": {PartNotShown{Item: "intake", From: []string{"stock"}, To: "other", Hazards: []hazard.ID{}}, false},
	} {
		r := review(id)
		told := append(slices.Clone(r.unshown), r.Reasons...)
		if r.Verdict == VerdictRelease || want.open && r.Verdict == VerdictConditions ||
			!slices.ContainsFunc(told, func(got result.Reason) bool { return sameReason(got, want.reason) }) {
			t.Errorf("%s: %s, %v", id, r.Verdict, r.unshown)
		}
	}
	moreFuel(t, same, review("ethanol"))
	untold(t, same, review("ethanol"))
}

// untold checks that a blend whose control unit does not hear of it is tried as the lean mixture that it is: E50 for
// E10 asks 14.1/11.9 (stoichiometric ratios: Heywood 1988, table D.4, by mass fraction) × √(0.745/0.767) times as
// much fuel.
func untold(t *testing.T, pump, blend *Review) {
	t.Helper()
	of := func(r *Review) (Condition, bool) {
		i := slices.IndexFunc(r.Conditions, func(c Condition) bool {
			return c.Stress.Kind == state.UntoldBlend && c.Hazard == hazard.Lean
		})
		if i < 0 {
			return Condition{}, false
		}
		return r.Conditions[i], true
	}
	if c, tried := of(pump); tried {
		t.Errorf("on its own fuel: %+v", c)
	}
	c, tried := of(blend)
	if !tried || math.Abs(float64(c.Stress.Size)-17) > 1.5 || c.ProbabilityPerPull < 0.9 {
		t.Errorf("E50 untold: %+v", c)
	}
}

func sameReason(a, b result.Reason) bool {
	x, _ := result.Reasons{a}.MarshalJSON()
	y, _ := result.Reasons{b}.MarshalJSON()
	return string(x) == string(y)
}

// moreFuel holds a change of fuel alone to its physics: a kilogram of air takes more of a blend than of pump fuel (the
// stoichiometric ratio of ethanol is 9.0, of gasoline 14.6: Heywood, Internal Combustion Engine Fundamentals, 1988,
// table D.4), so fuel delivery comes closer to its limits in every cell, and the parent still runs on its own fuel.
func moreFuel(t *testing.T, pump, blend *Review) {
	t.Helper()
	for _, id := range []metric.ID{metric.InjectorDuty, metric.PumpUse} {
		curve := func(r *Review) *Curve {
			i := slices.IndexFunc(r.Curves, func(c Curve) bool { return c.Metric == id })
			if i < 0 {
				return nil
			}
			return &r.Curves[i]
		}
		a, b := curve(pump), curve(blend)
		if a == nil || b == nil {
			continue
		}
		for i := range a.Points {
			if math.Abs(a.Points[i].Parent-b.Points[i].Parent) > 1e-9 {
				t.Errorf("%s at %g rpm: the parent's margin is %g beside itself and %g beside the blend", id,
					a.Points[i].RPM, a.Points[i].Parent, b.Points[i].Parent)
			}
			if !(b.Points[i].Margin < a.Points[i].Margin) {
				t.Errorf("%s at %g rpm: margin %g on the blend, %g on pump fuel", id, float64(a.Points[i].RPM),
					float64(b.Points[i].Margin), float64(a.Points[i].Margin))
			}
		}
	}
	// Draws of the parameters are turned towards what tells in both calibrations (models/risk), so a chance has the
	// error of its draws; the margins above have none.
	was := func(r *Review, id hazard.ID) result.Number {
		return r.HazardOf(id).Parent
	}
	for _, h := range hazard.All() {
		if a, b := was(pump, h.ID), was(blend, h.ID); a.Known() && b.Known() && math.Abs(float64(a-b)) > 1e-3 {
			t.Errorf("%s: the parent crosses in %v on its own fuel and in %v beside the blend", h.ID, a, b)
		}
	}
}
