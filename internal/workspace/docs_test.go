package workspace

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"headroom/internal/hazard"
	"headroom/internal/metric"
)

// The examples of docs/workspace.md together are a valid workspace.
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
}

var update = flag.Bool("update", false, "write the catalogue into docs/workspace.md anew")

// The tables of hazards and metrics in docs/workspace.md are the catalogue's. Rewritten with -update.
func TestDocumentedCatalogue(t *testing.T) {
	const path, start, end = "../../docs/workspace.md", "<!-- catalogue -->\n", "<!-- end -->\n"
	doc, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(doc), start)
	told, after, closed := strings.Cut(rest, end)
	if !ok || !closed {
		t.Fatalf("%s has no place for the catalogue", path)
	}
	want := documentedCatalogue()
	if told == want {
		return
	}
	if !*update {
		t.Fatalf("%s does not tell what the catalogue holds; rewrite it with -update", path)
	}
	if err := os.WriteFile(path, []byte(before+start+want+end+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

func documentedCatalogue() string {
	var b strings.Builder
	b.WriteString("| hazard | default severity | limits are written on |\n|---|---|---|\n")
	for _, h := range hazard.All() {
		names := make([]string, len(h.Metrics))
		for i, id := range h.Metrics {
			names[i] = "`" + string(id) + "`"
			if m, _ := metric.Of(id); !m.Limited() {
				names[i] = "nothing here: `knock_control.tolerated_retard_deg`"
			}
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s |\n", h.ID, h.Severity, strings.Join(names, ", "))
	}
	b.WriteString("\n| metric | what it is | kept in | a limit lies between |\n|---|---|---|---|\n")
	for _, m := range metric.All() {
		if m.Limited() {
			fmt.Fprintf(&b, "| `%s` | %s | %s | %g and %g |\n", m.ID, m.Meaning, m.Unit, m.Limit.Low, m.Limit.High)
		}
	}
	return b.String()
}
