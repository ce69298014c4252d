package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"headroom/internal/ingest"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
	"headroom/internal/runlog"
	"headroom/internal/runlog/source"
	"headroom/internal/runlog/timebase"
	"headroom/models/value"
)

func inspectDocument(in []ingest.Inspection) text.Document {
	failed := 0
	for i := range in {
		if in[i].Error != "" {
			failed++
		}
	}
	doc := text.Document{
		Kind: "inspect", Title: "How the logs are read",
		Facts: []text.Fact{{Name: "Runs", Value: strconv.Itoa(len(in) - failed)},
			{Name: "Not readable", Value: strconv.Itoa(failed)}},
	}
	for i := range in {
		doc.Sections = append(doc.Sections, inspectSection(i, &in[i]))
	}
	return doc
}

func inspectSection(i int, in *ingest.Inspection) text.Section {
	s := text.Section{ID: "log-" + strconv.Itoa(i+1), Title: in.Path, Named: true}
	if in.Parts > 1 {
		s.Title += fmt.Sprintf(", run %d of %d", in.Part, in.Parts)
	}
	if in.Error != "" || in.Run == nil {
		s.Intro = "Not readable: " + or(in.Error, "no reason was recorded")
		if in.Columns != nil {
			s.Blocks = []text.Block{{Text: "Its columns, as far as they can be told:"},
				{Table: columnTable(in.Columns)}}
		}
		return s
	}
	s.Blocks = []text.Block{{Facts: inspectFacts(in)}, {Table: columnTable(in.Run)}}
	s.Blocks = append(s.Blocks, findingBlock(append(append([]runlog.Finding{}, in.Run.Findings...), in.Findings...)))
	s.Blocks = append(s.Blocks, segmentBlock(in.Segments), lagBlock(in))
	return s
}

func inspectFacts(in *ingest.Inspection) []text.Fact {
	run := in.Run
	facts := []text.Fact{
		{Name: "Layout", Value: layout(run.Dialect)},
		{Name: "Lines", Value: lines(run.Dialect)},
		{Name: "Time", Value: timeBase(run.TimeBase)},
		{Name: "Data rows", Value: fmt.Sprintf("%d, one every %s", run.Rows, seconds(run.SampleInterval, 3))},
		{Name: "Rules", Value: "the defaults: the log is not one of the workspace's"},
		{Name: "Absolute load", Value: plain(in.LoadSource)},
		{Name: "Evidence", Value: count(in.Rows, "row")},
	}
	if in.Platform != "" {
		facts[4].Value = "platform " + in.Platform + ", car " + or(in.Vehicle, "not named")
	}
	if in.LoadSource == "" {
		facts[5].Value = show.Missing + " (neither logged nor computable, so no cells)"
	}
	return facts
}

func layout(d source.Dialect) string {
	parts := []string{or(d.Encoding, "encoding not stated")}
	if d.Compression != "" && d.Compression != "none" {
		parts = append(parts, d.Compression)
	}
	if d.Delimiter != "" {
		parts = append(parts, "columns split by "+delimiterName(d.Delimiter))
	}
	if d.Decimal != "" {
		parts = append(parts, "decimal mark "+strconv.Quote(d.Decimal))
	}
	return strings.Join(parts, ", ") + because(d.Reason)
}

func delimiterName(s string) string {
	switch s {
	case "\t":
		return "tabs"
	case " ":
		return "blanks"
	}
	return strconv.Quote(s)
}

func lines(d source.Dialect) string {
	if d.FirstData == 0 {
		return show.Missing + " (not a text table)"
	}
	units := "no units row"
	if d.UnitsLine > 0 {
		units = fmt.Sprintf("units in line %d", d.UnitsLine)
	}
	return fmt.Sprintf("header in line %d, %s, data from line %d", d.HeaderLine, units, d.FirstData)
}

func timeBase(t timebase.Base) string {
	from := "rows numbered"
	if t.Column != "" {
		from = "column " + strconv.Quote(t.Column)
	}
	if t.Unit != "" {
		from += " in " + t.Unit
	}
	return fmt.Sprintf("%s, %s rows a second%s", from, show.Number(result.Number(t.Rate), 1), because(t.Reason))
}

func because(reason string) string {
	if reason == "" {
		return ""
	}
	return " (" + reason + ")"
}

// seconds is a time with n decimals.
func seconds(v float64, n int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return show.Missing
	}
	return show.Fixed(v, n) + show.NBSP + "s"
}

