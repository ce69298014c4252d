package assess

import (
	"os"
	"testing"

	"headroom/internal/fleettest"
)

func TestMain(m *testing.M) { os.Exit(fleettest.Main(m)) }

func openJob(t testing.TB, dir string) *Job {
	t.Helper()
	ws, st := fleettest.Open(t, dir)
	j, err := Open(ws, st, "test")
	if err != nil {
		t.Fatal(err)
	}
	return j
}
