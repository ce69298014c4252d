package report

import (
	"encoding/csv"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/backtest"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/report/show"
	"headroom/internal/result"
)

func init() {
	renderings = append(renderings, struct {
		name string
		to   func(w io.Writer, f Format, opt Options) error
	}{"backtest", func(w io.Writer, f Format, opt Options) error { return Backtest(w, fixtureBacktest(), f, opt) }})
}

// unscored is a hazard without a record.
func unscored(id hazard.ID, why result.Reason) backtest.Score {
	return backtest.Score{
		Hazard: id, Status: backtest.StatusNotScored, Reasons: result.Reasons{why}, BaseRate: none, Stated: none,
		Brier:     none,
		BrierBase: none, BrierNaive: none,
		SkillBase: none, SkillBase90: noSpan, SkillNaive: none, SkillNaive90: noSpan, LogScore: none,
		LogScoreBase: none, CalibrationError: none,
		Bands: backtest.Bands{CountsExpected: none, Margins90: noSpan},
	}
}

// fixtureBacktest has a hazard with both outcomes, one never crossed, one without a record, a surprise, thin evidence
// and long and hostile identifiers.
func fixtureBacktest() *backtest.Record {
	s := stamp
	s.Schema = "headroom/backtest/1"
	bin := func(from, to, mean, seen, low, high result.Number, predicted, pulls, crossed int) backtest.Bin {
		return backtest.Bin{Stated: result.Span{from, to}, Mean: mean, Observed: seen, Interval90: result.Span{low,
			high}, Predicted: predicted, Pulls: pulls, Crossed: crossed}
	}
	knock := backtest.Score{
		Hazard: hazard.Knock, Status: backtest.StatusScored,
		Reasons:   result.Reasons{backtest.SkillOrLuck{Revisions: 3}},
		Revisions: 3, Pulls: 24, Crossed: 5, ThinRevisions: 1,
		BaseRate: 0.08, Stated: 0.14, Brier: 0.1123, BrierBase: 0.1711, BrierNaive: 0.2202,
		SkillBase: 0.344, SkillBase90: result.Span{-0.21, 0.62}, SkillNaive: 0.49, SkillNaive90: result.Span{0.02, 0.8},
		LogScore: 0.3612, LogScoreBase: 0.5529, CalibrationError: 0.081,
		Reliability: []backtest.Bin{
			bin(0, 0.01, 0.0004, 0, 0, 0.283, 1, 8, 0), bin(0.05, 0.1, 0.07, 0.125, 0.006, 0.471, 1, 8, 1),
			bin(0.2, 0.4, 0.35, 0.5, 0.193, 0.807, 1, 8, 4),
		},
		Bands: backtest.Bands{Counts: 3, CountsHeld: 2, CountsExpected: 0.961, Margins90: noSpan},
	}
	lean := backtest.Score{
		Hazard: hazard.Lean, Status: backtest.StatusScored,
		Reasons: result.Reasons{backtest.NoneCrossed{}}, Revisions: 3,
		Pulls:    24,
		BaseRate: 0.02, Stated: 1e-5, Brier: 1e-9, BrierBase: 0.0004, BrierNaive: 0.01,
		SkillBase: none, SkillBase90: noSpan, SkillNaive: none, SkillNaive90: noSpan, LogScore: 0.001,
		LogScoreBase: 0.0202, CalibrationError: 1e-5,
		Reliability: []backtest.Bin{bin(0, 0.01, 1e-5, 0, 0, 0.117, 3, 24, 0)},
		Bands: backtest.Bands{Counts: 3, CountsHeld: 3, CountsExpected: 0.9999, Margins: 24, MarginsHeld: 21,
			Margins90: result.Span{0.709, 0.965}, MarginsBelow: 1},
	}
	all := knock
	all.Reasons = append(all.Reasons, backtest.HazardsMixed{})
	all.Hazard, all.Pulls, all.Bands = backtest.AllHazards, 48, backtest.Bands{Counts: 6, CountsHeld: 5,
		CountsExpected: 0.98, Margins: 24, MarginsHeld: 21, Margins90: result.Span{0.709, 0.965}, MarginsBelow: 1}
	prediction := func(revision, date string, id hazard.ID, status result.Status, p result.Number, band [2]int, pulls,
		crossed int,
		m ...backtest.Margin) backtest.Prediction {
		return backtest.Prediction{
			Revision: revision, Platform: "kestrel-20t", Vehicle: "car-017", Date: date, FitBefore: "2025-03-01",
			Hazard: id, Status: status, Cars: 2, KnownPulls: 9,
			ProbabilityPerPull: p, Interval90: result.Span{p / 2, p + (1-p)/4}, BaseRate: 0.08, Naive: 0.1,
			Pulls: pulls, Crossed: crossed, Band90: band,
			Inside: crossed >= band[0] && crossed <= band[1], Margins: m,
		}
	}
	margin := backtest.Margin{Metric: metric.Lambda, Unit: "lambda", Band90: result.Span{0.02, 0.061},
		Seen: result.Span{0.011, 0.055}, Pulls: 8, Held: 7, Below: 1}
	return &backtest.Record{
		Stamp: s, Revisions: 5, Predicted: 3, UndatedRows: 12, Overall: all,
		Hazards: []backtest.Score{knock, lean, unscored(hazard.CylinderPressure,
			backtest.NotMeasurable{Metrics: []metric.ID{metric.PeakPressure}})},
		Predictions: []backtest.Prediction{
			prediction("rev-0101-a", "2025-03-02", hazard.Knock, result.Thin, 0.0004, [2]int{0, 0}, 8, 0),
			prediction("rev-0101-a", "2025-03-02", hazard.Lean, result.Assessed, 1e-5, [2]int{0, 0}, 8, 0, margin),
			prediction(longID, "2025-05-20", hazard.Knock, result.Assessed, 0.07, [2]int{0, 2}, 8, 1),
			prediction(longID, "2025-05-20", hazard.Lean, result.Assessed, 1e-5, [2]int{0, 0}, 8, 0),
			prediction(hostileID, "2025-09-11", hazard.Knock, result.Assessed, 0.35, [2]int{0, 3}, 8, 4),
			prediction(hostileID, "2025-09-11", hazard.Lean, result.Assessed, 1e-5, [2]int{0, 0}, 8, 0),
		},
		Fits: []backtest.Fit{{Platform: "kestrel-20t", Before: "2025-03-01", Cars: 2, Pulls: 9, Used: 3}},
		NotScored: []backtest.Unscored{{Revision: "kestrel-20t-s1", Reasons: result.Reasons{
			backtest.NothingBefore{Platform: "kestrel-20t", Date: "2025-02-01"}}},
			{Revision: hostileID, Reasons: result.Reasons{backtest.NoFit{Before: "2025-03-01", Fault: "no fit"}}}},
		Notes: result.Reasons{backtest.UndatedRows{Rows: 12}, backtest.ShortRecord{Revisions: 3},
			backtest.MilderRevisions{}},
	}
}

