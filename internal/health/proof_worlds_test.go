package health

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/fleettest"
	"headroom/internal/worlds"
)

const worldsIntro = `# Proof: calls of drift in worlds drawn at random

Written by "HEADROOM_PROOF=1 go test -run ProofWorldsDrift ./internal/health". Fleets of internal/worlds, in which few
cars drift: deposits, pump wear, an ageing lambda sensor, a boost leak. A chart is called rightly when its car drifts in
whatever way. *Promised* is the review's own bound on false calls.

`

// The calls of drift in worlds that nobody chose: docs/proof-worlds-drift.md is its output.
func TestProofWorldsDrift(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("set HEADROOM_PROOF=1")
	}
	set, err := worlds.AskedSet()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString(worldsIntro + set.Used() + "\n")
	b.WriteString("| world | cars | drifting | charts | called | of cars that drift | false | promised, at most " +
		"|\n|---|---|---|---|---|---|---|---|\n")
	for _, seed := range set.Seeds {
		driftRow(t, &b, set.Fleet(seed))
	}
	if err := os.WriteFile(filepath.Join("..", "..", "docs", "proof-worlds-drift.md"), []byte(b.String()),
		0o644); err != nil {
		t.Fatal(err)
	}
}

// driftRow draws a fleet, reviews its health and writes a row.
func driftRow(t *testing.T, b *strings.Builder, o worlds.Options) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "ws")
	truth, err := worlds.Build(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	if err := fleettest.Ingest(dir); err != nil {
		t.Fatal(err)
	}
	ws, st := fleettest.Open(t, dir)
	job, err := assess.Open(ws, st, "proof")
	if err != nil {
		t.Fatal(err)
	}
	f, err := Review(job)
	if err != nil {
		t.Fatal(err)
	}
	drifts := map[string]bool{}
	for _, c := range truth.Fleet {
		if c.Drift != "" {
			drifts[c.Vehicle] = true
		}
	}
	right, wrong := 0, 0
	for _, c := range f.Cars {
		switch {
		case !c.Signal:
		case drifts[c.Vehicle]:
			right++
		default:
			wrong++
		}
	}
	fmt.Fprintf(b, "| %d | %d | %d | %d | %d | %d | %d | %.1f |\n", o.Seed, truth.Cars, len(drifts), f.Drift.Charts,
		f.Drift.Called, right, wrong, float64(f.Drift.ExpectedFalse))
}
