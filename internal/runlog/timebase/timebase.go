// Package timebase answers one question: when was each row of a log taken, in seconds on an axis that only goes
// forward?
//
// The time column is found by the user's word, else by name and behaviour; clocks are unwrapped at midnight, rows that
// share a coarse stamp are spread, rows whose time does not advance are left out, and where time starts again a run of
// its own begins. Without a time column rows are numbered at a stated rate. All rules are common practice, no source.
package timebase

import (
	"fmt"
	"math"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/runlog/channelmap"
	"headroom/internal/runlog/header"
	"headroom/internal/runlog/samples"
	"headroom/internal/runlog/source"
	"headroom/models/unit"
)

// Base says which column gives time and how it was made strictly increasing.
type Base struct {
	Column string  // header, or "" when rows are numbered at a stated rate
	Unit   string  // "s", "ms", "clock", "run time (whole seconds)", …
	Rate   float64 // samples a second (median)
	Reason string
}

// Axis is the time axis of a table before runs are cut.
type Axis struct {
	Seconds    []float64 // of every row in hand, NaN where the row has no time
	Base       Base
	Column     int            // index of the time column, −1 without one
	PassedOver map[int]string // columns that also look like time, with the reason they were passed over

	coarse  bool    // stamps repeat: several rows share one
	runTime bool    // counts engine running time
	quantum float64 // smallest step, s

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

// Settle finds the time column by the user's rule, then by name and behaviour, or numbers the rows at a rate, the
// rule's or else the stated one in samples a second (0: none). Columns that the rule makes channels are not time. The
// error is a *fault.Fault.
func Settle(tb *source.Table, rule channelmap.FileRule, stated float64) (*Axis, error) {
	if rule.Time != nil {
		for i, c := range tb.Columns {
			if header.Fold(c.Header) == header.Fold(rule.Time.Header) {
				return namedTime(tb, i, rule.Time.Unit)
			}
		}
		return nil, &fault.Fault{What: fmt.Sprintf("the time column %q of channels.yaml is not in the file",
			rule.Time.Header), Remedy: "correct time.header"}
	}
	taken := takenBy(rule, tb)
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
		return numbered(tb, rule, stated, others, taken)
	}
	delete(others, best)
	a, err := newAxis(tb, best, "")
	if err != nil {
		return nil, err
	}
	a.PassedOver = others
	if runner >= 0 {
		a.Base.Reason += fmt.Sprintf("; passed over: %q", tb.Columns[runner].Header)
	}
	return a, nil
}

// takenBy lists the columns a user's map gives a channel, which therefore are not time.
func takenBy(rule channelmap.FileRule, tb *source.Table) map[int]bool {
	taken := map[int]bool{}
	for i, c := range tb.Columns {
		if r, ok := rule.Find(c.Header); ok && r.Channel != "none" {
			taken[i] = true
		}
	}
	return taken
}

// namedTime is the time column the user named.
func namedTime(tb *source.Table, i int, unitName string) (*Axis, error) {
	a, err := newAxis(tb, i, unitName)
	if err != nil {
		return nil, err
	}
	a.Base.Reason = "named in channels.yaml; " + a.Base.Reason
	return a, nil
}

// numbered is the axis of a file without a time column.
func numbered(tb *source.Table, rule channelmap.FileRule, stated float64, others map[int]string,
	taken map[int]bool) (*Axis, error) {
	rate, from := stated, "stated"
	if rule.Rate > 0 {
		rate, from = rule.Rate, "stated in channels.yaml"
	}
	if !(rate > 0) || math.IsInf(rate, 0) {
		f := &fault.Fault{Line: tb.Dialect.HeaderLine,
			What:   "no time column: no header names time with values that advance",
			Remedy: "name it in channels.yaml (time: {header: …, unit: s}), or state rate: samples a second"}
		if i := advancingColumn(tb, taken); i >= 0 {
			f.What += fmt.Sprintf("; column %q advances, by %.4g a row", tb.Columns[i].Header,
				medianStep(tb.Columns[i].Values))
			f.Remedy = fmt.Sprintf("if that is time, write time: {header: %q, unit: s} (or ms) in channels.yaml; "+
				"else name another, or state rate: samples a second", tb.Columns[i].Header)
		}
		return nil, f
	}
	if i := indexColumn(tb, taken); i >= 0 {
		a := &Axis{Column: i, PassedOver: others, rate: rate}
		a.Base = Base{Column: tb.Columns[i].Header, Unit: "sample number", Rate: rate,
			Reason: fmt.Sprintf("no time column; samples are counted, %g a second, %s", rate, from)}
		a.Extend(tb)
		return a, nil
	}
	a := &Axis{Column: -1, PassedOver: others, rate: rate}
	a.Base = Base{Unit: "row number", Rate: rate, Reason: fmt.Sprintf("no time column; rows are numbered at %g "+
		"a second, %s", rate, from)}
	a.Extend(tb)
	return a, nil
}

