package report

import (
	"strconv"

	"headroom/internal/fault"
	"headroom/internal/ingest"
	"headroom/internal/report/export"
	"headroom/internal/report/text"
)

func ingestDocument(s *ingest.Summary) text.Document {
	return text.Document{
		Kind: "ingest", Title: "Logs taken in",
		Facts: []text.Fact{
			{Name: "Read", Value: strconv.Itoa(s.Read)}, {Name: "Unchanged", Value: strconv.Itoa(s.Skipped)},
			{Name: "Removed", Value: strconv.Itoa(s.Removed)},
			{Name: "Failed", Value: strconv.Itoa(len(s.Failed))},
		},
		Sections: []text.Section{storeSection(s), failureSection(s.Failed), emptySection(s.Empty),
			problemSection(s.ProblemsFromWorkspace)},
	}
}

func storeSection(s *ingest.Summary) text.Section {
	return text.Section{ID: "store", Title: "In the store now", Blocks: []text.Block{{Facts: []text.Fact{
		{Name: "Logs", Value: strconv.Itoa(s.Logs)}, {Name: "Pulls", Value: strconv.Itoa(s.Pulls)},
		{Name: "Steady stretches", Value: strconv.Itoa(s.Steady)},
		{Name: "Rows of evidence", Value: strconv.Itoa(s.Rows)}, {Name: "Doubts about the data",
			Value: strconv.Itoa(s.Findings)},
	}}}}
}

func failureSection(failed []ingest.Failure) text.Section {
	s := text.Section{ID: "failed", Title: "Left out"}
	if len(failed) == 0 {
		s.Intro = "None: every log could be read."
		return s
	}
	s.Intro = "These logs could not be read and count as no evidence. The rest went in."
	t := &text.Table{Columns: []text.Column{{Head: "Log", Flex: true}, {Head: "Why, and what to do", Flex: true}}}
	for _, f := range failed {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(f.Path).Toned(text.Loud), text.Of(f.Error)}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func emptySection(paths []string) text.Section {
	s := text.Section{ID: "empty", Title: "Read, but nothing found"}
	if len(paths) == 0 {
		s.Intro = "None: every log holds a pull or a steady stretch."
		return s
	}
	s.Intro = "No pull and no steady stretch gave a cell. The inspect command says how each was read."
	s.Blocks = []text.Block{{List: paths}}
	return s
}

func problemSection(problems []fault.Fault) text.Section {
	s := text.Section{ID: "problems", Title: "Left out of the workspace"}
	if len(problems) == 0 {
		s.Intro = "None: the workspace reads without a fault."
		return s
	}
	t := &text.Table{Columns: []text.Column{{Head: "Where", Flex: true}, {Head: "What is wrong", Flex: true},
		{Head: "What would be right", Flex: true}}}
	for _, p := range problems {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(place(p)).Toned(text.Loud), text.Of(p.What),
			text.Of(or(p.Remedy, "not "+
				"stated"))}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// place is where a problem stands: file, line and key.
func place(p fault.Fault) string {
	at := p.File
	if p.Line > 0 {
		at += ":" + strconv.Itoa(p.Line)
	}
	if p.Where != "" {
		at += ", " + p.Where
	}
	return at
}

// ingestJSON is the summary of an ingest as JSON (schema headroom/ingest/1).
type ingestJSON struct {
	Schema    string        `json:"schema"`
	Read      int           `json:"read"`
	Unchanged int           `json:"unchanged"`
	Removed   int           `json:"removed"`
	Failed    []failureJSON `json:"failed"`
	Store     storeJSON     `json:"store"`
	Problems  []problemJSON `json:"problems"`
}

type failureJSON struct {
	Path  string `json:"path"`
	Error string `json:"error"`
}

type storeJSON struct {
	Logs     int      `json:"logs"`
	Pulls    int      `json:"pulls"`
	Steady   int      `json:"steady"`
	Rows     int      `json:"rows"`
	Findings int      `json:"findings"`
	Empty    []string `json:"empty"`
}

type problemJSON struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Where  string `json:"where"`
	What   string `json:"what"`
	Remedy string `json:"remedy"`
}

func ingestResult(s *ingest.Summary) ingestJSON {
	out := ingestJSON{
		Schema: schemaIngest, Read: s.Read, Unchanged: s.Skipped, Removed: s.Removed,
		Store: storeJSON{Logs: s.Logs, Pulls: s.Pulls, Steady: s.Steady, Rows: s.Rows, Findings: s.Findings,
			Empty: s.Empty},
	}
	for _, f := range s.Failed {
		out.Failed = append(out.Failed, failureJSON(f))
	}
	for _, p := range s.ProblemsFromWorkspace {
		out.Problems = append(out.Problems,
			problemJSON{File: p.File, Line: p.Line, Where: p.Where, What: p.What, Remedy: p.Remedy})
	}
	return out
}

// ingestRow is one thing an ingest left out, or one count. Record is "count", "failed", "empty" or "problem".
type ingestRow struct {
	Record string `parquet:"record,dict"`
	Name   string `parquet:"name"`
	Count  *int64 `parquet:"count,optional"`
	Detail string `parquet:"detail"`
	Remedy string `parquet:"remedy"`
}

func ingestRows(s *ingest.Summary) []ingestRow {
	var rows []ingestRow
	for _, c := range []struct {
		name string
		n    int
	}{
		{"read", s.Read}, {"unchanged", s.Skipped}, {"removed", s.Removed}, {"failed", len(s.Failed)}, {"logs", s.Logs},
		{"pulls", s.Pulls},
		{"steady", s.Steady}, {"rows", s.Rows}, {"findings", s.Findings},
	} {
		rows = append(rows, ingestRow{Record: "count", Name: c.name, Count: export.Some(int64(c.n))})
	}
	for _, f := range s.Failed {
		rows = append(rows, ingestRow{Record: "failed", Name: f.Path, Detail: f.Error})
	}
	for _, path := range s.Empty {
		rows = append(rows, ingestRow{Record: "empty", Name: path})
	}
	for _, p := range s.ProblemsFromWorkspace {
		rows = append(rows, ingestRow{Record: "problem", Name: place(p), Detail: p.What, Remedy: p.Remedy})
	}
	return rows
}
