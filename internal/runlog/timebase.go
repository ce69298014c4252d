package runlog

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/runlog/header"
	"headroom/internal/runlog/source"
	"headroom/models/unit"
)

// clockwork is the time axis of a table before runs are cut: seconds of every row, NaN where the row has no time.
type clockwork struct {
	seconds []float64
	base    TimeBase
	index   int  // of the time column, −1 without one
	coarse  bool // stamps repeat: several rows share one
	runTime bool // counts engine running time
	quantum float64
	others  map[int]string // columns that also look like time, with the reason they were passed over

	// How further rows become seconds.
	wraps  bool    // a clock starts again at midnight
	dates  bool    // date-times in which day and month may be exchanged: a step of days is a step past midnight
	scale  float64 // seconds in the unit of a number
	rate   float64 // samples a second, where rows or samples are counted; 0 where time is told
	row    int     // rows numbered, without a column
	shift  float64 // seconds added for midnights passed
	last   float64 // reading before, NaN before the first
	nights int     // midnights passed
}

// settleTime finds the time column by the user's rule, then by name and behaviour, or numbers the rows at a stated
// rate.
func settleTime(tb *source.Table, rule FileRule, opts Options, taken map[int]bool) (*clockwork, error) {
	if rule.Time != nil {
		for i, c := range tb.Columns {
			if header.Fold(c.Header) == header.Fold(rule.Time.Header) {
				return namedTime(tb, i, rule.Time.Unit)
			}
		}
		return nil, &fault.Fault{What: fmt.Sprintf("the time column %q of channels.yaml is not in the file",
			rule.Time.Header), Remedy: "correct time.header"}
	}
	best, bestScore, runner := -1, 0.0, -1
	others := map[int]string{}
	for i, c := range tb.Columns {
		if taken[i] {
			continue
		}
		score, why := timeScore(c)
		if score == 0 {
			if why != "" {
				others[i] = why
			}
			continue
		}
		if score > bestScore {
			best, runner, bestScore = i, best, score
		} else {
			runner = i
		}
		others[i] = "another time column"
	}
	if best < 0 {
		return numbered(tb, rule, opts, others, taken)
	}
	delete(others, best)
	cw, err := makeClockwork(tb, best, "")
	if err != nil {
		return nil, err
	}
	cw.others = others
	if runner >= 0 {
		cw.base.Reason += fmt.Sprintf("; passed over: %q", tb.Columns[runner].Header)
	}
	return cw, nil
}

// namedTime is the time column the user named.
func namedTime(tb *source.Table, i int, unitName string) (*clockwork, error) {
	cw, err := makeClockwork(tb, i, unitName)
	if err != nil {
		return nil, err
	}
	cw.base.Reason = "named in channels.yaml; " + cw.base.Reason
	return cw, nil
}

// numbered is the axis of a file without a time column.
func numbered(tb *source.Table, rule FileRule, opts Options, others map[int]string, taken map[int]bool) (
	*clockwork, error) {
	rate := opts.Rate
	from := "stated"
	if rule.Rate > 0 {
		rate, from = rule.Rate, "stated in channels.yaml"
	}
	if !(rate > 0) || math.IsInf(rate, 0) {
		return nil, &fault.Fault{Line: tb.Dialect.HeaderLine, What: "no time column: no header names time with " +
			"values that advance",
			Remedy: "name it in channels.yaml (time: {header: …, unit: s}), or state rate: samples a second"}
	}
	if i := indexColumn(tb, taken); i >= 0 {
		cw := &clockwork{index: i, others: others, rate: rate}
		cw.base = TimeBase{Column: tb.Columns[i].Header, Unit: "sample number", Rate: rate,
			Reason: fmt.Sprintf("no time column; samples are counted, %g a second, %s", rate, from)}
		cw.extend(tb)
		return cw, nil
	}
	cw := &clockwork{index: -1, others: others, rate: rate}
	cw.base = TimeBase{Unit: "row number", Rate: rate, Reason: fmt.Sprintf("no time column; rows are numbered at %g "+
		"a second, %s", rate, from)}
	cw.extend(tb)
	return cw, nil
}

// indexColumn finds a column that counts samples up without repeating, −1 without one.
func indexColumn(tb *source.Table, taken map[int]bool) int {
	for i, c := range tb.Columns {
		if taken[i] || c.Private != "" || c.Kind != source.CellNumber || !header.Parse(c.Header).CountsSamples() {
			continue
		}
		if forward, repeat := advancing(c.Values); forward > 0.95 && repeat < 0.01 && allWhole(finite(c.Values)) &&
			c.Filled == len(c.Values) {
			return i
		}
	}
	return -1
}

