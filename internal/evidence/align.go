package evidence

import (
	"math"
	"slices"
	"sort"

	"headroom/internal/runlog"
	"headroom/models/channel"
)

// Align returns a copy of the run in which each channel with a lag is moved back onto the time base: the value at
// time t is the sample logged nearest to t + lag. Nothing is interpolated (a half-way retard never existed): the
// result is exact to half a sample interval. Where no sample lies within one median interval of t + lag (a gap, the
// end of the log) the value is NaN. A lag stated for the very column (runlog.Series.Lag) goes before that of the
// platform. A lag of zero or of a channel that is not logged changes nothing.
func Align(run *runlog.Run, lags map[channel.ID]float64) *runlog.Run {
	out := *run
	out.Series = slices.Clone(run.Series)
	reach := sampleInterval(run.Time)
	for i, s := range out.Series {
		lag := s.Lag
		if lag == 0 {
			lag = lags[s.Channel]
		}
		if lag != 0 {
			out.Series[i].Values = shift(run.Time, s.Values, lag, reach)
			out.Series[i].Lag = 0
		}
	}
	return &out
}

func shift(time, values []float64, lag, reach float64) []float64 {
	out := make([]float64, len(values))
	for i, t := range time {
		j := nearest(time, t+lag)
		out[i] = math.NaN()
		if math.Abs(time[j]-(t+lag)) <= reach*(1+1e-9) {
			out[i] = values[j]
		}
	}
	return out
}

// nearest returns the index of the time nearest to t, the earlier of two equally near.
func nearest(time []float64, t float64) int {
	j := sort.SearchFloat64s(time, t)
	if j == len(time) || (j > 0 && t-time[j-1] <= time[j]-t) {
		j--
	}
	return j
}

func sortedLags(lags map[channel.ID]float64) []channel.ID {
	ids := make([]channel.ID, 0, len(lags))
	for id := range lags {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}
