package backtest

import (
	"os"
	"testing"

	"headroom/internal/fleettest"
)

func TestMain(m *testing.M) { os.Exit(fleettest.Main(m, nil)) }
