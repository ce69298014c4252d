package report

import (
	"cmp"
	"errors"
	"fmt"
	"html"
	"html/template"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"headroom/internal/ingest"
	"headroom/internal/report/show"
	"headroom/internal/result"
	"headroom/internal/runlog"
	"headroom/internal/say"
	"headroom/models/channel"
	"headroom/models/value"
)

// Traces are the channels of a run over time, one small drawing under the other on one time axis. Positions across are
// shares of the width, so that a page can be narrow without its text shrinking; only the line itself is stretched.

// InspectionPlots writes one self-contained HTML page: every channel of every run over time, with the pulls and steady
// stretches found, the doubts about the data where they were found, the reason each column was read as it was, and the
// columns not used. A long run is shown by its smallest and largest value a pixel column; samples that are missing
// leave a gap. Only opt.Units is used. A log that cannot be read is listed with its error. The error is for units that
// are not known, no inspection at all, and writing.
func InspectionPlots(w io.Writer, in []ingest.Inspection, opt Options) error {
	if len(in) == 0 {
		return errors.New("nothing to plot: no log was inspected")
	}
	d, err := show.NewDisplay(opt.Units)
	if err != nil {
		return err
	}
	doc := inspectDocument(in)
	doc.Kind, doc.Title = "inspect", "The logs over time"
	if len(in) == 1 {
		doc.Title = "The log over time"
	}
	for i := range in {
		if in[i].Run == nil || in[i].Error != "" {
			continue
		}
		if len(in[i].Run.Time) == 0 {
			doc.Sections[i].Intro = "The run holds no sample, so there is nothing to draw."
			doc.Sections[i].Blocks = nil
			continue
		}
		t, err := tracesOf(&in[i], d)
		if err != nil {
			return fmt.Errorf("plot %s: %w", in[i].Path, err)
		}
		doc.Sections[i].Intro = traceKey
		doc.Sections[i].Blocks = []block{{Facts: traceFacts(&in[i])}, {Traces: t}, unusedBlock(in[i].Run),
			segmentBlock(in[i].Segments), lagBlock(&in[i])}
	}
	return writeHTML(w, doc)
}

// traceKey says how to read the page.
const traceKey = "All plots share one time axis, which stays on top. Its bars are the pulls (solid edge) and the " +
	"steady stretches (dashed edge), shaded in every plot. " +
	"Hatching: the log has no rows. A numbered bar on top of a plot: a doubt, told below it. A break in a line: " +
	"samples are missing or were left out."

func traceFacts(in *ingest.Inspection) []fact {
	run := in.Run
	facts := []fact{
		{"Channels", strconv.Itoa(len(run.Series))},
		{"Columns not used", strconv.Itoa(len(unusedColumns(run)))},
		{"Data rows", fmt.Sprintf("%d, one every %s", run.Rows, seconds(run.SampleInterval, 3))},
		{"Pulls", strconv.Itoa(segmentsOf(in.Segments, kindPull))},
		{"Steady stretches", strconv.Itoa(segmentsOf(in.Segments, kindSteady))},
		{"Time", timeBase(run.TimeBase)},
	}
	if in.Platform != "" {
		facts = append(facts, fact{"Rules", "platform " + in.Platform + ", car " + or(in.Vehicle, "not named")})
	}
	return facts
}

func segmentsOf(segments []ingest.SegmentSummary, kind string) int {
	n := 0
	for _, s := range segments {
		if s.Kind == kind {
			n++
		}
	}
	return n
}

// unusedColumns are the columns no channel was made of; the time column is in use.
func unusedColumns(run *runlog.Run) []runlog.Column {
	var out []runlog.Column
	for _, c := range run.Columns {
		if c.Channel == "" && c.Header != run.TimeBase.Column {
			out = append(out, c)
		}
	}
	return out
}

func unusedBlock(run *runlog.Run) block {
	columns := unusedColumns(run)
	if len(columns) == 0 {
		return block{Text: "Every column of the log is used."}
	}
	t := &table{
		Caption: "Columns not used",
		Columns: []column{{Head: "#", Right: true}, {Head: "Header", Flex: true}, {Head: "Why not", Flex: true},
			{Head: "Nearest reading", Flex: true}},
	}
	for _, c := range columns {
		t.Rows = append(t.Rows, row{Cells: []cell{
			integer(c.Index + 1), text(or(c.Header, "(no header)")).toned(loud),
			text(or(c.Reason, "no reason was recorded")),
			text(or(strings.ReplaceAll(c.RunnerUp, "_", " "), "none")),
		}})
	}
	return block{Table: t}
}

