// Package runlog answers one question: what does this log say, in stored units and on one time base, and how sure is
// that reading?
//
// A log is a table somebody's logger wrote: delimited text in some layout, or Parquet. The reader settles the layout,
// the header, the time base, and for each column the canonical channel and the unit; it writes down every decision
// with its reason and leaves out whatever it cannot settle. Names are matched against trade words and the parameter
// descriptions of SAE J1979; units follow NIST SP 811 through models/unit. The quality gate (quality.go) then takes
// samples out that no engine could have produced and keeps a finding for each.
package runlog

import (
	"headroom/internal/runlog/source"
	"headroom/models/channel"
)

// Run is one log as read: canonical channels on one monotonic time base, with a record of every decision that led
// from bytes to numbers and every doubt about them. Values absent from the file or taken out by the quality gate
// are NaN; nothing is interpolated here.
type Run struct {
	Source         string         // path as given by the caller
	Time           []float64      // seconds from the first sample, strictly increasing
	Series         []Series       // one per mapped channel, in channel-table order
	Columns        []Column       // every column of the file, mapped or not, in file order
	Dialect        source.Dialect // how the bytes were laid out
	TimeBase       TimeBase       // how the time axis was settled
	Findings       []Finding      // quality notes, in time order, then by channel
	SampleInterval float64        // median seconds between samples
	Rows           int            // data rows read from the file
	// seconds from the beginning of a run that was cut to this part of it; 0 when it starts a run
	Offset float64
}

// Series is one canonical channel of a run; len(Values) == len(Run.Time), in the channel's stored unit.
type Series struct {
	Channel channel.ID
	Column  string // header as written in the file
	Values  []float64
	Lag     float64 // seconds the column trails engine speed as stated in channels.yaml; 0 when nothing is stated
}

// Column says what became of one column of the file and why.
type Column struct {
	Index      int        // 0-based position in the file
	Header     string     // as written
	Channel    channel.ID // "" when not used
	Unit       string     // unit the values were taken to be in, "" when not used
	Reason     string     // why this channel and unit, or why not used
	Confidence float64    // 0–1
	RunnerUp   string     // second-best reading, "" when none
}

// TimeBase says which column gives time and how it was made strictly increasing.
type TimeBase struct {
	Column string  // header, or "" when rows are numbered at a stated rate
	Unit   string  // "s", "ms", "clock", "run time (whole seconds)", …
	Rate   float64 // samples a second (median)
	Reason string
}

// Kinds of finding.
const (
	KindOutOfRange    = "out_of_range"   // outside the channel's plausible range
	KindStuck         = "stuck"          // no variance while the engine moves
	KindFrozen        = "frozen"         // stood still for a stretch while the engine moved
	KindStep          = "step"           // changed faster than the quantity can
	KindMissing       = "missing"        // samples absent
	KindClipped       = "clipped"        // stopped at the end of its scale
	KindCrossed       = "crossed"        // two columns look exchanged
	KindCold          = "cold"           // engine not warm
	KindTimeBackwards = "time_backwards" // rows whose time did not advance
	KindDuplicate     = "duplicate"      // rows written more than once
	KindGap           = "gap"            // a hole in time
	KindJitter        = "jitter"         // uneven sample interval
	KindTime          = "time"           // how time was made where the file leaves it open
	KindLayout        = "layout"         // rows or cells that do not fit the table
	KindAssumption    = "assumption"     // something the file does not say and the reader had to take from elsewhere
	KindPrivacy       = "privacy"        // columns dropped because they tell place or identity
	KindHeld          = "held"           // empty cells filled with the last reading, within an age limit
	KindCut           = "cut"            // a run too long to be held at once was cut here
)

// Finding is one doubt about the data: what, where and what was done about it.
type Finding struct {
	Channel  channel.ID // "" for the whole file
	Kind     string     // one of the Kind constants
	From, To float64    // seconds
	Samples  int
	Detail   string // one plain sentence, with values and units
	Removed  bool   // samples were taken out of evidence (set to NaN)
}

// Values returns the series of a channel, or nil when the run does not have it.
func (r *Run) Values(id channel.ID) []float64 {
	for i := range r.Series {
		if r.Series[i].Channel == id {
			return r.Series[i].Values
		}
	}
	return nil
}
