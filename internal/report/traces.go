package report

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"headroom/internal/ingest"
	"headroom/internal/report/draw"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
	"headroom/internal/runlog"
	"headroom/models/channel"
	"headroom/models/value"
)

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
		doc.Sections[i].Blocks = []text.Block{{Facts: traceFacts(&in[i])}, {Traces: t}}
		if pulls, key := pullsOf(&in[i], d); pulls != nil {
			doc.Sections[i].Blocks = append(doc.Sections[i].Blocks, text.Block{Text: key}, text.Block{Pulls: pulls})
		}
		doc.Sections[i].Blocks = append(doc.Sections[i].Blocks, unusedBlock(in[i].Run), segmentBlock(in[i].Segments),
			lagBlock(&in[i]))
	}
	return text.WriteHTML(w, doc)
}

// traceKey says how to read the page.
const traceKey = "All plots share one time axis, which stays on top. Its bars are the pulls (solid edge) and the " +
	"steady stretches (dashed edge), shaded in every plot. " +
	"Hatching: the log has no rows. A numbered bar on top of a plot: a doubt, told below it. A break in a line: " +
	"samples are missing or were left out. Grey: columns that are left out, as written."

func traceFacts(in *ingest.Inspection) []text.Fact {
	run := in.Run
	facts := []text.Fact{
		{Name: "Channels", Value: strconv.Itoa(len(run.Series))},
		{Name: "Columns not used", Value: strconv.Itoa(len(unusedColumns(run)))},
		{Name: "Data rows", Value: fmt.Sprintf("%d, one every %s", run.Rows, seconds(run.SampleInterval, 3))},
		{Name: "Pulls", Value: strconv.Itoa(segmentsOf(in.Segments, kindPull))},
		{Name: "Steady stretches", Value: strconv.Itoa(segmentsOf(in.Segments, kindSteady))},
		{Name: "Time", Value: timeBase(run.TimeBase)},
	}
	if in.Platform != "" {
		facts = append(facts, text.Fact{Name: "Rules", Value: "platform " + in.Platform + ", car " +
			"" + or(in.Vehicle, "not named")})
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

func unusedBlock(run *runlog.Run) text.Block {
	columns := unusedColumns(run)
	if len(columns) == 0 {
		return text.Block{Text: "Every column of the log is used."}
	}
	t := &text.Table{
		Caption: "Columns not used",
		Columns: []text.Column{{Head: "#", Right: true}, {Head: "Header", Flex: true}, {Head: "Why not", Flex: true},
			{Head: "Nearest reading", Flex: true}},
	}
	for _, c := range columns {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			integer(c.Index + 1), text.Of(or(c.Header, "(no header)")).Toned(text.Loud),
			text.Of(or(c.Reason, "no reason was recorded")),
			text.Of(or(strings.ReplaceAll(c.RunnerUp, "_", " "), "none")),
		}})
	}
	return text.Block{Table: t}
}

const mostDoubts = 8 // listed, and numbered, under a drawing

func tracesOf(in *ingest.Inspection, d show.Display) (*text.Traces, error) {
	run := in.Run
	line := draw.NewTimeline(run.Time, stretchesOf(in.Segments), holes(run), mostDoubts)
	of := map[channel.ID][]runlog.Finding{}
	for _, f := range slices.Concat(run.Findings, in.Findings) {
		id := f.Channel
		if id != "" && run.Values(id) == nil {
			id = "" // a channel that is not drawn
		}
		of[id] = append(of[id], f)
	}
	t := &text.Traces{}
	for i := range run.Series {
		p, err := panelOf(line, run, &run.Series[i], of[run.Series[i].Channel], d)
		if err != nil {
			return nil, err
		}
		t.Panels = append(t.Panels, p)
	}
	for _, u := range run.Unread[:min(len(run.Unread), mostUnread)] {
		t.Panels = append(t.Panels, unreadPanel(line, run, u))
	}
	placed := inTime(of[""])
	t.Doubts, t.MoreDoubts = notes(append(slices.Clone(placed), without(of[""])...), len(placed), false)
	t.Wide, t.Narrow = line.Axis(marksOf(placed))
	return t, nil
}

// holes are the stretches in which the log has no rows.
func holes(run *runlog.Run) []draw.Mark {
	var gaps []runlog.Finding
	for _, f := range run.Findings {
		if f.Kind == runlog.KindGap {
			gaps = append(gaps, f)
		}
	}
	var out []draw.Mark
	for _, f := range inTime(gaps) {
		out = append(out, draw.Mark{From: f.From, To: f.To, Title: "no rows, " + stretch(f.From, f.To)})
	}
	return out
}

