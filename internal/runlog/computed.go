package runlog

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
)

// What tells a computed channel; common practice, no source. Torque that is measured scatters by half a percent and
// more, and bends away from air with friction, spark and mixture over speed.
const (
	computedScatter = 0.003 // of torque about a line in what it is computed from, as a share of its mean
	computedSamples = 60
	computedSpan    = 1.5 // highest over lowest tenth of what it is computed from
	computedLoaded  = 0.2 // of the highest torque, from which samples count
)

// checkComputed removes torque that lies on a straight line in air, air a revolution or pressure to within rounding: a
// phone or a control unit made it from that channel, and it says nothing that the channel does not.
func checkComputed(r *Run) {
	torque, speed := r.series(channel.Torque), r.Values(channel.EngineSpeed)
	if torque == nil || speed == nil {
		return
	}
	from := []struct {
		name   string
		values []float64
	}{
		{"absolute load", r.Values(channel.AbsoluteLoad)},
		{"calculated load", r.Values(channel.CalculatedLoad)},
		{"mass air flow", r.Values(channel.MassAirFlow)},
		{"mass air flow over engine speed", over(r.Values(channel.MassAirFlow), speed)},
		{"manifold pressure", r.Values(channel.ManifoldPressure)},
	}
	for _, f := range from {
		if f.values == nil || !follows(torque.Values, f.values) {
			continue
		}
		bad := make([]bool, len(torque.Values))
		for i, v := range torque.Values {
			bad[i] = !math.IsNaN(v)
		}
		remove(r, torque, KindComputed, bad, func(span, int) string {
			return fmt.Sprintf("it follows %s on a straight line to within rounding: it was computed from it, not "+
				"measured", f.name)
		})
		return
	}
}

// over divides sample by sample; nil without values.
func over(a, b []float64) []float64 {
	if a == nil {
		return nil
	}
	out := make([]float64, len(a))
	for i := range a {
		out[i] = a[i] / b[i]
	}
	return out
}

// follows reports whether y lies on a rising line in x wherever the engine is loaded.
func follows(y, x []float64) bool {
	_, _, top := samples.Extent(y)
	var xs, ys []float64
	for i := range y {
		if y[i] >= computedLoaded*top && y[i] > 0 && x[i] > 0 && !math.IsInf(x[i], 0) {
			xs, ys = append(xs, x[i]), append(ys, y[i])
		}
	}
	if len(xs) < computedSamples {
		return false
	}
	sorted := samples.Sorted(xs)
	if samples.Quantile(sorted, 0.9) < computedSpan*samples.Quantile(sorted, 0.1) {
		return false
	}
	a, b := stat.LinearRegression(xs, ys, nil, false)
	squares := 0.0
	for i := range xs {
		squares += (ys[i] - a - b*xs[i]) * (ys[i] - a - b*xs[i])
	}
	return b > 0 && math.Sqrt(squares/float64(len(xs))) < computedScatter*stat.Mean(ys, nil)
}
