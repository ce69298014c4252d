// Package withheld holds tests alone: what reviews say when evidence is taken away from them (channels, pulls, cars,
// samples). None of it may turn a revision towards a release. They stand apart from internal/assess because each of the
// two packages has Go's ten minutes.
package withheld

import (
	"errors"
	"os"
	"runtime"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/fleettest"
	"headroom/internal/ingest"
	"headroom/internal/parallel"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

const (
	version = "test" // the tool's in these tests; a kept fit holds for one version

	gradedSeed = 7        // draws the demo's proposals
	worldSeed  = 20261127 // draws those of drawn worlds
)

func TestMain(m *testing.M) { os.Exit(fleettest.Main(m, fit)) }

// fit fits every platform of a workspace and keeps the fits in it.
func fit(dir string) error {
	ws, err := workspace.Open(dir)
	if err != nil {
		return err
	}
	st, err := store.Open(ingest.StoreDir(dir))
	if err != nil {
		return err
	}
	j, err := assess.Open(ws, st, version)
	if err != nil {
		return err
	}
	_, err = j.Envelopes()
	return err
}

func openJob(t testing.TB, dir string) *assess.Job {
	t.Helper()
	ws, st := fleettest.Open(t, dir)
	j, err := assess.Open(ws, st, version)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func reviewed(t *testing.T, dir, id string) *assess.Review {
	t.Helper()
	return reviewedAll(t, openJob(t, dir), []string{id})[0]
}

// reviewedAll are reviews of some revisions, in their order, made on all processors.
func reviewedAll(t *testing.T, j *assess.Job, ids []string) []*assess.Review {
	t.Helper()
	reviews, failed := make([]*assess.Review, len(ids)), make([]error, len(ids))
	parallel.Each(len(ids), runtime.GOMAXPROCS(0), func(int, int) {}, func(i int) {
		reviews[i], failed[i] = j.Verdict(ids[i])
	})
	if err := errors.Join(failed...); err != nil {
		t.Fatal(err)
	}
	return reviews
}
