package assess

import (
	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
)

// coarseSD is what slow logs leave unknown of a car's level of a metric, in its unit: the mean over the bench's logged
// states of what is not known of their extremes. What differs from one visit to the next is in the spread that slow
// logs show.
func (m *Model) coarseSD(q *fleet.Quantity, b *bench) float64 {
	return b.meanOf(m.Platform, q.UnseenSD)
}

// meanOf is the mean of what is read of the bench's logged states.
func (b *bench) meanOf(p *state.Platform, read func(p *state.Platform, s *state.State) float64) float64 {
	sum := 0.0
	for i := range b.visits {
		if s := b.visits[i].Root(); s.Row != nil {
			sum += read(p, s)
		}
	}
	return sum / float64(max(len(b.visits), 1))
}
