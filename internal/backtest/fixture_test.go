package backtest

import (
	"os"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/fleettest"
)

func TestMain(m *testing.M) { os.Exit(fleettest.Main(m, nil)) }

func openJob(t testing.TB, dir string) *assess.Job {
	t.Helper()
	ws, st := fleettest.Open(t, dir)
	j, err := assess.Open(ws, st, "test")
	if err != nil {
		t.Fatal(err)
	}
	return j
}
