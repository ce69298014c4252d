package fleet

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"headroom/internal/evidence"
	"headroom/internal/fleettest"
)

// stillLogs are a car's cells of three logs of two pulls each, with boost, at the charge temperatures that at gives.
func stillLogs(at func(run, cell int) float64) []evidence.Row {
	var rows []evidence.Row
	for run := range 3 {
		for cell := range 8 {
			r := fleettest.BlankRow()
			r.Vehicle, r.Kind = "car", evidence.KindPull
			r.Run, r.Date = fmt.Sprint("run-", run), fmt.Sprintf("2026-03-0%d", run+1)
			r.Segment = int32(cell / 4)
			r.ManifoldPressure = 120 + 10*float64(cell)
			r.ChargeTemperature = at(run, cell)
			r.ChargeTemperatureMax = r.ChargeTemperature
			rows = append(rows, r)
		}
	}
	return rows
}

// A sensor that stands at one value through logs with boost is dead in them, from the log on in which it died; one that
// follows boost by a degree is not, nor one that rested in a single log, nor one in logs without boost. What a dead
// sensor showed is left out of the rows, and nothing else is.
func TestDeadChargeSensor(t *testing.T) {
	rises := func(run, cell int) float64 { return float64(25 + run + cell/3) }
	for _, c := range []struct {
		name string
		at   func(run, cell int) float64
		dead []string
	}{
		{"alive", rises, nil},
		{"dead", func(int, int) float64 { return 25 }, []string{"run-0", "run-1", "run-2"}},
		{"read in °F", func(run, cell int) float64 { return 25 + 0.04*float64(cell%2) },
			[]string{"run-0", "run-1", "run-2"}},
		{"died after a log", func(run, cell int) float64 {
			if run == 0 {
				return rises(run, cell)
			}
			return 25
		}, []string{"run-1", "run-2"}},
		{"died within a log", func(run, cell int) float64 {
			if run == 0 && cell < 4 {
				return 30
			}
			return 25
		}, []string{"run-1", "run-2"}},
		{"rested in one", func(run, cell int) float64 {
			if run == 1 {
				return 25
			}
			return rises(run, cell)
		}, nil},
		{"each at its own", func(run, _ int) float64 { return float64(20 + run) }, nil},
		{"not logged", func(int, int) float64 { return math.NaN() }, nil},
	} {
		rows := stillLogs(c.at)
		still := stillIn(rows)
		if got := still["car"].Runs; !slices.Equal(got, c.dead) {
			t.Errorf("%s: %v, want %v", c.name, got, c.dead)
		}
		for i, r := range told(rows, still) {
			was := rows[i]
			if left := math.IsNaN(r.ChargeTemperature); left != (slices.Contains(c.dead, r.Run) ||
				math.IsNaN(was.ChargeTemperature)) || r.ManifoldPressure != was.ManifoldPressure {
				t.Errorf("%s: %s at %g °C", c.name, r.Run, r.ChargeTemperature)
			}
		}
	}
	idle := stillLogs(func(int, int) float64 { return 25 })
	for i := range idle {
		idle[i].ManifoldPressure = 60
	}
	if f := stillIn(idle); len(f) > 0 {
		t.Errorf("without boost: %v", f)
	}
}
