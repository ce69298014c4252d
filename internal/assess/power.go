package assess

import (
	"math"

	"headroom/internal/assess/fleet"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/models/engine"
	"headroom/models/value"
)

// power in kW of a torque in N·m at an engine speed in rpm.
func power(torque, rpm float64) float64 { return engine.Power(torque, rpm) / 1000 }

// PeakPower is a car's peak brake power, kW: the median over its pulls of each pull's largest torque × speed, so that
// one odd sample does not move it. rows are those of the car's pulls. Torque is the logged one where the car logs it
// (measured); else the cycle's with the level the fleet's measurements give it, at the cell of each pull that burns
// most air per second. NaN where neither is known.
func (m *Model) PeakPower(rows []*evidence.Row) (kW float64, measured bool) {
	logged, fullest := map[string]float64{}, map[string]*evidence.Row{}
	for _, r := range rows {
		id := evidence.PullID(r)
		for _, at := range r.Kept() {
			if value.Known(at.Torque) {
				logged[id] = math.Max(logged[id], power(at.Torque, at.RPM))
			}
		}
		if best := fullest[id]; value.Known(r.Load) && (best == nil || r.Load*r.RPM > best.Load*best.RPM) {
			fullest[id] = r
		}
	}
	var peaks []float64
	for _, v := range logged {
		peaks = append(peaks, v)
	}
	if len(peaks) > 0 {
		return value.Median(peaks), true
	}
	torque := fleet.QuantityOf(metric.Torque)
	level := m.Levels[metric.Torque]
	for _, r := range fullest {
		v := m.Logged(r)
		factor := level.Factor(torque, &v.State, r.Vehicle)
		if kW := power(v.Simulated.TorqueNm*factor, v.RPM); value.Known(kW) && kW > 0 {
			peaks = append(peaks, kW)
		}
	}
	return value.Median(peaks), false
}
