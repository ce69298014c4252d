package workspace

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"headroom/internal/hazard"
	"headroom/internal/metric"
)

// The examples of docs/workspace.md together are a valid workspace, and its hazard table is this package's.
func TestDocumentedExamples(t *testing.T) {
	doc, err := os.ReadFile("../../docs/workspace.md")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	blocks := regexp.MustCompile("(?ms)^```\\w+ file=(\\S+)\n(.*?)^```$").FindAllStringSubmatch(string(doc), -1)
	if len(blocks) < 10 {
		t.Fatalf("only %d examples found", len(blocks))
	}
	for _, b := range blocks {
		write(t, dir, b[1], b[2])
	}
	write(t, dir, "runs/from-customer/pull3.csv", "x")
	write(t, dir, "runs/car-017/rev-0142-b/2026-01-20-hill.csv", "x")
	w, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Problems) > 0 {
		t.Errorf("problems: %v", w.Problems)
	}
	if len(w.Platforms) != 1 || len(w.Vehicles) != 2 || len(w.Revisions) != 2 || len(w.Runs) != 2 ||
		len(w.Outcomes) != 2 {
		t.Errorf("read %d platforms, %d vehicles, %d revisions, %d runs, %d outcomes", len(w.Platforms),
			len(w.Vehicles), len(w.Revisions), len(w.Runs), len(w.Outcomes))
	}
	d := Defaults()
	d.Fuels = w.Config.Fuels
	if got := w.Config; got.Decision.ThinPulls != d.Decision.ThinPulls || got.Cells != d.Cells ||
		got.Pulls != d.Pulls || got.Display != d.Display || got.Seed != d.Seed {
		t.Errorf("the documented defaults are not the defaults: %+v", got)
	}
	lines := strings.Split(string(doc), "\n")
	for _, h := range hazard.All() {
		row := "| `" + string(h.ID) + "` | " + string(h.Severity) + " |"
		i := slices.IndexFunc(lines, func(l string) bool { return strings.HasPrefix(l, row) })
		if i < 0 {
			t.Errorf("hazard %s (%s) is not documented so", h.ID, h.Severity)
			continue
		}
		for _, id := range h.Metrics {
			m, _ := metric.Of(id)
			if m.Limited() && (!strings.Contains(lines[i], "`"+string(id)+"`") ||
				!strings.HasSuffix(lines[i], m.Unit+" |")) {
				t.Errorf("metric %s in %s is not documented in %q", id, m.Unit, lines[i])
			}
		}
	}
}