func TestBacktestGolden(t *testing.T) {
	for _, c := range []struct {
		file string
		f    Format
		opt  Options
	}{
		{"backtest-80.txt", Table, Options{Width: 80}}, {"backtest.md", Markdown, Options{}},
		{"backtest.json", JSON, Options{}}, {"backtest.csv", CSV, Options{}},
	} {
		got := render(t, "backtest", c.f, c.opt)
		file := filepath.Join("testdata", c.file)
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatalf("%v; run the tests of this package with -update", err)
		}
		if d := cmp.Diff(string(want), got); d != "" {
			t.Errorf("differs from %s (-want +got):\n%s", file, d)
		}
	}
}

// The JSON has the keys of docs/schema, in its order.
func TestBacktestSchema(t *testing.T) {
	data, err := os.ReadFile(filepath.Join("..", "..", "docs", "schema", "backtest.schema.json"))
	if err != nil {
		t.Fatal(err)
	}
	schema := ordered(t, string(data)).(object)
	c := checker{t: t, defs: schema.get("$defs").(object), used: map[string]bool{}}
	c.check("backtest", schema, ordered(t, render(t, "backtest", JSON, Options{})))
	for _, def := range c.defs {
		if !c.used[def.key] {
			t.Errorf("no value in the fixture is checked against %q", def.key)
		}
	}
}

// Every human format tells what was predicted, what was seen, what surprised, and what has no record.
func TestBacktestTells(t *testing.T) {
	for _, f := range []Format{Table, Markdown, HTML} {
		out := strings.NewReplacer(show.NBSP, " ", "&#43;", "+", "&lt;", "<", "&gt;", ">", `\_`,
			"_").Replace(render(t, "backtest", f, Options{Width: 160}))
		out = strings.Join(strings.Fields(out), " ")
		for _, want := range []string{
			"5 inside their band", "0.34", "too few to tell skill from luck",
			"1 revision on evidence the verdict calls thin",
			"no log can measure it", "dated before its first own log on 2025-02-01", "4 of 8", "0 to 3",
			"1 of 6 had a number", "<0.0001", digest,
		} {
			if !strings.Contains(out, want) {
				t.Errorf("%s does not tell %q", f, want)
			}
		}
		if f != Table && !strings.Contains(out, "Smallest margin of lambda predicted in 0.020 to 0.061 λ, seen in "+
			"0.011") {
			t.Errorf("%s does not tell a margin outside its band", f)
		}
	}
}

// The flat formats keep every prediction, score, bin and gap.
func TestBacktestRows(t *testing.T) {
	rows, err := csv.NewReader(strings.NewReader(render(t, "backtest", CSV, Options{}))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]int{}
	for _, r := range rows[1:] {
		kinds[r[0]]++
	}
	if d := cmp.Diff(map[string]int{"prediction": 6, "score": 4, "bin": 7, "not_scored": 2}, kinds); d != "" {
		t.Error(d)
	}
}
