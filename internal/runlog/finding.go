package runlog

import (
	"fmt"

	"headroom/internal/runlog/reading"
	"headroom/internal/runlog/source"
	"headroom/internal/runlog/timebase"
	"headroom/models/channel"
)

// Kinds of finding.
const (
	KindOutOfRange    = "out_of_range"   // outside the channel's plausible range
	KindStuck         = "stuck"          // no variance while the engine moves
	KindFrozen        = "frozen"         // stood still for a stretch while the engine moved
	KindStep          = "step"           // changed faster than the quantity can
	KindMissing       = "missing"        // samples absent
	KindClipped       = "clipped"        // stopped at the end of its scale
	KindCrossed       = "crossed"        // two columns look exchanged
	KindComputed      = "computed"       // made from another channel, not measured
	KindCold          = "cold"           // engine not warm
	KindTimeBackwards = "time_backwards" // rows in which time goes backwards
	KindDuplicate     = "duplicate"      // rows, times or readings written more than once
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

// layoutFindings are what did not fit the layout of a log.
func layoutFindings(notes []source.Note) []Finding {
	var out []Finding
	for _, n := range notes {
		out = append(out, Finding{Kind: KindLayout, Samples: n.Samples, Detail: n.Detail})
	}
	return out
}

// timeFindings are what had to be done to make the time of a run strictly increasing.
func timeFindings(s timebase.Stretch) []Finding {
	var out []Finding
	leftOut := func(kind string, n int, format string) {
		if n > 0 {
			out = append(out, Finding{Kind: kind, Samples: n, Removed: true, Detail: fmt.Sprintf(format, n)})
		}
	}
	leftOut(KindMissing, s.LeftOut.NoTime, "%d rows have no time and were left out")
	leftOut(KindTimeBackwards, s.LeftOut.Backwards, "in %d rows time goes backwards: they were left out")
	leftOut(KindDuplicate, s.LeftOut.Twice, "%d rows are written twice: the second was left out")
	leftOut(KindDuplicate, s.LeftOut.Repeated,
		"%d rows have the time of the row before but other values: they were left out")
	if s.Nominal > 0 {
		out = append(out, Finding{Kind: KindTime, Samples: s.Nominal,
			Detail: fmt.Sprintf("%d rows in which running time stands still are placed %.3g s apart, the usual "+
				"interval: their time is nominal", s.Nominal, s.Step)})
	}
	return out
}

// readingFindings are what a channel's reading had to assume or take out.
func readingFindings(id channel.ID, r reading.Reading) []Finding {
	var out []Finding
	for _, a := range r.Assumptions {
		out = append(out, Finding{Channel: id, Kind: KindAssumption, Detail: a})
	}
	if r.Floored >= clippedRun {
		out = append(out, Finding{Channel: id, Kind: KindClipped, Samples: r.Floored, Removed: true,
			Detail: fmt.Sprintf("%d samples stand at zero boost with the engine turning: the gauge does not show "+
				"vacuum, so the pressure there is not known", r.Floored)})
	}
	return out
}
