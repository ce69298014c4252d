package backtest

import (
	"maps"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/metric"
)

// crossings merges margins by metric into one answer a pull: did it cross any limit?
func crossings(seen map[metric.ID]map[string]float64) map[string]bool {
	out := map[string]bool{}
	for _, margins := range seen {
		for pull, m := range margins {
			out[pull] = out[pull] || m < 0
		}
	}
	return out
}

func tally(crossed map[string]bool) (pulls, crossings int) {
	for _, c := range crossed {
		if c {
			crossings++
		}
	}
	return len(crossed), crossings
}

// outcomes says of each pull in which one of a hazard's metrics was measured whether it crossed.
func outcomes(model *assess.Model, h hazard.ID, metrics []metric.ID, rows []*evidence.Row) map[string]bool {
	seen := map[metric.ID]map[string]float64{}
	for _, m := range metrics {
		seen[m] = model.PullMargins(h, m, rows)
	}
	return crossings(seen)
}

// smoothed is a share with half a pull added to both sides (Jeffreys' prior for a binomial share: Brown, Cai &
// DasGupta, Statistical Science 16, 2001).
func smoothed(pulls, crossed int) float64 { return (float64(crossed) + 0.5) / (float64(pulls) + 1) }

// naive is the rule of thumb: all pulls will be as those of the car's last log that measured the hazard; the base rate
// for a revision meant for the fleet (car is "") and for a car that never measured it.
func naive(model *assess.Model, car string, h hazard.ID, metrics []metric.ID, before []*evidence.Row,
	base float64) float64 {
	if car == "" {
		return base
	}
	byRun := map[string][]*evidence.Row{} // by date, then run
	for _, r := range before {
		if r.Vehicle == car {
			key := r.Date + "\x00" + r.Run
			byRun[key] = append(byRun[key], r)
		}
	}
	for _, key := range slices.Backward(slices.Sorted(maps.Keys(byRun))) {
		pulls, crossed := tally(outcomes(model, h, metrics, byRun[key]))
		if pulls == 0 {
			continue
		}
		if crossed > 0 {
			crossed = pulls
		}
		return smoothed(pulls, crossed)
	}
	return base
}
