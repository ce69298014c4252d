package state

import (
	"math"

	"headroom/internal/metric"
)

// FineInterval is the seconds between samples up to which an extreme counts as seen whole; common practice, no source.
const FineInterval = 0.05

// Fall is how far the extreme of a metric in a cell falls short where samples lie farther apart than FineInterval: by
// Scale·(h^Power − FineInterval^Power) in the metric's unit towards the harmless side, h being the seconds between
// them. A steady trend has power 1, a random walk 1/2 (see fleet.FallOf).
type Fall struct {
	Scale, Power float64
	Row          float64 // deviation of one row's fall, as a share of the fall
	Car          float64 // deviation of a car's mean fall, the error of Scale included, as a share of it
	Cars, Rows   int     // whose thinned pulls tell it; 0 where it is taken from steps between cells
}

// At is the fall at a sample interval, seconds; 0 for fine ones and where the interval is not known.
func (f Fall) At(interval float64) float64 {
	if !(interval > FineInterval) || f.Scale == 0 {
		return 0
	}
	return f.Scale * (math.Pow(interval, f.Power) - math.Pow(FineInterval, f.Power))
}

// Falls are those of the metrics that have any.
type Falls map[metric.ID]Fall

// WithFalls is the platform with what slow logs miss of extremes.
func (p *Platform) WithFalls(f Falls) *Platform {
	out := *p
	out.Falls = f
	return &out
}
