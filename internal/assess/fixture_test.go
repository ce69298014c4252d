package assess

import (
	"errors"
	"os"
	"runtime"
	"slices"
	"testing"

	"headroom/internal/fleettest"
	"headroom/internal/ingest"
	"headroom/internal/parallel"
	"headroom/internal/result"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// version is the tool's in these tests; a kept fit holds for one version.
const version = "test"

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
	j, err := Open(ws, st, version)
	if err != nil {
		return err
	}
	_, err = j.Envelopes()
	return err
}

// kept are the reviews of fleets that no test spoils, by folder and revision.
var kept = map[[2]string]*Review{}

// reviewed is the review of a revision of a fleet that no test spoils; it is made once, so it must not be changed.
func reviewed(t *testing.T, dir, id string) *Review {
	t.Helper()
	key := [2]string{dir, id}
	if kept[key] == nil {
		r, err := openJob(t, dir).Review(id)
		if err != nil {
			t.Fatal(err)
		}
		kept[key] = r
	}
	return kept[key]
}

// reviewedAll are reviews of some revisions, in their order, without the chances over uses: made on all processors.
func reviewedAll(t *testing.T, j *Job, ids []string) []*Review {
	t.Helper()
	reviews, failed := make([]*Review, len(ids)), make([]error, len(ids))
	parallel.Each(len(ids), runtime.GOMAXPROCS(0), func(int, int) {}, func(i int) {
		reviews[i], failed[i] = j.ReviewWithoutUses(ids[i])
	})
	if err := errors.Join(failed...); err != nil {
		t.Fatal(err)
	}
	return reviews
}

func openJob(t testing.TB, dir string) *Job {
	t.Helper()
	ws, st := fleettest.Open(t, dir)
	j, err := Open(ws, st, version)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// has reports whether a kind of reason is among some.
func has[R result.Reason](reasons result.Reasons) bool {
	return slices.ContainsFunc(reasons, func(r result.Reason) bool { _, ok := r.(R); return ok })
}
