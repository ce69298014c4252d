package assess

import (
	"maps"
	"math"
	"slices"

	"headroom/internal/evidence"
)

// level is the logarithm of measured over computed, by car, of a metric that both ways exist for: what a few cars with
// a torque sensor say about the model's level on all the others.
type level map[string]float64

// Relative deviations of a metric's level; common practice, no source.
const (
	carLevelSD = 0.03  // between cars of one platform
	ownLevelSD = 0.015 // left after the car's own measurements
)

// fitLevel takes each car's mean log ratio over its pulls.
func (p *platform) fitLevel(m *metric, rows []*evidence.Row, states []state) level {
	sum, n := map[string]float64{}, map[string]float64{}
	for i, r := range rows {
		seen, computed := m.measured(p, r), m.predictor(p, &states[i])
		if seen > 0 && computed > 0 {
			sum[r.Vehicle] += math.Log(seen / computed)
			n[r.Vehicle]++
		}
	}
	out := level{}
	for car := range sum {
		out[car] = sum[car] / n[car]
	}
	return out
}

// of returns the factor on the computed value for a car and its relative deviations, shared by all cars and the car's
// own: the car's level where it was measured, else the normal-normal posterior of the common level, and the spread
// between cars.
func (l level) of(car string, bias float64) (factor, common, own float64) {
	if own, ok := l[car]; ok {
		return math.Exp(own), 0, ownLevelSD
	}
	sum := 0.0
	for _, id := range slices.Sorted(maps.Keys(l)) {
		sum += l[id]
	}
	precision := 1/(bias*bias) + float64(len(l))/(carLevelSD*carLevelSD)
	mean := sum / (carLevelSD * carLevelSD) / precision
	if len(l) == 0 {
		return 1, bias, 0
	}
	return math.Exp(mean), math.Sqrt(1 / precision), carLevelSD
}

// says how the level of a computed metric was set.
func (l level) says(car string) string {
	if _, own := l[car]; own {
		return "computed from logged states, level from this car's own measurements"
	}
	if len(l) > 0 {
		return "computed from logged states, level from measurements on " + count(len(l), "other car")
	}
	return "computed from logged states, not measured"
}
