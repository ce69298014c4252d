package fleet

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/evidence"
	"headroom/models/value"
)

// Still are logs of a car in which charge temperature stands still while the engine works. Air behind a compressor
// warms with boost, so the sensor or its channel is dead and none of them tells how warm the charge was.
type Still struct {
	Runs  []string // in order of time
	At    float64  // °C
	Pulls int
}

// A sensor is taken for dead where it shows the same in every cell of a car's logs in a row, through at least two logs
// and stillPulls pulls, and boost in them spans stillSpan: sensors of a degree's resolution stand still in one short
// pull on a cold day, not in two logs. Common practice, no source.
const (
	stillPulls = 3
	stillSpan  = 30.0  // kPa of manifold pressure, from cell to cell
	sameCharge = 0.051 // °C: the rounding of a sensor read in another unit
)

// stillIn finds, by car, logs in a row whose charge temperature stands still.
func stillIn(rows []evidence.Row) map[string]Still {
	byCar := map[string][]*evidence.Row{}
	for i := range rows {
		if r := &rows[i]; value.Known(r.ChargeTemperature) {
			byCar[r.Vehicle] = append(byCar[r.Vehicle], r)
		}
	}
	out := map[string]Still{}
	for car, own := range byCar {
		if s, ok := stillOf(own); ok {
			out[car] = s
		}
	}
	return out
}

// stillOf is the longest row of a car's logs that stand at one charge temperature.
func stillOf(own []*evidence.Row) (best Still, ok bool) {
	slices.SortStableFunc(own, func(a, b *evidence.Row) int {
		return cmp.Or(cmp.Compare(a.Date, b.Date), cmp.Compare(a.Run, b.Run))
	})
	for from := 0; from < len(own); {
		to := from
		for to < len(own) && stands(own[to], own[from].ChargeTemperature) {
			to++
		}
		if s, still := standing(own, from, to); still && len(s.Runs) > len(best.Runs) {
			best, ok = s, true
		}
		from = max(to, from+1)
	}
	return best, ok
}

// stands reports whether a cell shows one charge temperature and no other.
func stands(r *evidence.Row, at float64) bool {
	return math.Abs(r.ChargeTemperature-at) < sameCharge && math.Abs(r.ChargeTemperatureMax-at) < sameCharge
}

// standing are the whole logs among cells from to to of a car, and whether they tell of a dead sensor.
func standing(own []*evidence.Row, from, to int) (Still, bool) {
	if from == to {
		return Still{}, false
	}
	partly := map[string]bool{}
	if from > 0 {
		partly[own[from-1].Run] = true
	}
	if to < len(own) {
		partly[own[to].Run] = true
	}
	pulls, low, high := map[string]bool{}, math.Inf(1), math.Inf(-1)
	s := Still{At: own[from].ChargeTemperature}
	for _, r := range own[from:to] {
		if partly[r.Run] {
			continue
		}
		if n := len(s.Runs); n == 0 || s.Runs[n-1] != r.Run {
			s.Runs = append(s.Runs, r.Run)
		}
		if r.Kind == evidence.KindPull {
			pulls[evidence.PullID(r)] = true
		}
		if value.Known(r.ManifoldPressure) {
			low, high = min(low, r.ManifoldPressure), max(high, r.ManifoldPressure)
		}
	}
	s.Pulls = len(pulls)
	return s, len(s.Runs) >= 2 && s.Pulls >= stillPulls && high-low >= stillSpan
}

// deadLogs are the logs of all cars in which charge temperature stood still.
func deadLogs(by map[string]Still) map[string]bool {
	return logsIn(by, func(s Still) []string { return s.Runs })
}

// told are rows without what dead sensors showed.
func told(rows []evidence.Row, by map[string]Still) []evidence.Row {
	dead := deadLogs(by)
	if len(dead) == 0 {
		return rows
	}
	out := slices.Clone(rows)
	for i := range out {
		if dead[out[i].Run] {
			out[i] = *out[i].WithoutCharge()
		}
	}
	return out
}