// timeScore judges by name and behaviour whether a column is the time axis: 0 is no, with a reason when the name said
// so.
func timeScore(c *source.Column) (float64, string) {
	if c.Private != "" || c.Filled == 0 {
		return 0, ""
	}
	n := header.Parse(header.Base(c.Header))
	if only, named := n.Time(); !only || !named && c.Kind != source.CellClock && c.Kind != source.CellStamp {
		return 0, ""
	}
	advance, repeat := advancing(c.Values)
	if advance < 0.8 {
		return 0, "named like time, but its values do not advance"
	}
	score := 1.0 + (1 - repeat)
	if c.Kind == source.CellStamp {
		score += 0.1
	}
	if n.Has("engine") || n.Has("start") || n.Respelled != "" {
		score -= 0.2
	}
	if c.Filled*10 < len(c.Values)*8 {
		return 0, "named like time, but a fifth of its cells are empty"
	}
	return score, ""
}

// advancing returns the shares of steps that do not go back, and that repeat; a column that never moves advances not.
func advancing(values []float64) (forward, repeat float64) {
	last := math.NaN()
	steps, up, same := 0, 0, 0
	for _, v := range values {
		if math.IsNaN(v) {
			continue
		}
		if !math.IsNaN(last) {
			steps++
			switch {
			case v > last:
				up++
			case v == last:
				same++
			}
		}
		last = v
	}
	if steps == 0 || up == 0 {
		return 0, 0
	}
	return float64(up+same) / float64(steps), float64(same) / float64(steps)
}

// makeClockwork turns a column into seconds.
func makeClockwork(tb *source.Table, i int, unitName string) (*clockwork, error) {
	c := tb.Columns[i]
	if c.Filled < 2 {
		return nil, &fault.Fault{Line: tb.Dialect.HeaderLine, What: fmt.Sprintf("time column %q has no values",
			c.Header),
			Remedy: "name another in channels.yaml"}
	}
	cw := &clockwork{index: i, base: TimeBase{Column: c.Header}, scale: 1, last: math.NaN()}
	switch c.Kind {
	case source.CellClock:
		cw.fromClock(tb, c)
	case source.CellStamp:
		cw.fromStamp(tb, c)
	default:
		if err := cw.fromNumbers(tb, c, unitName); err != nil {
			return nil, err
		}
	}
	n := header.Parse(header.Base(c.Header))
	if n.Respelled != "" {
		cw.base.Reason += "; " + n.Respelled + ", and it behaves as time"
	}
	cw.quantum = smallestStep(cw.seconds)
	_, repeat := advancing(cw.seconds)
	cw.coarse = repeat > 0.15 && cw.quantum >= 0.05
	cw.runTime = n.Has("run") || n.Has("engine") && !n.Has("local")
	if cw.coarse {
		kind := cw.base.Unit
		if cw.runTime {
			kind = "run time"
		}
		res := fmt.Sprintf("steps of %.3g s", cw.quantum)
		if math.Abs(cw.quantum-1) < 1e-9 {
			res = "whole seconds"
		}
		cw.base.Unit = fmt.Sprintf("%s (%s)", kind, res)
		cw.base.Reason += fmt.Sprintf("; %.0f %% of rows repeat the stamp before them, so rows are spread evenly "+
			"from each stamp to the next", 100*repeat)
	}
	return cw, nil
}

// fromClock unwraps a time of day at midnight.
func (cw *clockwork) fromClock(tb *source.Table, c *source.Column) {
	cw.base.Unit, cw.base.Reason = "clock", "time of day"
	if c.ClockParts == 2 {
		cw.base.Reason = "two parts, read as minutes and seconds"
	}
	cw.wraps = c.ClockParts > 2
	cw.extend(tb)
	if cw.nights > 0 {
		cw.base.Reason += fmt.Sprintf(", unwrapped at %d midnight(s)", cw.nights)
	}
}

// fromStamp takes date-times; where day and month cannot be told apart, a step of days is a step past midnight.
func (cw *clockwork) fromStamp(tb *source.Table, c *source.Column) {
	cw.base.Unit, cw.base.Reason = "date-time", "date and time of day"
	if cw.dates = c.DayMonthOpen(); cw.dates {
		cw.base.Reason += ", day and month in either order"
	}
	cw.extend(tb)
}

// extend gives the rows that have none yet their seconds.
func (cw *clockwork) extend(tb *source.Table) {
	for i := len(cw.seconds); i < tb.Rows; i++ {
		if cw.index < 0 {
			cw.seconds = append(cw.seconds, float64(cw.row)/cw.rate)
			cw.row++
			continue
		}
		cw.seconds = append(cw.seconds, cw.next(tb.Columns[cw.index].Values[i]))
	}
}

