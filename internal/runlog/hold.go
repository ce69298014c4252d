package runlog

import (
	"fmt"
	"math"
	"slices"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
)

// Limits of holding: a reading is held for at most one and a half of its own usual intervals, and never longer than
// maxHold. Common practice, no source.
const (
	holdFactor = 1.5
	maxHold    = 2.0 // s
	slowFactor = 1.5 // of the row interval: channels read at least this much more slowly than rows are written
)

// emptyCells notes which cells of a column the file itself leaves empty; nil when none.
func emptyCells(raw []float64) []bool {
	if !slices.ContainsFunc(raw, math.IsNaN) {
		return nil
	}
	empty := make([]bool, len(raw))
	for i, v := range raw {
		empty[i] = math.IsNaN(v)
	}
	return empty
}

// ownInterval is the median time between a series' readings; 0 for fewer than four, and for a series without empty
// cells.
func ownInterval(t []float64, empty []bool) float64 {
	if !slices.Contains(empty, true) {
		return 0
	}
	var steps []float64
	last := -1
	for i, e := range empty {
		if e {
			continue
		}
		if last >= 0 {
			steps = append(steps, t[i]-t[last])
		}
		last = i
	}
	if len(steps) < 3 {
		return 0
	}
	return samples.Median(steps)
}

// nextReadings is the time of the next reading from each row on, NaN behind the last.
func nextReadings(t []float64, empty []bool) []float64 {
	out := make([]float64, len(empty))
	next := math.NaN()
	for i := len(empty) - 1; i >= 0; i-- {
		if !empty[i] {
			next = t[i]
		}
		out[i] = next
	}
	return out
}

// holdSlow carries the last reading of a channel into the cells that the file leaves empty, within the age limit: where
// the channel is read more slowly than rows are written, and where its next reading came in its turn, so that the row
// is another channel's. Readings that were taken out are neither filled nor carried on.
func holdSlow(r *Run, empties map[channel.ID][]bool) {
	for k := range r.Series {
		s := &r.Series[k]
		empty := empties[s.Channel]
		own := ownInterval(r.Time, empty)
		if own == 0 {
			continue
		}
		slow := own >= slowFactor*r.SampleInterval
		limit := math.Min(holdFactor*own, maxHold)
		next := nextReadings(r.Time, empty)
		held, last := 0, -1
		for i, e := range empty {
			switch {
			case !e && !math.IsNaN(s.Values[i]):
				last = i
			case !e:
				last = -1
			case last >= 0 && r.Time[i]-r.Time[last] <= limit && (slow || next[i]-r.Time[last] <= limit):
				s.Values[i] = s.Values[last]
				held++
			}
		}
		if held > 0 {
			r.Findings = append(r.Findings, Finding{Channel: s.Channel, Kind: KindHeld, To: r.Duration(), Samples: held,
				Detail: fmt.Sprintf("it is read every %.3g s and rows every %.3g s: %d empty cells hold the last "+
					"reading, for at most %.3g s", own, r.SampleInterval, held, limit)})
		}
	}
}
