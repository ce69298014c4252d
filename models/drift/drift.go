// Package drift answers one question: has a car moved away from its own past, by more than chance and its few early
// runs explain?
//
// Days of a car are neither independent nor normal about its level. Ratio.Watch weighs whether a car moves or stays by
// laws of scatter that the other cars of the fleet show (FitLaws), in which neighbouring values are alike, have heavy
// tails, some are bad, scales differ between cars, and revisions move the level. Many charts together are held to a
// false-discovery rate (Benjamini and Hochberg, J. Royal Statist. Soc. B 57, 1995).
package drift

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"headroom/models/value"
)

// Series is one metric of one car over its runs, conditions removed (for example what a mixed model leaves). A value
// that is NaN was not measured and is passed over.
type Series struct {
	Times  []float64 // ascending, any unit
	Values []float64 // in the metric's unit
	Breaks []Break   // what was new with each value; nil: nothing ever
	// deviation of each value over that of a usual one, above 0, as a mean of fewer pulls has it; nil: all alike
	Wide []float64
}

func (s Series) check() error {
	if len(s.Times) != len(s.Values) {
		return fmt.Errorf("drift: %d times for %d values", len(s.Times), len(s.Values))
	}
	if len(s.Breaks) > 0 && len(s.Breaks) != len(s.Values) {
		return fmt.Errorf("drift: %d breaks for %d values", len(s.Breaks), len(s.Values))
	}
	if len(s.Wide) > 0 && len(s.Wide) != len(s.Values) {
		return fmt.Errorf("drift: %d widths for %d values", len(s.Wide), len(s.Values))
	}
	for i, w := range s.Wide {
		if !(w > 0) || math.IsInf(w, 0) {
			return fmt.Errorf("drift: width %d is %g: it must be above 0", i, w)
		}
	}
	for i := range s.Times {
		if math.IsNaN(s.Times[i]) || (i > 0 && s.Times[i] < s.Times[i-1]) {
			return fmt.Errorf("drift: time %d is %g: times must ascend", i, s.Times[i])
		}
		if math.IsInf(s.Values[i], 0) {
			return fmt.Errorf("drift: value %d is infinite: leave it out", i)
		}
	}
	return nil
}

// Status says whether a series was watched.
type Status string

// Statuses of a Chart.
const (
	StatusWatched       Status = "watched"
	StatusNotEnoughRuns Status = "not_enough_runs"
)

// Chart is what Ratio.Watch says of one series.
type Chart struct {
	Status     Status
	Kind       string  // of chart
	Baseline   float64 // level before the onset; without a signal, of the first two values
	SD         float64 // of the likeliest law of scatter
	Runs       int     // measured values after the first
	RunsNeeded int     // more runs it takes before anything can be said; 0 when watched

	Statistic float64 // largest so far, in the chart's own unit
	Threshold float64 // the value Statistic ever passes in a healthy car with chance FalseAlarm at most
	Signal    bool
	PValue    float64 // chance that a healthy car ever reaches Statistic, at most; 1 unless watched
	Direction int     // +1 up, -1 down: the side of Statistic; 0 unless watched

	SignalIndex int       // index into the series where Statistic first passed Threshold, -1 without a signal
	OnsetIndex  int       // estimated index of the first run after the change, -1 without a signal
	Level       float64   // mean since onset, or the last value without a signal; NaN without a run after the baseline
	Path        []float64 // signed statistic after each run watched
	// chance that a healthy car ever signals, at most; NaN unless watched
	FalseAlarm float64
}

// fewestOthers is the number of other cars' runs it takes to tell what the fleet did. Common practice, no source.
const fewestOthers = 5