func columnTable(run *runlog.Run) *text.Table {
	t := &text.Table{
		Caption: "Columns",
		Columns: []text.Column{{Head: "Header", Flex: true}, {Head: "Channel", Flex: true}, {Head: "Unit"},
			{Head: "Sure", Right: true}, {Head: "Why", Flex: true},
			{Head: "Next best", Flex: true, Wide: true}},
		Absent: "not used; the column Why says the reason.",
	}
	for _, c := range run.Columns {
		id := text.Of(show.Missing).Toned(text.Faint)
		if c.Channel != "" {
			id = text.Of(plain(string(c.Channel))).Toned(text.Loud)
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(or(c.Header, "(no header)")), id, text.Of(or(c.Unit, show.Missing)), text.Of(share(c.Confidence)),
			text.Of(or(c.Reason, "no reason was recorded")), text.Of(or(strings.ReplaceAll(c.RunnerUp, "_", " "),
				"none")),
		}})
	}
	return t
}

// share is a fraction of one as whole percent.
func share(v float64) string {
	if !value.Known(v) {
		return show.Missing
	}
	return show.Fixed(100*v, 0) + show.NBSP + "%"
}

func findingBlock(findings []runlog.Finding) text.Block {
	if len(findings) == 0 {
		return text.Block{Text: "No doubts about the data."}
	}
	t := &text.Table{
		Caption: "Doubts about the data",
		Columns: []text.Column{{Head: "What"}, {Head: "Channel", Flex: true}, {Head: "From – to", Right: true},
			{Head: "Samples", Right: true},
			{Head: "Left out"}, {Head: "Detail", Flex: true}},
		Absent: "not stated.",
	}
	for _, f := range findings {
		removed := text.Of("no")
		if f.Removed {
			removed = text.Of("yes").Toned(text.Loud)
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(plain(f.Kind)).Toned(text.Loud), text.Of(or(strings.ReplaceAll(string(f.Channel), "_", " "),
				"whole log")),
			text.Of(stretch(f.From, f.To)), integer(f.Samples), removed, text.Of(or(f.Detail, show.Missing)),
		}})
	}
	return text.Block{Table: t}
}

// stretch is a time interval, "12.0–14.5 s".
func stretch(from, to float64) string {
	if !value.Known(from) || !value.Known(to) {
		return show.Missing
	}
	return show.Fixed(from, 1) + "–" + show.Fixed(to, 1) + show.NBSP + "s"
}

func segmentBlock(segments []ingest.SegmentSummary) text.Block {
	if len(segments) == 0 {
		return text.Block{Text: "No pull and no steady stretch was found, so this log gives no evidence."}
	}
	t := &text.Table{
		Caption: "Pulls and steady stretches",
		Columns: []text.Column{{Head: "Kind"}, {Head: "From – to", Right: true}, {Head: "Speed", Right: true},
			{Head: "Gear", Right: true},
			{Head: "Cells", Right: true}, {Head: "Why", Flex: true}},
		Absent: "not logged.",
	}
	for _, s := range segments {
		speed := result.Span{result.Number(s.RPMFrom), result.Number(s.RPMTo)}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(plain(s.Kind)).Toned(text.Loud), text.Of(stretch(s.From, s.To)), text.Of(show.Range(speed, "rpm")),
			text.Of(show.Number(result.Number(s.Gear), 0)),
			integer(s.Cells), text.Of(or(s.Reason, "no reason was recorded")),
		}})
	}
	return text.Block{Table: t}
}

func lagBlock(in *ingest.Inspection) text.Block {
	if len(in.Lags) == 0 {
		return text.Block{Text: "No pair of channels was logged from which a lag could be told."}
	}
	t := &text.Table{
		Caption: "Lags",
		Columns: []text.Column{{Head: "Channel", Flex: true}, {Head: "Trails", Flex: true}, {Head: "By", Right: true},
			{Head: "Correlation", Right: true}, {Head: "Note", Flex: true}},
		Absent: "no estimate; the note says why.",
	}
	for _, l := range in.Lags {
		by, correlation, note := show.Missing, show.Missing, l.Why
		if l.Why == "" {
			by = show.Fixed(l.Lag.Seconds, 2) + show.NBSP + "±" + show.NBSP + seconds(l.Lag.Uncertainty, 2)
			correlation = show.Number(result.Number(l.Lag.Correlation), 2)
			note = count(l.Lag.Samples, "change") + " compared"
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(plain(string(l.Channel))).Toned(text.Loud),
			text.Of(plain(string(l.Against))), text.Of(by), text.Of(correlation), text.Of(note)}})
	}
	return text.Block{Table: t}
}

