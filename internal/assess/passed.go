package assess

import "math"

// passed is, for each visit, how many cells of speed its pull passed for each one that the log shows, 1 and more. A
// pull that is sampled more slowly than it passes cells leaves cells between its first and last without a sample, in
// which its limit may be met all the same: the visits that were seen stand for them, and a log with fewer samples
// does not make a crossing less likely by that. What was passed before the first sample and after the last is not
// counted.
func (b *bench) passed(rpmStep float64) []float64 {
	out := make([]float64, len(b.visits))
	for i := range out {
		out[i] = 1
	}
	if b.placed {
		return out
	}
	seen := map[string]map[int]bool{}
	bin := func(i int) int { return int(math.Round(b.visits[i].Row.RPMLow / rpmStep)) }
	for i := range b.visits {
		pull := b.visits[i].Pull
		if seen[pull] == nil {
			seen[pull] = map[int]bool{}
		}
		seen[pull][bin(i)] = true
	}
	each := map[string]float64{}
	for pull, bins := range seen {
		low, high := math.MaxInt, math.MinInt
		for k := range bins {
			low, high = min(low, k), max(high, k)
		}
		each[pull] = float64(high-low+1) / float64(len(bins))
	}
	for i := range out {
		out[i] = each[b.visits[i].Pull]
	}
	return out
}
