package assess

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"headroom/internal/demo"
	"headroom/internal/fleettest"
)

// audited is how many revisions are audited, where the fleet has so many.
const audited = 500

// BenchmarkThousandCars is a review in a workspace of 1000 cars after its envelopes are fitted, and an audit of 500
// revisions. Building the workspace takes minutes, so it runs only with HEADROOM_BENCH=1; HEADROOM_BENCH=100,200,400
// takes fleets of so many cars instead, to see how the times grow. -benchtime 1x is enough. HEADROOM_BENCH_DIR keeps
// the workspaces, by number of cars, for the next time. Times of all processors stand beside those of the clock.
func BenchmarkThousandCars(b *testing.B) {
	asked := os.Getenv("HEADROOM_BENCH")
	if asked == "" {
		b.Skip("set HEADROOM_BENCH=1; it builds and ingests a fleet of 1000 cars")
	}
	if asked == "1" {
		asked = "1000"
	}
	for number := range strings.SplitSeq(asked, ",") {
		cars, err := strconv.Atoi(number)
		if err != nil {
			b.Fatalf("HEADROOM_BENCH=%q: give 1, or numbers of cars", asked)
		}
		b.Run(fmt.Sprintf("%d cars", cars), func(b *testing.B) { benchmarkCars(b, cars) })
	}
}

func benchmarkCars(b *testing.B, cars int) {
	keep := os.Getenv("HEADROOM_BENCH_DIR")
	if keep == "" {
		keep = b.TempDir()
	}
	dir := filepath.Join(keep, fmt.Sprintf("ws-%d", cars))
	if _, err := os.Stat(dir); err != nil {
		if _, err := demo.Build(dir, demo.Options{Cars: cars, Seed: 3, TruthPulls: 100}); err != nil {
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
		began := processorTime(b)
		for b.Loop() {
			fresh := openJob(b, dir) // as a new process: the kept fit and the evidence are read again
			if _, err := fresh.Review(truth.Proposed[0].Revision); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric((processorTime(b)-began)/float64(b.N), "cpu-s/review")
	})
	b.Run("audit", func(b *testing.B) {
		ids := slices.Sorted(maps.Keys(j.ws.Revisions))
		ids = ids[:min(audited, len(ids))]
		began := processorTime(b)
		for b.Loop() {
			a, err := j.auditOf(ids, "", 2, func(int, int) {})
			if err != nil {
				b.Fatal(err)
			}
			if len(a.Failed) > 0 {
				b.Fatalf("%d revisions failed: %s", len(a.Failed), a.Failed[0].Error)
			}
		}
		b.ReportMetric(float64(len(ids)), "revisions")
		b.ReportMetric(b.Elapsed().Seconds()/float64(b.N*len(ids)), "s/revision")
		b.ReportMetric((processorTime(b)-began)/float64(b.N*len(ids)), "cpu-s/revision")
	})
}

// processorTime is what the process has taken of all processors, s: on a machine that does other things as well it
// tells more than the clock.
func processorTime(b *testing.B) float64 {
	b.Helper()
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano()).Seconds()
}
