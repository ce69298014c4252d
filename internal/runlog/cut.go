package runlog

import (
	"fmt"
	"math"

	"headroom/internal/runlog/reading"
	"headroom/internal/runlog/samples"
)

// cutMargin is how many rows beyond a cut are read before it is made: enough to tell whether time starts again there.
const cutMargin = 64

// Moments at which a run may be cut, best first. An idling or resting engine and a closed throttle are outside any
// pull.
var cutMoments = []string{"at idle, at rest or in a pause of the log", "with the throttle closed",
	"with the throttle less than half open",
	"within what may be a pull, as no other moment was found"}

// cutAt is the row before which the part in hand is cut, and what happens there: the latest in the second half of the
// part at the best kind of moment. Time must advance there.
func (p *parts) cutAt() (row int, where string) {
	n := p.tb.Rows
	best, row := len(cutMoments), n-cutMargin
	closed := samples.Quantile(samples.Sorted(p.m.ctx.Opening), 0.05) + 3
	high, last := math.Inf(-1), 0
	for i := range n - cutMargin {
		v := p.axis.Seconds[i]
		if !(v > high) {
			continue
		}
		gap := v - high
		high = v
		if i >= n/2 {
			if kind := cutMoment(p.m.ctx, last, i, gap, closed); kind <= best {
				best, row = kind, i
			}
		}
		last = i
	}
	return row, cutMoments[min(best, len(cutMoments)-1)]
}

// cutMoment is the index into cutMoments of a cut between rows a and b, gap seconds apart.
func cutMoment(ctx *reading.Context, a, b int, gap, closed float64) int {
	slow := func(i int) bool { return i < len(ctx.Speed) && ctx.Speed[i] < 1150 }
	below := func(i int, limit float64) bool { return i < len(ctx.Opening) && ctx.Opening[i] <= limit }
	switch {
	case gap > 5 || slow(a) && slow(b):
		return 0
	case below(a, closed) && below(b, closed):
		return 1
	case below(a, 50) && below(b, 50):
		return 2
	}
	return 3
}

// cutFinding says, in the run before a cut, that the log goes on.
func (p *parts) cutFinding(run *Run, where string) Finding {
	end := run.Duration()
	return Finding{Kind: KindCut, From: end, To: end,
		Detail: fmt.Sprintf("the run is longer than the %d rows that are held at once: it was cut here, %s, and goes "+
			"on in the next", p.tb.Rows, where)}
}

// continues says, in the run after a cut, that it is no beginning.
func (p *parts) continues(where string, offset float64) []Finding {
	if where == "" {
		return nil
	}
	return []Finding{{Kind: KindCut, Detail: fmt.Sprintf("the run was cut off the one before, %s: it starts %.1f s "+
		"after the beginning", where, offset)}}
}