// traces is what the page shows of one run.
type traces struct {
	Wide, Narrow template.HTML // the time axis with the segments named, for wide and narrow pages
	Doubts       []doubtNote   // about the whole log
	MoreDoubts   int           // that are not listed
	Panels       []tracePanel
}

// tracePanel is one channel over time.
type tracePanel struct {
	Title, Unit string
	Range       string // what the values reach from and to
	Reason      string // why the column was taken for this channel and unit
	Scale, SVG  template.HTML
	Doubts      []doubtNote
	MoreDoubts  int
}

// doubtNote is a finding in words. Mark is its number in the drawing, 0 where it has no place in time.
type doubtNote struct {
	Mark             int
	Kind, When, Text string
}

const (
	traceColumns  = 960  // pixel columns a line is drawn for
	subColumns    = 10   // steps in a column, for logs with fewer samples than columns
	traceHeight   = 1000 // units of the drawing of a line, top to bottom
	mostDoubts    = 8    // listed under a drawing
	mostMarks     = 200  // drawn in one drawing
	mostShaded    = 50   // percent of the width a finding may fill and still be shaded
	leastMarkGap  = 4.5  // percent of the width between two numbers of marks
	traceHeadroom = 0.16 // share of the height kept free for marks above the line
	traceFootroom = 0.06
)

func tracesOf(in *ingest.Inspection, d show.Display) (*traces, error) {
	run := in.Run
	a := timeAxis{from: run.Time[0], to: run.Time[len(run.Time)-1]}
	if a.to <= a.from {
		a.to = a.from + 1
	}
	gaps := holes(run)
	shade := a.shades(in.Segments, gaps)
	of := map[channel.ID][]runlog.Finding{}
	for _, f := range slices.Concat(run.Findings, in.Findings) {
		id := f.Channel
		if id != "" && run.Values(id) == nil {
			id = "" // a channel that is not drawn
		}
		of[id] = append(of[id], f)
	}
	t := &traces{}
	for i := range run.Series {
		p, err := a.panel(run, &run.Series[i], of[run.Series[i].Channel], gaps, shade, d)
		if err != nil {
			return nil, err
		}
		t.Panels = append(t.Panels, p)
	}
	placed := inTime(of[""])
	t.Doubts, t.MoreDoubts = notes(append(slices.Clone(placed), without(of[""])...), len(placed), false)
	t.Wide, t.Narrow = a.strip(in.Segments, placed, wideStrip), a.strip(in.Segments, placed, narrowStrip)
	return t, nil
}

// holes are the stretches in which the log has no rows.
func holes(run *runlog.Run) []runlog.Finding {
	var out []runlog.Finding
	for _, f := range run.Findings {
		if f.Kind == runlog.KindGap && value.Known(f.From) && value.Known(f.To) {
			out = append(out, f)
		}
	}
	return byStart(out)
}

// byStart sorts findings by the time they begin.
func byStart(findings []runlog.Finding) []runlog.Finding {
	slices.SortStableFunc(findings, func(a, b runlog.Finding) int { return cmp.Compare(a.From, b.From) })
	return findings
}

// notes are findings in words, the first ones; the first marks of them are numbered. drawn: they stand under their
// channel, so it need not be named.
func notes(findings []runlog.Finding, marks int, drawn bool) (out []doubtNote, more int) {
	for i, f := range findings {
		if i == mostDoubts {
			return out, len(findings) - i
		}
		n := doubtNote{Kind: plain(f.Kind), When: stretch(f.From, f.To), Text: or(f.Detail, "no detail was recorded")}
		if n.When == show.Missing {
			n.When = "no time stated"
		}
		if f.Channel != "" && !drawn {
			n.Text = plain(string(f.Channel)) + ": " + n.Text
		}
		if f.Removed {
			n.Text = strings.TrimSuffix(n.Text, ".") + "; " + count(f.Samples, "sample") + " left out"
		}
		if i < marks {
			n.Mark = i + 1
		}
		out = append(out, n)
	}
	return out, 0
}