// marksOf are findings with a place in time as they are drawn.
func marksOf(findings []runlog.Finding) []draw.Mark {
	out := make([]draw.Mark, len(findings))
	for i, f := range findings {
		out[i] = draw.Mark{From: f.From, To: f.To,
			Title: text.Clean(plain(f.Kind) + ", " + stretch(f.From, f.To) + ": " + f.Detail)}
	}
	return out
}

// stretchesOf are the segments with a place in time, each named by its kind and its number among its kind.
func stretchesOf(segments []ingest.SegmentSummary) []draw.Stretch {
	var out []draw.Stretch
	seen := map[string]int{}
	for _, s := range segments {
		seen[s.Kind]++
		if !value.Known(s.From) || !value.Known(s.To) {
			continue
		}
		name, speed := plain(s.Kind)+" "+strconv.Itoa(seen[s.Kind]), speedSpan(s)
		title := name + ", " + stretch(s.From, s.To)
		if speed != "" {
			title += ", " + speed
		}
		out = append(out, draw.Stretch{From: s.From, To: s.To, Pull: s.Kind == kindPull, Name: name, Speed: speed,
			Title: title})
	}
	return out
}

func speedSpan(s ingest.SegmentSummary) string {
	if !value.Known(s.RPMFrom) || !value.Known(s.RPMTo) {
		return ""
	}
	if math.Abs(s.RPMTo-s.RPMFrom) < steadySpan {
		return show.Fixed((s.RPMFrom+s.RPMTo)/2, 0) + show.NBSP + "rpm"
	}
	return show.Fixed(s.RPMFrom, 0) + "–" + show.Fixed(s.RPMTo, 0) + show.NBSP + "rpm"
}

// steadySpan is the change of engine speed from end to end, rpm, below which one speed is named instead of two.
const steadySpan = 50

// byStart sorts findings by the time they begin.
func byStart(findings []runlog.Finding) []runlog.Finding {
	slices.SortStableFunc(findings, func(a, b runlog.Finding) int { return cmp.Compare(a.From, b.From) })
	return findings
}

// notes are findings in words, the first ones; the first marks of them are numbered. drawn: they stand under their
// channel, so it need not be named.
func notes(findings []runlog.Finding, marks int, drawn bool) (out []text.DoubtNote, more int) {
	for i, f := range findings {
		if i == mostDoubts {
			return out, len(findings) - i
		}
		n := text.DoubtNote{Kind: plain(f.Kind), When: stretch(f.From, f.To),
			Text: or(f.Detail, "no detail was recorded")}
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

func panelOf(line *draw.Timeline, run *runlog.Run, s *runlog.Series, findings []runlog.Finding,
	d show.Display) (text.TracePanel, error) {
	definition, ok := channel.Lookup(s.Channel)
	if !ok {
		return text.TracePanel{}, fmt.Errorf("channel %q is not in the channel table", s.Channel)
	}
	if len(s.Values) != len(run.Time) {
		return text.TracePanel{}, fmt.Errorf("channel %s has %d values at %d times", s.Channel, len(s.Values),
			len(run.Time))
	}
	placed, scale := inTime(findings), d.Of(string(definition.Unit))
	p := text.TracePanel{Title: capital(plain(string(s.Channel))), Unit: scale.Name, Reason: readAs(run, s)}
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
	p.Scale, p.SVG = line.Series(draw.Series{Label: p.Title + " over time, " + p.Range, Values: s.Values, Low: low,
		High: high, Scale: scale, Marks: marksOf(placed)})
	return p, nil
}

// mostUnread is how many columns that are left out are drawn.
const mostUnread = 30

// unreadPanel draws a column that is left out as it is written, in grey.
func unreadPanel(line *draw.Timeline, run *runlog.Run, u runlog.Unread) text.TracePanel {
	c := run.Columns[u.Column]
	low, high := extremes(u.Values)
	p := text.TracePanel{Title: text.Clean(or(c.Header, fmt.Sprintf("column %d", u.Column+1))), Unread: true,
		Range: "no number", Reason: "As written, and " + or(c.Reason, "no reason was recorded")}
	if value.Known(low) {
		p.Range = strconv.FormatFloat(low, 'g', 4, 64) + " to " + strconv.FormatFloat(high, 'g', 4, 64)
	}
	p.Scale, p.SVG = line.Series(draw.Series{Label: p.Title + " as written, over time, " + p.Range, Values: u.Values,
		Low: low, High: high, Scale: show.Scale{Factor: 1}, Unread: true})
	return p
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
