package assess

import (
	"math"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/engine"
	"headroom/models/value"
)

// power in kW of a torque in N·m.
func power(torque, rpm float64) float64 { return engine.Power(torque, rpm) / 1000 }

// PeakPower is a car's peak brake power, kW: the median over its pulls of each pull's largest torque × speed, so that
// one odd sample does not move it. rows are those of the car's pulls. Torque is the logged one where the car logs it
// (measured); else the cycle's with the level the fleet's measurements give it, at the cell of each pull that burns
// most air per second. NaN where neither is known.
func (m *Model) PeakPower(rows []*evidence.Row) (kW float64, measured bool) {
	seen, fullest := map[string]float64{}, map[string]*evidence.Row{}
	for _, r := range rows {
		id := evidence.PullID(r)
		for _, at := range r.Kept() {
			if value.Known(at.Torque) {
				seen[id] = math.Max(seen[id], power(at.Torque, at.RPM))
			}
		}
		if best := fullest[id]; value.Known(r.Load) && (best == nil || r.Load*r.RPM > best.Load*best.RPM) {
			fullest[id] = r
		}
	}
	var peaks []float64
	for _, v := range seen {
		peaks = append(peaks, v)
	}
	if len(peaks) > 0 {
		return value.Median(peaks), true
	}
	bias := metricNamed(workspace.MetricTorque).bias
	for _, r := range fullest {
		s := stateOf(r)
		m.platform.simulate(&s)
		factor := m.fit.Levels[workspace.MetricTorque].factor(&s, r.Vehicle, bias)
		if v := power(s.sim.torqueNm*factor, s.rpm); value.Known(v) && v > 0 {
			peaks = append(peaks, v)
		}
	}
	return value.Median(peaks), false
}
