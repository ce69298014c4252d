package evidence

import (
	"math"
	"slices"

	"headroom/internal/runlog"
	"headroom/models/channel"
	"headroom/models/value"
)

// gapFactor: an interval longer than this many median intervals is a gap. One lost sample (twice the median) is
// bridged, two are not. Common practice, no source.
const gapFactor = 2.5

// at returns values[i], or NaN where the channel is not logged.
func at(values []float64, i int) float64 {
	if values == nil {
		return math.NaN()
	}
	return values[i]
}

// logged returns the channel's values, or nil when it is absent or holds no usable sample.
func logged(run *runlog.Run, id channel.ID) []float64 {
	values := run.Values(id)
	if slices.ContainsFunc(values, value.Known) {
		return values
	}
	return nil
}

// sampleInterval is the median of the run's sample intervals, in seconds; 0 for a run of fewer than two samples.
func sampleInterval(time []float64) float64 {
	if len(time) < 2 {
		return 0
	}
	steps := make([]float64, len(time)-1)
	for i := range steps {
		steps[i] = time[i+1] - time[i]
	}
	return value.Median(steps)
}

// validInterval is the median time between usable samples of a channel, in seconds; 0 for fewer than two.
func validInterval(time, values []float64) float64 {
	var kept []float64
	for i, v := range values {
		if value.Known(v) {
			kept = append(kept, time[i])
		}
	}
	return sampleInterval(kept)
}

// median3 is the running median of three over the usable samples of [from, to), written at their own places; other
// places are NaN. Ends follow Tukey's end-point rule (Exploratory Data Analysis, 1977, ch. 7): the median of the end
// sample, its smoothed neighbour and the line through the next two. A single wild sample never passes; a straight or
// monotone series passes unchanged, ends included, so a slow log keeps its speed span. Fewer than three usable
// samples pass as they are.
func median3(values []float64, from, to int) []float64 {
	out := make([]float64, to-from)
	var where []int
	for i := from; i < to; i++ {
		out[i-from] = math.NaN()
		if value.Known(at(values, i)) {
			where = append(where, i)
		}
	}
	raw := make([]float64, len(where))
	for k, i := range where {
		raw[k] = values[i]
	}
	smooth := slices.Clone(raw)
	for k := 1; k+1 < len(raw); k++ {
		smooth[k] = value.Median(raw[k-1 : k+2])
	}
	if n := len(raw); n >= 3 {
		first := endPoint(raw[0], smooth[1], smooth[2])
		last := endPoint(raw[n-1], smooth[n-2], smooth[n-3])
		smooth[0], smooth[n-1] = first, last
	}
	for k, i := range where {
		out[i-from] = smooth[k]
	}
	return out
}

// sustained is the centred moving mean over a window of time, from the usable samples within half of it on either side;
// places without a usable sample of their own stay NaN. Samples farther apart than half the window pass unchanged.
func sustained(values, time []float64, window float64) []float64 {
	out := make([]float64, len(values))
	for i := range values {
		out[i] = math.NaN()
		if !value.Known(values[i]) {
			continue
		}
		sum, n := values[i], 1.0
		take := func(k int) bool {
			if math.Abs(time[k]-time[i]) > window/2 {
				return false
			}
			if value.Known(values[k]) {
				sum += values[k]
				n++
			}
			return true
		}
		for k := i - 1; k >= 0 && take(k); k-- {
		}
		for k := i + 1; k < len(values) && take(k); k++ {
		}
		out[i] = sum / n
	}
	return out
}

func endPoint(end, next, afterNext float64) float64 {
	return value.Median([]float64{end, next, 3*next - 2*afterNext})
}

// mean, largest and smallest of the usable values at the given places; NaN when there are none.
func mean(values []float64, places []int) float64 {
	sum, n := 0.0, 0
	for _, i := range places {
		if v := at(values, i); value.Known(v) {
			sum += v
			n++
		}
	}
	if n == 0 {
		return math.NaN()
	}
	return sum / float64(n)
}

func largest(values []float64, places []int) float64 {
	out := math.NaN()
	for _, i := range places {
		if v := at(values, i); value.Known(v) && !(out >= v) {
			out = v
		}
	}
	return out
}

func smallest(values []float64, places []int) float64 {
	out := math.NaN()
	for _, i := range places {
		if v := at(values, i); value.Known(v) && !(out <= v) {
			out = v
		}
	}
	return out
}

// difference is a − b sample by sample, nil when either is not logged.
func difference(a, b []float64) []float64 {
	if a == nil || b == nil {
		return nil
	}
	out := make([]float64, len(a))
	for i := range a {
		out[i] = a[i] - b[i]
	}
	return out
}

// firstUsable returns the first usable value of [from, to), or NaN.
func firstUsable(values []float64, from, to int) float64 {
	for i := from; i < to; i++ {
		if v := at(values, i); value.Known(v) {
			return v
		}
	}
	return math.NaN()
}