// newAxis turns a column into seconds.
func newAxis(tb *source.Table, i int, unitName string) (*Axis, error) {
	c := tb.Columns[i]
	if c.Filled < 2 {
		return nil, &fault.Fault{Line: tb.Dialect.HeaderLine,
			What: fmt.Sprintf("time column %q has no values", c.Header), Remedy: "name another in channels.yaml"}
	}
	a := &Axis{Column: i, Base: Base{Column: c.Header}, scale: 1, last: math.NaN()}
	switch c.Kind {
	case source.CellClock:
		a.fromClock(tb, c)
	case source.CellStamp:
		a.fromStamp(tb, c)
	default:
		if err := a.fromNumbers(tb, c, unitName); err != nil {
			return nil, err
		}
	}
	n := header.Parse(header.Base(c.Header))
	if n.Respelled != "" {
		a.Base.Reason += "; " + n.Respelled + ", and it behaves as time"
	}
	a.quantum = samples.Resolution(samples.Sorted(a.Seconds))
	_, repeat := advancing(a.Seconds)
	a.coarse = repeat > 0.15 && a.quantum >= 0.05
	a.runTime = n.Has("run") || n.Has("engine") && !n.Has("local")
	if a.coarse {
		kind := a.Base.Unit
		if a.runTime {
			kind = "run time"
		}
		res := fmt.Sprintf("steps of %.3g s", a.quantum)
		if math.Abs(a.quantum-1) < 1e-9 {
			res = "whole seconds"
		}
		a.Base.Unit = fmt.Sprintf("%s (%s)", kind, res)
		a.Base.Reason += fmt.Sprintf("; %.0f %% of rows repeat the stamp before them, so rows are spread evenly "+
			"from each stamp to the next", 100*repeat)
	}
	return a, nil
}

// fromClock unwraps a time of day at midnight.
func (a *Axis) fromClock(tb *source.Table, c *source.Column) {
	a.Base.Unit, a.Base.Reason = "clock", "time of day"
	if c.ClockParts == 2 {
		a.Base.Reason = "two parts, read as minutes and seconds"
	}
	a.wraps = c.ClockParts > 2
	a.Extend(tb)
	if a.nights > 0 {
		a.Base.Reason += fmt.Sprintf(", unwrapped at %d midnight(s)", a.nights)
	}
}

// fromStamp takes date-times; where day and month cannot be told apart, a step of days is a step past midnight.
func (a *Axis) fromStamp(tb *source.Table, c *source.Column) {
	a.Base.Unit, a.Base.Reason = "date-time", "date and time of day"
	if a.dates = c.DayMonthOpen(); a.dates {
		a.Base.Reason += ", day and month in either order"
	}
	a.Extend(tb)
}

// Extend gives the rows that have none yet their seconds.
func (a *Axis) Extend(tb *source.Table) {
	for i := len(a.Seconds); i < tb.Rows; i++ {
		if a.Column < 0 {
			a.Seconds = append(a.Seconds, float64(a.row)/a.rate)
			a.row++
			continue
		}
		a.Seconds = append(a.Seconds, a.next(tb.Columns[a.Column].Values[i]))
	}
}

// next turns a reading of the time column into seconds.
func (a *Axis) next(v float64) float64 {
	switch {
	case math.IsNaN(v):
		return v
	case a.wraps:
		if v < a.last-12*3600 {
			a.shift += 24 * 3600
			a.nights++
		}
		a.last = v
		return v + a.shift
	case a.dates:
		v += a.shift
		if math.Abs(v-a.last) > 36*3600 {
			days := math.Round((v - a.last) / 86400)
			v -= days * 86400
			a.shift -= days * 86400
		}
		a.last = v
		return v
	case a.rate > 0:
		return v / a.rate
	}
	return a.scale * v
}

// Drop takes the first n rows off.
func (a *Axis) Drop(n int) { a.Seconds = a.Seconds[:copy(a.Seconds, a.Seconds[n:])] }

// fromNumbers settles the unit of a numeric time column.
func (a *Axis) fromNumbers(tb *source.Table, c *source.Column, unitName string) error {
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
	a.Base.Unit, a.Base.Reason = string(u), why
	a.scale = scale
	a.Extend(tb)
	return nil
}

// Describe says what the time column was taken to be.
func (a *Axis) Describe() string {
	return strings.TrimSpace("time base, " + a.Base.Unit + ": " + a.Base.Reason)
}
