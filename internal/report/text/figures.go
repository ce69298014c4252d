package text

import "html/template"

// Figures are what only a page shows; the other formats have the table beside them.

// Plot is a finished drawing with its heading, or a note why there is none.
type Plot struct {
	Title, Note string // Note stands below the heading; "" for none
	SVG         template.HTML
}

// Grid is one metric over speed and load (html only; the other formats show the table beside it).
type Grid struct {
	Caption, Note string
	Fold          string // shown folded away under these words; "" for open
	Columns       []string
	Rows          []GridRow
}

// GridRow is the cells of one load, which its head names, at the speeds of the grid's columns.
type GridRow struct {
	Head  string
	Cells []GridCell
}

// GridCell shows a number; Shade 1–6 is its place between the grid's smallest and largest, 0 is no number.
type GridCell struct {
	Text, Sub string
	Shade     int
}

// Traces is what the page shows of one run.
type Traces struct {
	Wide, Narrow template.HTML // the time axis with the segments named, for wide and narrow pages
	Doubts       []DoubtNote   // about the whole log
	MoreDoubts   int           // that are not listed
	Panels       []TracePanel
}

// TracePanel is one channel over time.
type TracePanel struct {
	Title, Unit string
	Range       string // what the values reach from and to
	Reason      string // why the column was taken for this channel and unit
	Unread      bool   // it is a column that is left out
	Scale, SVG  template.HTML
	Doubts      []DoubtNote
	MoreDoubts  int
}

// Pulls is what the page shows of a run's pulls: laid over one another, and each by itself.
type Pulls struct {
	Pens   []PullPen   // of the pulls laid over one another
	Panels []PullPanel // over engine speed, and over time since the pull began
	Still  string      // what does not move in them, in a sentence; "" where all does
	Zooms  []PullZoom  // in order of time
}

// PullPen is a pull and the line that it has.
type PullPen struct {
	Pen  template.HTML
	Text string
}

// PullPanel is one channel, drawn once or in two ways beside each other.
type PullPanel struct {
	Title, Unit, Note string
	Views             []PullView
}

// PullView is one drawing with the numbers of its axes, and what the lower one counts.
type PullView struct {
	Scale, SVG, Axis template.HTML
	Across           string
}

// PullZoom is one pull by itself, folded away under its summary.
type PullZoom struct {
	Summary string
	Panels  []PullPanel
}

// DoubtNote is a finding in words. Mark is its number in the drawing, 0 where it has no place in time.
type DoubtNote struct {
	Mark             int
	Kind, When, Text string
}