// next turns a reading of the time column into seconds.
func (cw *clockwork) next(v float64) float64 {
	switch {
	case math.IsNaN(v):
		return v
	case cw.wraps:
		if v < cw.last-12*3600 {
			cw.shift += 24 * 3600
			cw.nights++
		}
		cw.last = v
		return v + cw.shift
	case cw.dates:
		v += cw.shift
		if math.Abs(v-cw.last) > 36*3600 {
			days := math.Round((v - cw.last) / 86400)
			v -= days * 86400
			cw.shift -= days * 86400
		}
		cw.last = v
		return v
	case cw.rate > 0:
		return v / cw.rate
	}
	return cw.scale * v
}

// drop takes the first n rows off.
func (cw *clockwork) drop(n int) { cw.seconds = cw.seconds[:copy(cw.seconds, cw.seconds[n:])] }

// fromNumbers settles the unit of a numeric time column.
func (cw *clockwork) fromNumbers(tb *source.Table, c *source.Column, unitName string) error {
	u, why := timeUnit(c, unitName)
	if u == "" {
		return &fault.Fault{What: fmt.Sprintf("time column %q: %s", c.Header, why),
			Remedy: "state the unit in channels.yaml (time: {header: …, unit: s})"}
	}
	scale, _, err := unit.Linear(u, unit.Second)
	if err != nil {
		return &fault.Fault{What: fmt.Sprintf("time column %q", c.Header), Cause: err,
			Remedy: "state a unit of time in channels.yaml"}
	}
	cw.base.Unit, cw.base.Reason = string(u), why
	cw.scale = scale
	cw.extend(tb)
	return nil
}

// timeUnit reads the unit from the rule, the header or the units row, else concludes it from the values.
func timeUnit(c *source.Column, unitName string) (unit.Unit, string) {
	if unitName != "" {
		if u, err := unit.Parse(unitName); err == nil && u.Quantity() == unit.Time {
			return u, "unit " + string(u) + " as stated"
		}
		return "", fmt.Sprintf("%q is not a unit of time", unitName)
	}
	for _, way := range header.Units(c.Header, c.UnitsRow) {
		if way.Unit.Quantity() == unit.Time {
			return way.Unit, "unit " + string(way.Unit) + " as written"
		}
		if way.Text != "" && !way.Known && !header.ClockPattern(way.Text) {
			return "", fmt.Sprintf("its unit %q is not known", way.Text)
		}
	}
	values := finite(c.Values)
	mid := quantile(values, 0.5)
	step, whole := medianStep(c.Values), allWhole(values)
	switch {
	case mid > 5e8 && mid < 5e9:
		return unit.Second, "no unit is written; values are seconds since 1970"
	case mid > 5e11 && mid < 5e12:
		return unit.Millisecond, "no unit is written; values are milliseconds since 1970"
	case mid > 5e14 && mid < 5e15:
		return unit.Microsecond, "no unit is written; values are microseconds since 1970"
	case mid > 5e17 && mid < 5e18:
		return unit.Nanosecond, "no unit is written; values are nanoseconds since 1970"
	case step >= 5 && step <= 2000:
		return unit.Millisecond, fmt.Sprintf("no unit is written; steps of %.4g are milliseconds: no log is sampled "+
			"every %.4g s", step, step)
	case step > 2000:
		return "", fmt.Sprintf("no unit is written and steps of %.4g fit none", step)
	case whole && step == 1 && len(values) > 2 && values[len(values)-1]-values[0] > 6*3600:
		return "", "no unit is written and whole numbers over so long a span may be sample numbers"
	}
	return unit.Second, fmt.Sprintf("no unit is written; steps of %.4g are seconds", step)
}

// medianStep is the median of the steps forward.
func medianStep(values []float64) float64 {
	var steps []float64
	last := math.NaN()
	for _, v := range values {
		if math.IsNaN(v) {
			continue
		}
		if v > last {
			steps = append(steps, v-last)
		}
		last = v
	}
	return median(steps)
}

func allWhole(values []float64) bool {
	return !slices.ContainsFunc(values, func(v float64) bool { return v != math.Trunc(v) })
}

// stretch is the rows of one run, with their times once settled.
type stretch struct {
	rows     []int
	time     []float64
	findings []Finding
}

// minRestart is how many rows after a step back in time must stay behind it to make a new run of them.
const minRestart = 10

// ranges splits the rows at repeated headers and where time starts again.
func (cw *clockwork) ranges(tb *source.Table) [][2]int {
	var out [][2]int
	for i, start := range tb.Starts {
		end := tb.Rows
		if i+1 < len(tb.Starts) {
			end = tb.Starts[i+1]
		}
		out = append(out, cw.splitRestarts(start, end)...)
	}
	return out
}

