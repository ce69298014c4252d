package health

import (
	"os"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/fleettest"
	"headroom/internal/ingest"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// version is the tool's in these tests; a kept fit holds for one version.
const version = "test"

func TestMain(m *testing.M) {
	os.Exit(fleettest.Main(m, fit))
}

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
