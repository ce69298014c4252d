package timebase

import (
	"math"

	"headroom/internal/runlog/samples"
	"headroom/internal/runlog/source"
)

// Stretch is the rows of one run with their times.
type Stretch struct {
	Rows    []int     // of the table
	Time    []float64 // of each, seconds from the first; strictly increasing
	LeftOut LeftOut

	// rows in which running time stands still: they are placed Step seconds apart, so their time is nominal
	Nominal int
	Step    float64
}

// LeftOut counts the rows of a run that are not in its stretch.
type LeftOut struct {
	NoTime    int // without a time
	Backwards int // in which time goes backwards
	Twice     int // written twice
	Repeated  int // with the time of the row before, but other values
}

// minRestart is how many rows after a step back in time must stay behind it to make a new run of them.
const minRestart = 10

// Ranges splits the rows at repeated headers and where time starts again.
func (a *Axis) Ranges(tb *source.Table) [][2]int {
	var out [][2]int
	for i, start := range tb.Starts {
		end := tb.Rows
		if i+1 < len(tb.Starts) {
			end = tb.Starts[i+1]
		}
		out = append(out, a.splitRestarts(start, end)...)
	}
	return out
}

// splitRestarts cuts [start, end) where time steps back and stays back.
func (a *Axis) splitRestarts(start, end int) [][2]int {
	var parts [][2]int
	from, high := start, math.Inf(-1)
	for i := start; i < end; i++ {
		v := a.Seconds[i]
		if math.IsNaN(v) {
			continue
		}
		if v < high && a.staysBack(i, end, high) {
			parts = append(parts, [2]int{from, i})
			from, high = i, v
			continue
		}
		high = math.Max(high, v)
	}
	return append(parts, [2]int{from, end})
}

// staysBack reports whether the rows from i on stay behind high for long and themselves advance.
func (a *Axis) staysBack(i, end int, high float64) bool {
	n, back, last := 0, 0, math.Inf(-1)
	for j := i; j < end && n < 4*minRestart; j++ {
		v := a.Seconds[j]
		if math.IsNaN(v) {
			continue
		}
		if v >= high {
			break
		}
		if v < last {
			back++
		}
		last = v
		n++
	}
	return n >= minRestart && back*5 <= n
}

// Stretch makes the time of the rows [part[0], part[1]) strictly increasing: it leaves out rows whose time does not
// advance and spreads rows that share a coarse stamp. speed is engine speed in rpm of every row, nil when not logged.
func (a *Axis) Stretch(tb *source.Table, part [2]int, speed []float64) Stretch {
	var s Stretch
	var seconds []float64
	high := math.Inf(-1)
	prev := -1
	for i := part[0]; i < part[1]; i++ {
		v := a.Seconds[i]
		switch {
		case math.IsNaN(v):
			s.LeftOut.NoTime++
			continue
		case v < high:
			s.LeftOut.Backwards++
			continue
		case v == high && !a.coarse:
			if prev >= 0 && tb.SameRow(prev, i) {
				s.LeftOut.Twice++
			} else {
				s.LeftOut.Repeated++
			}
			continue
		}
		high, prev = v, i
		s.Rows = append(s.Rows, i)
		seconds = append(seconds, v)
	}
	if len(seconds) == 0 {
		return s
	}
	if a.coarse {
		seconds = a.spread(&s, seconds, speed)
	}
	s.Time = make([]float64, len(seconds))
	for i, v := range seconds {
		s.Time[i] = v - seconds[0]
	}
	return s
}

// group is a series of rows that share one stamp.
type group struct {
	at    float64
	first int
	n     int
}

// spread places the rows of each stamp evenly from it to the next. A stamp that stands still for far more rows than
// usual (engine not running, so its running time does not count) is given the usual interval instead, and what follows
// moves back by as much.
func (a *Axis) spread(s *Stretch, stamps, speed []float64) []float64 {
	groups := groupStamps(stamps)
	var per, gaps, counts []float64
	for i := 0; i+1 < len(groups); i++ {
		gap := groups[i+1].at - groups[i].at
		per = append(per, gap/float64(groups[i].n))
		gaps = append(gaps, gap)
		counts = append(counts, float64(groups[i].n))
	}
	usual, usualGap, usualRows := samples.Median(per), samples.Median(gaps), samples.Median(counts)
	if math.IsNaN(usual) {
		usual, usualGap, usualRows = a.quantum, a.quantum, 1
	}
	out := make([]float64, 0, len(stamps))
	shift := 0.0
	s.Step = usual
	for gi, g := range groups {
		gap := usual * float64(g.n)
		if gi+1 < len(groups) {
			gap = groups[gi+1].at - g.at
		}
		stopped := g.at == 0 && a.runTime && speed != nil
		head := 0 // rows of this stamp that belong before it
		if stopped {
			for head < g.n && speed[s.Rows[g.first+head]] == 0 {
				head++
			}
		}
		rest := g.n - head
		stuck := float64(rest) > 4*math.Max(1, usualRows)
		for k := range head {
			out = append(out, g.at+shift+usual*float64(k))
		}
		if head > 0 {
			shift += usual * float64(head)
			s.Nominal += head
		}
		step := math.Min(gap, 3*usualGap) / float64(max(1, rest))
		if stuck {
			step = usual
			s.Nominal += rest
		}
		for k := range rest {
			out = append(out, g.at+shift+step*float64(k))
		}
		if over := step*float64(rest) - gap; over > 0 {
			shift += over
		}
	}
	return out
}

// groupStamps gathers rows with one stamp.
func groupStamps(stamps []float64) []group {
	var groups []group
	for i, v := range stamps {
		if n := len(groups); n > 0 && groups[n-1].at == v {
			groups[n-1].n++
			continue
		}
		groups = append(groups, group{at: v, first: i, n: 1})
	}
	return groups
}
