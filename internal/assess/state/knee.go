package state

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/metric"
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

// PumpReach is how far a car's pump has been seen to reach.
type PumpReach struct {
	Use   float64 // pump use, %, from which rail pressure falls away, else the highest met
	Falls bool    // rail pressure was seen to fall away
	Pulls int
}

// PumpReaches are those of the cars that log rail pressure and its target.
func (p *Platform) PumpReaches(visits []*Visit) map[string]PumpReach {
	type point struct{ use, shortfall float64 }
	byCar, pulls := map[string][]point{}, map[string]map[string]bool{}
	missed := p.Falls[metric.RailShortfall]
	for _, v := range visits {
		s := &v.State
		if use := p.PumpUse(s); value.Known(use) && value.Known(s.Row.RailShortfall) {
			byCar[s.Car] = append(byCar[s.Car], point{use, s.Row.RailShortfall + missed.At(s.Row.SampleInterval)})
			if pulls[s.Car] == nil {
				pulls[s.Car] = map[string]bool{}
			}
			pulls[s.Car][s.Pull] = true
		}
	}
	out := map[string]PumpReach{}
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
		reach := PumpReach{Use: points[len(points)-1].use, Pulls: len(pulls[car])}
		if len(drooping) >= kneeFew {
			reach.Use, reach.Falls = drooping[0], true
		}
		out[car] = reach
	}
	return out
}

// PumpKnees is the pump use, %, from which each car's rail pressure is seen to fall away; HealthyKnee, or the highest
// use met without a shortfall where that is more, for cars that show none.
func (p *Platform) PumpKnees(visits []*Visit) map[string]float64 {
	out := map[string]float64{}
	for car, reach := range p.PumpReaches(visits) {
		out[car] = reach.Use
		if !reach.Falls {
			out[car] = math.Max(HealthyKnee, reach.Use)
		}
	}
	return out
}
