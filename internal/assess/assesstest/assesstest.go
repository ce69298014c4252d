// Package assesstest gives tests outside internal/assess jobs on the invented fleets of internal/fleettest, with
// kept fits. It is imported by tests only; internal/assess has the same in its own tests, which cannot import it.
package assesstest

import (
	"testing"

	"headroom/internal/assess"
	"headroom/internal/fleettest"
	"headroom/internal/ingest"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// version is the tool's in these tests; a kept fit holds for one version.
const version = "test"

// Fit fits every platform of a workspace and keeps the fits in it: what fleettest.Main is given. The error is that of
// what cannot be read or fitted.
func Fit(dir string) error {
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

// Open opens a workspace's job; the test ends where it cannot be opened.
func Open(t testing.TB, dir string) *assess.Job {
	t.Helper()
	ws, st := fleettest.Open(t, dir)
	j, err := assess.Open(ws, st, version)
	if err != nil {
		t.Fatal(err)
	}
	return j
}
