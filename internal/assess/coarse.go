package assess

import "headroom/internal/assess/fleet"

// coarseSD is what slow logs leave unknown of a car's level of a metric, in its unit: the mean over the bench's logged
// states of what is not known of their extremes. What differs from one visit to the next is in the spread that slow logs
// show.
func (m *Model) coarseSD(q *fleet.Quantity, b *bench) float64 {
	sum := 0.0
	for i := range b.visits {
		if s := b.visits[i].Root(); s.Row != nil {
			sum += q.UnseenSD(m.Platform, s)
		}
	}
	return sum / float64(max(len(b.visits), 1))
}