// inspectJSON is the result of inspect as JSON (schema headroom/inspect/1). Times are seconds from the first sample.
type inspectJSON struct {
	Schema string        `json:"schema"`
	Logs   []inspectedAs `json:"logs"`
}

type inspectedAs struct {
	Path           string        `json:"path"`
	Error          string        `json:"error"`
	Part           int           `json:"part"`
	Parts          int           `json:"parts"`
	Platform       string        `json:"platform"`
	Vehicle        string        `json:"vehicle"`
	Layout         layoutJSON    `json:"layout"`
	TimeBase       timeJSON      `json:"time_base"`
	DataRows       int           `json:"data_rows"`
	SampleInterval result.Number `json:"sample_interval_s"`
	LoadSource     string        `json:"load_source"`
	EvidenceRows   int           `json:"evidence_rows"`
	Columns        []columnJSON  `json:"columns"`
	Findings       []doubtJSON   `json:"findings"`
	Segments       []segmentJSON `json:"segments"`
	Lags           []lagJSON     `json:"lags"`
}

type layoutJSON struct {
	Encoding    string `json:"encoding"`
	Compression string `json:"compression"`
	Delimiter   string `json:"delimiter"`
	Decimal     string `json:"decimal"`
	HeaderLine  int    `json:"header_line"`
	UnitsLine   int    `json:"units_line"`
	FirstData   int    `json:"first_data_line"`
	Reason      string `json:"reason"`
}

type timeJSON struct {
	Column string        `json:"column"`
	Unit   string        `json:"unit"`
	Rate   result.Number `json:"rate_per_s"`
	Reason string        `json:"reason"`
}

type columnJSON struct {
	Index      int           `json:"index"`
	Header     string        `json:"header"`
	Channel    string        `json:"channel"`
	Unit       string        `json:"unit"`
	Reason     string        `json:"reason"`
	Confidence result.Number `json:"confidence"`
	RunnerUp   string        `json:"runner_up"`
}

type doubtJSON struct {
	Kind    string        `json:"kind"`
	Channel string        `json:"channel"`
	From    result.Number `json:"from_s"`
	To      result.Number `json:"to_s"`
	Samples int           `json:"samples"`
	Removed bool          `json:"removed"`
	Detail  string        `json:"detail"`
}

type segmentJSON struct {
	Kind   string        `json:"kind"`
	From   result.Number `json:"from_s"`
	To     result.Number `json:"to_s"`
	RPM    result.Span   `json:"rpm"`
	Gear   result.Number `json:"gear"`
	Cells  int           `json:"cells"`
	Reason string        `json:"reason"`
}

type lagJSON struct {
	Channel     string        `json:"channel"`
	Against     string        `json:"against"`
	Lag         result.Number `json:"lag_s"`
	Uncertainty result.Number `json:"uncertainty_s"`
	Correlation result.Number `json:"correlation"`
	Samples     int           `json:"samples"`
	Why         string        `json:"why"`
}

func inspectResult(in []ingest.Inspection) inspectJSON {
	out := inspectJSON{Schema: schemaInspect}
	for i := range in {
		out.Logs = append(out.Logs, inspected(&in[i]))
	}
	return out
}

func inspected(in *ingest.Inspection) inspectedAs {
	out := inspectedAs{
		Path: in.Path, Error: in.Error, Part: in.Part, Parts: in.Parts, Platform: in.Platform, Vehicle: in.Vehicle,
		SampleInterval: result.Unknown(), TimeBase: timeJSON{Rate: result.Unknown()},
		LoadSource: in.LoadSource, EvidenceRows: in.Rows,
	}
	run := in.Run
	if run == nil {
		return out
	}
	d, t := run.Dialect, run.TimeBase
	out.Layout = layoutJSON{d.Encoding, d.Compression, d.Delimiter, d.Decimal, d.HeaderLine, d.UnitsLine, d.FirstData,
		d.Reason}
	out.TimeBase = timeJSON{t.Column, t.Unit, result.Number(t.Rate), t.Reason}
	out.DataRows, out.SampleInterval = run.Rows, result.Number(run.SampleInterval)
	for _, c := range run.Columns {
		out.Columns = append(out.Columns, columnJSON{c.Index, c.Header, string(c.Channel), c.Unit, c.Reason,
			result.Number(c.Confidence), c.RunnerUp})
	}
	for _, f := range append(append([]runlog.Finding{}, run.Findings...), in.Findings...) {
		out.Findings = append(out.Findings, doubtJSON{f.Kind, string(f.Channel), result.Number(f.From),
			result.Number(f.To), f.Samples, f.Removed, f.Detail})
	}
	for _, s := range in.Segments {
		out.Segments = append(out.Segments, segmentJSON{s.Kind, result.Number(s.From), result.Number(s.To),
			result.Span{result.Number(s.RPMFrom), result.Number(s.RPMTo)}, result.Number(s.Gear), s.Cells, s.Reason})
	}
	for _, l := range in.Lags {
		j := lagJSON{Channel: string(l.Channel), Against: string(l.Against), Lag: result.Number(l.Lag.Seconds),
			Uncertainty: result.Number(l.Lag.Uncertainty),
			Correlation: result.Number(l.Lag.Correlation), Samples: l.Lag.Samples, Why: l.Why}
		if l.Why != "" {
			j.Lag, j.Uncertainty, j.Correlation = result.Unknown(), result.Unknown(), result.Unknown()
		}
		out.Lags = append(out.Lags, j)
	}
	return out
}

