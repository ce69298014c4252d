package assess

import (
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/fleettest"
)

// BenchmarkThousandCars is a review in a workspace of 1000 cars after its envelopes are fitted, and an audit of 500
// revisions. Building the workspace takes minutes, so it runs only with HEADROOM_BENCH=1; -benchtime 1x is enough.
func BenchmarkThousandCars(b *testing.B) {
	if os.Getenv("HEADROOM_BENCH") == "" {
		b.Skip("set HEADROOM_BENCH=1; it builds and ingests a fleet of 1000 cars")
	}
	dir := os.Getenv("HEADROOM_BENCH_DIR")
	if dir == "" {
		dir = filepath.Join(b.TempDir(), "ws")
	}
	if _, err := os.Stat(dir); err != nil {
		if _, err := demo.Build(dir, demo.Options{Cars: 1000, Seed: 3, TruthPulls: 100}); err != nil {
			b.Fatal(err)
		}
		if err := fleettest.Ingest(dir); err != nil {
			b.Fatal(err)
		}
	}
	j := openJob(b, dir)
	if _, err := j.Envelopes(); err != nil {
		b.Fatal(err)
	}
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("review", func(b *testing.B) {
		for b.Loop() {
			fresh := openJob(b, dir) // as a new process: the kept fit and the evidence are read again
			if _, err := fresh.Review(truth.Proposed[0].Revision); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("audit of 500", func(b *testing.B) {
		ids := slices.Sorted(maps.Keys(j.ws.Revisions))
		if len(ids) < 500 {
			b.Fatalf("the fleet has %d revisions", len(ids))
		}
		for b.Loop() {
			a, err := j.auditOf(ids[:500], "", 2, func(int, int) {})
			if err != nil {
				b.Fatal(err)
			}
			if len(a.Failed) > 0 {
				b.Fatalf("%d revisions failed: %s", len(a.Failed), a.Failed[0].Error)
			}
		}
	})
}
