package assess

import (
	"fmt"
	"math"
	"testing"

	"headroom/internal/evidence"
)

// A car's power is its logged torque × speed: 300 N·m at 5252 rpm are 165 kW (P = M·2πn).
func TestMeasuredPower(t *testing.T) {
	unknown := evidence.Sample{Torque: math.NaN()}
	var rows []*evidence.Row
	for pull, torque := range []float64{300, 300, 900} { // one odd pull
		rows = append(rows, &evidence.Row{Run: fmt.Sprint(pull), Bound: evidence.Sample{RPM: 5252, Torque: torque},
			Peak: unknown})
	}
	if kW, measured := (&Model{}).PeakPower(rows); !measured || math.Abs(kW-165) > 0.1 {
		t.Errorf("%.2f kW, measured %v", kW, measured)
	}
}