// inspectRow is one line of an inspection, flat. Record is "error", "column", "finding", "segment" or "lag"; columns
// of the other records are not known.
type inspectRow struct {
	Record      string   `parquet:"record,dict"`
	Path        string   `parquet:"path,dict"`
	Part        int64    `parquet:"part"`
	Header      string   `parquet:"header"`
	Channel     string   `parquet:"channel,dict"`
	Unit        string   `parquet:"unit,dict"`
	Confidence  *float64 `parquet:"confidence,optional"`
	RunnerUp    string   `parquet:"runner_up"`
	Kind        string   `parquet:"kind,dict"`
	From        *float64 `parquet:"from_s,optional"`
	To          *float64 `parquet:"to_s,optional"`
	Samples     *int64   `parquet:"samples,optional"`
	Removed     *bool    `parquet:"removed,optional"`
	RPMFrom     *float64 `parquet:"from_rpm,optional"`
	RPMTo       *float64 `parquet:"to_rpm,optional"`
	Gear        *float64 `parquet:"gear,optional"`
	Cells       *int64   `parquet:"cells,optional"`
	Against     string   `parquet:"against,dict"`
	Lag         *float64 `parquet:"lag_s,optional"`
	Uncertainty *float64 `parquet:"lag_uncertainty_s,optional"`
	Correlation *float64 `parquet:"correlation,optional"`
	Reason      string   `parquet:"reason"`
}

func inspectRows(in []ingest.Inspection) []inspectRow {
	var rows []inspectRow
	for i := range in {
		log := inspected(&in[i])
		common := inspectRow{Path: log.Path, Part: int64(log.Part)}
		if log.Error != "" {
			r := common
			r.Record, r.Reason = "error", log.Error
			rows = append(rows, r)
		}
		for _, c := range log.Columns {
			r := common
			r.Record, r.Header, r.Channel, r.Unit = "column", c.Header, c.Channel, c.Unit
			r.Confidence, r.RunnerUp, r.Reason = export.Known(c.Confidence), c.RunnerUp, c.Reason
			rows = append(rows, r)
		}
		for _, f := range log.Findings {
			r := common
			r.Record, r.Kind, r.Channel, r.From, r.To = "finding", f.Kind, f.Channel, export.Known(f.From),
				export.Known(f.To)
			r.Samples, r.Removed, r.Reason = export.Some(int64(f.Samples)), export.Some(f.Removed), f.Detail
			rows = append(rows, r)
		}
		for _, s := range log.Segments {
			r := common
			r.Record, r.Kind, r.From, r.To, r.RPMFrom, r.RPMTo = "segment", s.Kind, export.Known(s.From),
				export.Known(s.To),
				export.Known(s.RPM[0]), export.Known(s.RPM[1])
			r.Gear, r.Cells, r.Reason = export.Known(s.Gear), export.Some(int64(s.Cells)), s.Reason
			rows = append(rows, r)
		}
		for _, l := range log.Lags {
			r := common
			r.Record, r.Channel, r.Against, r.Lag, r.Uncertainty = "lag", l.Channel, l.Against, export.Known(l.Lag),
				export.Known(l.Uncertainty)
			r.Correlation, r.Samples, r.Reason = export.Known(l.Correlation), export.Some(int64(l.Samples)), l.Why
			rows = append(rows, r)
		}
	}
	return rows
}