// AgainstFleet takes the fleet's common movement (season, a change of pump fuel) off each series: from each value the
// median of the other cars' departures from their own level within window of its time, when at least five other values
// are there. A level is that of a car on the same tables and parts, so that what the fleet's revisions move in common
// is no movement of the fleet's: levels and movement are fitted in turns, each with the other taken off (Tukey,
// Exploratory Data Analysis, 1977, ch. 11). It returns new series, and how many values had no fleet to compare with.
//
// Errors: window not positive, or a series Series does not allow.
func AgainstFleet(cars []Series, window float64) (out []Series, alone int, err error) {
	if !(window > 0) {
		return nil, 0, fmt.Errorf("drift: window %g must be positive", window)
	}
	var all []departure
	stretches := 0
	for c, s := range cars {
		if err := s.check(); err != nil {
			return nil, 0, fmt.Errorf("car %d: %w", c, err)
		}
		for i, k := range s.knowns() {
			if i == 0 || k.then != NoBreak {
				stretches++
			}
			all = append(all, departure{time: s.Times[k.at], x: k.x, car: c, at: k.at, stretch: stretches - 1})
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].time < all[j].time })
	polish(all, stretches, window)
	out = make([]Series, len(cars))
	for c, s := range cars {
		out[c] = Series{Times: slices.Clone(s.Times), Values: slices.Clone(s.Values), Breaks: s.Breaks, Wide: s.Wide}
	}
	for _, d := range all {
		move, ok := movement(all, d.time, window, d.car)
		if !ok {
			alone++
		}
		out[d.car].Values[d.at] -= move
	}
	return out, alone, nil
}

// departure is a measured value and how far it lies from its stretch's level, a stretch being a car on the same tables
// and parts.
type departure struct {
	time, x, off     float64
	car, at, stretch int
}

// polishTurns are the turns of fitting levels and movement: what is left halves with each in a fleet whose cars change
// at different times. Common practice, no source.
const polishTurns = 8

func polish(all []departure, stretches int, window float64) {
	if len(all) == 0 {
		return
	}
	first, step := all[0].time, window/3
	move := make([]float64, 2+int((all[len(all)-1].time-first)/step))
	for range polishTurns {
		sums, counts := make([]float64, stretches), make([]float64, stretches)
		for i := range all {
			d := &all[i]
			place := (d.time - first) / step
			k := int(place)
			d.off = d.x - (move[k] + (place-float64(k))*(move[k+1]-move[k]))
			sums[d.stretch] += d.off
			counts[d.stretch]++
		}
		for i := range all {
			all[i].off = all[i].x - sums[all[i].stretch]/counts[all[i].stretch]
		}
		for k := range move {
			move[k], _ = movement(all, first+float64(k)*step, window, -1)
		}
	}
}

// movement is the median departure within window of t of all cars but one; 0 and false with too few.
func movement(all []departure, t, window float64, but int) (float64, bool) {
	var others []float64
	for k := sort.Search(len(all), func(k int) bool { return all[k].time >= t-window }); k < len(all) &&
		all[k].time <= t+window; k++ {
		if all[k].car != but {
			others = append(others, all[k].off)
		}
	}
	if len(others) < fewestOthers {
		return 0, false
	}
	return value.Median(others), true
}

// Adjusted returns the Benjamini–Hochberg adjusted p-values in the order given: the smallest false-discovery rate at
// which each would be called. They hold for independent and for positively dependent charts (Benjamini and Yekutieli,
// Ann. Statist. 29, 2001).
//
// Errors: a p-value outside [0, 1].
func Adjusted(p []float64) ([]float64, error) {
	order := make([]int, len(p))
	for i, v := range p {
		if !(v >= 0 && v <= 1) {
			return nil, fmt.Errorf("drift: p-value %d is %g: it must lie between 0 and 1", i, v)
		}
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return p[order[a]] > p[order[b]] })
	out := make([]float64, len(p))
	least := 1.0
	for k, i := range order {
		rank := len(p) - k
		least = math.Min(least, p[i]*float64(len(p))/float64(rank))
		out[i] = least
	}
	return out, nil
}
