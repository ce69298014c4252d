package health

import (
	"os"
	"testing"

	"headroom/internal/assess/assesstest"
	"headroom/internal/fleettest"
)

func TestMain(m *testing.M) { os.Exit(fleettest.Main(m, assesstest.Fit)) }
