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
	"headroom/internal/assess/assesstest"
	"headroom/internal/fleettest"
	"headroom/internal/parallel"
)

const (
	gradedSeed = 7        // draws the demo's proposals
	worldSeed  = 20261127 // draws those of drawn worlds
)

func TestMain(m *testing.M) { os.Exit(fleettest.Main(m, assesstest.Fit)) }

func reviewed(t *testing.T, dir, id string) *assess.Review {
	t.Helper()
	return reviewedAll(t, assesstest.Open(t, dir), []string{id})[0]
}

// reviewedAll are reviews of some revisions, in their order, made on all processors.
func reviewedAll(t *testing.T, j *assess.Job, ids []string) []*assess.Review {
	t.Helper()
	reviews, failed := make([]*assess.Review, len(ids)), make([]error, len(ids))
	parallel.Each(len(ids), runtime.GOMAXPROCS(0), func(int, int) {}, func(i int) {
		reviews[i], failed[i] = j.ReviewWithoutUses(ids[i])
	})
	if err := errors.Join(failed...); err != nil {
		t.Fatal(err)
	}
	return reviews
}
