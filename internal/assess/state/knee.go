package state

import (
	"cmp"
	"math"
	"slices"

	"headroom/models/value"

	"gonum.org/v1/gonum/stat"
)

// kneeShare is the share of a car's rows, those of least pump use, whose rail shortfall is its base; kneeSDs is how
// many of their deviations above it a shortfall counts as droop; common practice, no source.
const (
	kneeShare = 0.5
	kneeSDs   = 5
	kneeFew   = 3 // rows in droop below which there is no knee
)

// PumpKnees is the pump use, %, from which each car's rail pressure is seen to fall away; HealthyKnee, or the highest
// use met without a shortfall where that is more, for cars that show none.
func (p *Platform) PumpKnees(visits []*Visit) map[string]float64 {
	type point struct{ use, shortfall float64 }
	byCar := map[string][]point{}
	for _, v := range visits {
		s := &v.State
		if use := p.PumpUse(s); value.Known(use) && value.Known(s.Row.RailShortfall) {
			byCar[s.Car] = append(byCar[s.Car], point{use, s.Row.RailShortfall})
		}
	}
	out := map[string]float64{}
	for car, points := range byCar {
		slices.SortFunc(points, func(a, b point) int { return cmp.Compare(a.use, b.use) })
		var base []float64
		for _, pt := range points[:int(math.Ceil(kneeShare*float64(len(points))))] {
			base = append(base, pt.shortfall)
		}
		mean, sd := stat.MeanStdDev(base, nil)
		var drooping []float64
		for _, pt := range points {
			if pt.shortfall > mean+kneeSDs*value.Or(sd, 0) {
				drooping = append(drooping, pt.use)
			}
		}
		out[car] = math.Max(HealthyKnee, points[len(points)-1].use)
		if len(drooping) >= kneeFew {
			out[car] = drooping[0]
		}
	}
	return out
}