// splitRestarts cuts [start, end) where time steps back and stays back.
func (cw *clockwork) splitRestarts(start, end int) [][2]int {
	var parts [][2]int
	from, high := start, math.Inf(-1)
	for i := start; i < end; i++ {
		v := cw.seconds[i]
		if math.IsNaN(v) {
			continue
		}
		if v < high && cw.staysBack(i, end, high) {
			parts = append(parts, [2]int{from, i})
			from, high = i, v
			continue
		}
		high = math.Max(high, v)
	}
	return append(parts, [2]int{from, end})
}

// staysBack reports whether the rows from i on stay behind high for long and themselves advance.
func (cw *clockwork) staysBack(i, end int, high float64) bool {
	n, back, last := 0, 0, math.Inf(-1)
	for j := i; j < end && n < 4*minRestart; j++ {
		v := cw.seconds[j]
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

// settle makes the time of one run strictly increasing: it drops rows whose time does not advance and spreads rows that
// share a coarse stamp.
func (cw *clockwork) settle(tb *source.Table, part [2]int, speed []float64) stretch {
	var s stretch
	var seconds []float64
	high := math.Inf(-1)
	noTime, back, twice, same := 0, 0, 0, 0
	prev := -1
	for i := part[0]; i < part[1]; i++ {
		v := cw.seconds[i]
		switch {
		case math.IsNaN(v):
			noTime++
			continue
		case v < high:
			back++
			continue
		case v == high && !cw.coarse:
			if prev >= 0 && tb.SameRow(prev, i) {
				twice++
			} else {
				same++
			}
			continue
		}
		high, prev = v, i
		s.rows = append(s.rows, i)
		seconds = append(seconds, v)
	}
	note := func(kind string, n int, format string, args ...any) {
		if n > 0 {
			s.findings = append(s.findings, Finding{Kind: kind, Samples: n, Removed: true, Detail: fmt.Sprintf(format,
				args...)})
		}
	}
	note(KindMissing, noTime, "%d rows have no time and were left out", noTime)
	note(KindTimeBackwards, back, "in %d rows time goes backwards: they were left out", back)
	note(KindDuplicate, twice, "%d rows are written twice: the second was left out", twice)
	note(KindDuplicate, same, "%d rows have the time of the row before but other values: they were left out", same)
	if len(seconds) == 0 {
		return s
	}
	if cw.coarse {
		seconds = cw.spread(&s, seconds, speed)
	}
	s.time = make([]float64, len(seconds))
	for i, v := range seconds {
		s.time[i] = v - seconds[0]
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
func (cw *clockwork) spread(s *stretch, stamps, speed []float64) []float64 {
	groups := groupStamps(stamps)
	var per, gaps, counts []float64
	for i := 0; i+1 < len(groups); i++ {
		gap := groups[i+1].at - groups[i].at
		per = append(per, gap/float64(groups[i].n))
		gaps = append(gaps, gap)
		counts = append(counts, float64(groups[i].n))
	}
	usual, usualGap, usualRows := median(per), median(gaps), median(counts)
	if math.IsNaN(usual) {
		usual, usualGap, usualRows = cw.quantum, cw.quantum, 1
	}
	out := make([]float64, 0, len(stamps))
	shift := 0.0
	standing, lastStanding := 0, -1
	for gi, g := range groups {
		gap := usual * float64(g.n)
		if gi+1 < len(groups) {
			gap = groups[gi+1].at - g.at
		}
		stopped := g.at == 0 && cw.runTime && speed != nil
		head := 0 // rows of this stamp that belong before it
		if stopped {
			for head < g.n && speed[s.rows[g.first+head]] == 0 {
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
			standing, lastStanding = standing+head, gi
		}
		step := math.Min(gap, 3*usualGap) / float64(max(1, rest))
		if stuck {
			step = usual
			standing, lastStanding = standing+rest, gi
		}
		for k := range rest {
			out = append(out, g.at+shift+step*float64(k))
		}
		if over := step*float64(rest) - gap; over > 0 {
			shift += over
		}
	}
	if lastStanding >= 0 {
		s.findings = append(s.findings, Finding{Kind: KindTime, Samples: standing,
			Detail: fmt.Sprintf("%d rows in which running time stands still are placed %.3g s apart, the usual "+
				"interval: their time is nominal", standing, usual)})
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

// rateOf is the median sampling rate of a time axis, 0 for fewer than two samples.
func rateOf(t []float64) (interval, rate float64) {
	if len(t) < 2 {
		return 0, 0
	}
	steps := make([]float64, len(t)-1)
	for i := range steps {
		steps[i] = t[i+1] - t[i]
	}
	interval = median(steps)
	if interval <= 0 {
		return 0, 0
	}
	return interval, 1 / interval
}

// describe says what the time column was taken to be.
func (cw *clockwork) describe() string {
	return strings.TrimSpace("time base, " + cw.base.Unit + ": " + cw.base.Reason)
}
