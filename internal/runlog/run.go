// Package runlog answers one question: what does this log say, in stored units and on one time base, and how sure is
// that reading?
//
// A log is a table somebody's logger wrote: delimited text in some layout, or Parquet. The reader settles the layout,
// the header, the time base, and for each column the canonical channel and the unit; it writes down every decision
// with its reason and leaves out whatever it cannot settle. Names are matched against trade words and the parameter
// descriptions of SAE J1979; units follow NIST SP 811 through models/unit. The quality gate (quality.go) then takes
// samples out that no engine could have produced and keeps a finding for each.
//
// The steps before the gate have rooms of their own, none of which knows those after it: header (what a heading says),
// source (bytes to rows), channelmap (what the user says), timebase (when each row was taken) and reading (in which
// unit). Here they are put together, and it is decided which column is which channel.
package runlog

import (
	"headroom/internal/runlog/reading"
	"headroom/internal/runlog/source"
	"headroom/internal/runlog/timebase"
	"headroom/models/channel"
)

// Run is one log as read: canonical channels on one monotonic time base, with a record of every decision that led
// from bytes to numbers and every doubt about them. Values absent from the file or taken out by the quality gate are
// NaN. Nothing is interpolated; a channel that is read more slowly than rows are written holds its last reading, within
// an age limit and with a finding (KindHeld).
type Run struct {
	Source         string         // path as given by the caller
	Time           []float64      // seconds from the first sample, strictly increasing
	Series         []Series       // one per mapped channel, in channel-table order
	Unread         []Unread       // what columns left out hold, in file order; nil unless it was asked for
	Columns        []Column       // every column of the file, mapped or not, in file order
	Dialect        source.Dialect // how the bytes were laid out
	TimeBase       timebase.Base  // how the time axis was settled
	Findings       []Finding      // quality notes, in time order, then by channel
	SampleInterval float64        // median seconds between samples
	Rows           int            // data rows read from the file
	// kPa as stated for the log, else of the standard atmosphere at its altitude, else as it had to be assumed; 0:
	// nothing asked for it
	Barometer float64
	Assumed   reading.Air // what was assumed of Barometer; the zero value where it is stated
	// manifold pressure or its target is gauge pressure above the assumed surroundings
	ManifoldAssumed bool
	// seconds from the beginning of a run that was cut to this part of it; 0 when it starts a run
	Offset float64
}

// Series is one canonical channel of a run; len(Values) == len(Run.Time), in the channel's stored unit.
type Series struct {
	Channel channel.ID
	Column  string // header as written in the file; of merged columns all of them, joined by " + "
	Values  []float64
	Lag     float64 // seconds the column trails engine speed as stated in channels.yaml; 0 when nothing is stated
}

// Unread is what a column that is left out holds: numbers as written, which count for nothing. Columns that tell place
// or identity are not among them. len(Values) == len(Run.Time); cells without a number are NaN.
type Unread struct {
	Column int // 0-based position in the file
	Values []float64
}

// Column says what became of one column of the file and why.
type Column struct {
	Index      int        // 0-based position in the file
	Header     string     // as written, without identification numbers
	Channel    channel.ID // "" when not used
	Unit       string     // unit the values were taken to be in, "" when not used
	Reason     string     // why this channel and unit, or why not used
	Confidence float64    // 0–1
	RunnerUp   string     // second-best reading, "" when none
	Stoich     float64    // by which its air–fuel ratios were divided; 0 for another column

	Wanted     channel.ID   // of a column left out: the channel it would be, "" when its name is none's
	WantedUnit string       // in which it would be read, "" where that is not settled
	Lack       reading.Lack // what it lacks to be that channel, "" when it is used or nothing would make it one
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

// Channels lists the run's channels in channel-table order.
func (r *Run) Channels() []channel.ID {
	ids := make([]channel.ID, len(r.Series))
	for i := range r.Series {
		ids[i] = r.Series[i].Channel
	}
	return ids
}

// Duration is the time from the first to the last sample in seconds.
func (r *Run) Duration() float64 {
	if len(r.Time) == 0 {
		return 0
	}
	return r.Time[len(r.Time)-1]
}