func (a timeAxis) panel(run *runlog.Run, s *runlog.Series, findings []runlog.Finding, gaps []runlog.Finding,
	shade string, d show.Display) (tracePanel, error) {
	definition, ok := channel.Lookup(s.Channel)
	if !ok {
		return tracePanel{}, fmt.Errorf("channel %q is not in the channel table", s.Channel)
	}
	if len(s.Values) != len(run.Time) {
		return tracePanel{}, fmt.Errorf("channel %s has %d values at %d times", s.Channel, len(s.Values), len(run.Time))
	}
	placed := inTime(findings)
	scale := d.Of(string(definition.Unit))
	p := tracePanel{Title: say.Capital(plain(string(s.Channel))), Unit: scale.Name, Reason: readAs(run, s)}
	p.Doubts, p.MoreDoubts = notes(append(slices.Clone(placed), without(findings)...), len(placed), true)
	low, high := extremes(s.Values)
	lowest, highest := result.Number(low), result.Number(high)
	p.Range = "no usable sample"
	if value.Known(low) {
		p.Range = d.Interval(result.Span{lowest, highest}, string(definition.Unit))
		if low == high {
			p.Range = "always " + d.Value(lowest, string(definition.Unit))
		}
	}
	y := valueAxisOf(low*scale.Factor+scale.Offset, high*scale.Factor+scale.Offset)
	p.Scale = y.labels()
	var g drawing
	g.add(`<svg class="series" role="img" aria-label="%s">`, html.EscapeString(p.Title+" over time, "+p.Range))
	g.WriteString(shade)
	for _, v := range a.ticks() {
		g.across("rule", a.percent(v))
	}
	for _, v := range y.ticks {
		g.add(`<line class="rule" x1="0" x2="100%%" y1="%s" y2="%s"/>`, pct(y.percent(v)), pct(y.percent(v)))
	}
	a.marks(&g, placed, 0, 15)
	line, dots := a.path(run.Time, s.Values, gaps, scale, y)
	g.add(`<svg viewBox="0 0 %d %d" preserveAspectRatio="none" width="100%%" height="100%%">`, traceColumns*subColumns,
		traceHeight)
	if line != "" {
		g.add(`<path class="trace" d="%s"/>`, line)
	}
	if dots != "" {
		g.add(`<path class="trace dot" d="%s"/>`, dots)
	}
	g.add(`</svg>`)
	g.add(`</svg>`)
	p.SVG = template.HTML(g.String())
	return p, nil
}

// readAs says which column a channel comes from and why.
func readAs(run *runlog.Run, s *runlog.Series) string {
	from := "Column " + strconv.Quote(s.Column)
	for _, c := range run.Columns {
		if c.Channel != s.Channel || c.Header != s.Column {
			continue
		}
		out := from
		if c.Unit != "" {
			out += ", read in " + c.Unit
		}
		out += ": " + or(c.Reason, "no reason was recorded")
		if value.Known(c.Confidence) {
			out += " (" + share(c.Confidence) + " sure"
			if c.RunnerUp != "" {
				out += "; next best " + strings.ReplaceAll(c.RunnerUp, "_", " ")
			}
			out += ")"
		}
		return out
	}
	return from + ": no reason was recorded"
}

func extremes(values []float64) (low, high float64) {
	low, high = math.NaN(), math.NaN()
	for _, v := range values {
		if !value.Known(v) {
			continue
		}
		if math.IsNaN(low) || v < low {
			low = v
		}
		if math.IsNaN(high) || v > high {
			high = v
		}
	}
	return low, high
}

// inTime are the findings with a place in time, in time order; the rest have none.
func inTime(findings []runlog.Finding) []runlog.Finding {
	var out []runlog.Finding
	for _, f := range findings {
		if value.Known(f.From) && value.Known(f.To) {
			out = append(out, f)
		}
	}
	return byStart(out)
}

func without(findings []runlog.Finding) []runlog.Finding {
	var out []runlog.Finding
	for _, f := range findings {
		if !value.Known(f.From) || !value.Known(f.To) {
			out = append(out, f)
		}
	}
	return out
}
