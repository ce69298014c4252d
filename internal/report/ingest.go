package report

import (
	"fmt"
	"strconv"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/hazard"
	"headroom/internal/ingest"
	"headroom/internal/landmark"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/runlog"
	"headroom/internal/runlog/reading"
)

func ingestDocument(s *ingest.Summary, suspects []suspectJSON) text.Document {
	return text.Document{
		Kind: "ingest", Title: "Logs taken in",
		Facts: []text.Fact{
			{Name: "Read", Value: strconv.Itoa(s.Read)}, {Name: "Unchanged", Value: strconv.Itoa(s.Skipped)},
			{Name: "Removed", Value: strconv.Itoa(s.Removed)},
			{Name: "Gone but kept", Value: strconv.Itoa(s.Gone)},
			{Name: "Failed", Value: strconv.Itoa(len(s.Failed))},
		},
		Sections: []text.Section{storeSection(s), goneSection(s.Gone), failureSection(s.Failed),
			suspectSection(suspects),
			assumedSection(s.AssumedAir), unusedSection(s.Unused),
			emptySection(s.Empty),
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

// goneSection says which logs the workspace no longer has and still counts.
func goneSection(gone int) text.Section {
	s := text.Section{ID: "gone", Title: "No longer in the workspace"}
	if gone == 0 {
		s.Intro = "No log of the store is missing from the workspace."
		return s
	}
	s.Intro = fmt.Sprintf("%s of the store %s no longer among the logs of the workspace: a folder that was moved, a "+
		"disk that is not there or a fault below may be why. Nothing was removed, and reports still count them. Put "+
		"them back; or, once every folder can be read, run ingest --prune to take them out.", count(gone, "log"),
		isAre(gone))
	return s
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

// unusedSection says which channels logs were not read for, what that costs and what would mend it.
func unusedSection(unused []ingest.Unused) text.Section {
	s := text.Section{ID: "unused", Title: "Not used of the logs that were read"}
	if len(unused) == 0 {
		s.Intro = "Nothing: every log tells of every hazard."
		return s
	}
	s.Intro = "One line a channel and reason, for all logs of the store. What is missing cannot be judged."
	t := &text.Table{Columns: []text.Column{{Head: "Channel", Flex: true}, {Head: "Logs", Right: true},
		{Head: "Lacks", Flex: true}, {Head: "So cannot be judged", Flex: true}, {Head: "What to do", Flex: true}}}
	for _, u := range unused {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(plain(string(u.Channel))).Toned(text.Loud),
			integer(u.Logs), text.Of(lackWords(u.Lack)), text.Of(or(hazardList(u.Costs), "nothing alone")),
			text.Of(unusedRemedy(u))}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// suspectSection names the cars whose logs read apart from the others'.
func suspectSection(suspects []suspectJSON) text.Section {
	s := text.Section{ID: "suspects", Title: "Logs that read apart from other cars'"}
	if len(suspects) == 0 {
		s.Intro = "None: what reads alike on sound cars does, as far as three cars or more show it."
		return s
	}
	s.Intro = fmt.Sprintf("What reads alike on sound cars does not on these. They went in as they are: a reading is "+
		"named and not mended. In %s of fleets of sound cars at most is anything named.",
		show.Probability(landmark.FalseAlarm))
	t := &text.Table{Columns: []text.Column{{Head: "Car"}, {Head: "First log", Flex: true}, {Head: "Reads", Flex: true},
		{Head: "What to do", Flex: true}}}
	for i := range suspects {
		u := &suspects[i]
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(u.Vehicle).Toned(text.Loud), text.Of(u.Logs[0]),
			text.Of(u.Says), text.Of(u.Remedy)}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// airLine is what settles the air around all logs of a workspace.
const airLine = "headroom.yaml: logs: {altitude_m: …} or {barometer_kpa: …}"

// assumedSection says which logs were read above surrounding air that had to be assumed, what that costs and what would
// mend it.
func assumedSection(paths []string) text.Section {
	s := text.Section{ID: "assumed", Title: "Read above air that was assumed"}
	if len(paths) == 0 {
		s.Intro = "None: what is measured from the surrounding air has a barometer, or an altitude is stated."
		return s
	}
	s.Intro = fmt.Sprintf("In %s (the first: %s) boost or fuel pressure is measured from the surrounding air, and "+
		"neither barometer nor altitude is known. It was taken as it usually is; each log's finding says between "+
		"which bounds it may lie, and a review tries the densest. One line settles it, in %s",
		count(len(paths), "log"), paths[0], airLine)
	return s
}

// lackWords says what a column lacks.
func lackWords(lack string) string {
	switch lack {
	case ingest.LackColumn:
		return "a column"
	case string(reading.LackUnit):
		return "a written unit"
	case string(reading.LackReference):
		return "its reference: absolute or gauge, fuel-air or air-fuel"
	case string(reading.LackName):
		return "a name that leaves nothing else open"
	case string(reading.LackPlace):
		return "which side of the compressor it sits on"
	case string(runlog.LackChoice):
		return "a choice between columns that disagree"
	}
	return "values that fit it"
}

// unusedRemedy is the line to add, by the first log's column.
func unusedRemedy(u ingest.Unused) string {
	line := fmt.Sprintf("channels.yaml: {header: %q, channel: %s", u.Header, u.Channel)
	switch u.Lack {
	case ingest.LackColumn:
		return "log it"
	case string(reading.LackUnit), string(reading.LackReference):
		return line + ", unit: …}"
	case string(reading.LackName), string(reading.LackPlace), string(runlog.LackChoice):
		return line + "}, if it is"
	}
	return fmt.Sprintf("look at %q with inspect, then at the sensor or the logger's scaling", u.Header)
}

// hazardList names hazards in a row.
func hazardList(ids []hazard.ID) string {
	var names []string
	for _, id := range ids {
		if h, ok := hazard.Of(id); ok {
			names = append(names, h.Spoken)
		}
	}
	return strings.Join(names, ", ")
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
	Gone      int           `json:"gone"`
	Failed    []failureJSON `json:"failed"`
	Unused    []unusedJSON  `json:"unused"`
	Suspects  []suspectJSON `json:"suspects"`
	Assumed   []string      `json:"assumed_air"`
	Store     storeJSON     `json:"store"`
	Problems  []problemJSON `json:"problems"`
}

type failureJSON struct {
	Path  string `json:"path"`
	Error string `json:"error"`
}

type unusedJSON struct {
	Channel string   `json:"channel"`
	Lack    string   `json:"lack"`
	Logs    int      `json:"logs"`
	Example string   `json:"example"`
	Header  string   `json:"header"`
	Costs   []string `json:"costs"`
}

type suspectJSON struct {
	landmark.Suspect
	Says   string `json:"says"`
	Remedy string `json:"remedy"`
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

func ingestResult(s *ingest.Summary, w words) ingestJSON {
	out := ingestJSON{
		Schema: schemaIngest, Read: s.Read, Unchanged: s.Skipped, Removed: s.Removed,
		Gone:    s.Gone,
		Assumed: s.AssumedAir,
		Store: storeJSON{Logs: s.Logs, Pulls: s.Pulls, Steady: s.Steady, Rows: s.Rows, Findings: s.Findings,
			Empty: s.Empty},
	}
	for _, f := range s.Failed {
		out.Failed = append(out.Failed, failureJSON(f))
	}
	for _, u := range s.Unused {
		j := unusedJSON{Channel: string(u.Channel), Lack: u.Lack, Logs: u.Logs, Example: u.Example, Header: u.Header}
		for _, id := range u.Costs {
			j.Costs = append(j.Costs, string(id))
		}
		out.Unused = append(out.Unused, j)
	}
	for i := range s.Suspects {
		u := &s.Suspects[i]
		out.Suspects = append(out.Suspects, suspectJSON{*u, w.said(w.standsApart(u)), apartRemedy(u)})
	}
	for _, p := range s.ProblemsFromWorkspace {
		out.Problems = append(out.Problems,
			problemJSON{File: p.File, Line: p.Line, Where: p.Where, What: p.What, Remedy: p.Remedy})
	}
	return out
}

// ingestRow is one thing an ingest left out, or one count. Record is "count", "failed", "suspect", "assumed",
// "unused", "empty" or "problem".
type ingestRow struct {
	Record string `parquet:"record,dict"`
	Name   string `parquet:"name"`
	Count  *int64 `parquet:"count,optional"`
	Detail string `parquet:"detail"`
	Remedy string `parquet:"remedy"`
}

func ingestRows(s *ingest.Summary, suspects []suspectJSON) []ingestRow {
	var rows []ingestRow
	for _, c := range []struct {
		name string
		n    int
	}{
		{"read", s.Read}, {"unchanged", s.Skipped}, {"removed", s.Removed},
		{"gone", s.Gone}, {"failed", len(s.Failed)}, {"logs", s.Logs},
		{"pulls", s.Pulls},
		{"steady", s.Steady}, {"rows", s.Rows}, {"findings", s.Findings},
	} {
		rows = append(rows, ingestRow{Record: "count", Name: c.name, Count: export.Some(int64(c.n))})
	}
	for _, f := range s.Failed {
		rows = append(rows, ingestRow{Record: "failed", Name: f.Path, Detail: f.Error})
	}
	for i := range suspects {
		u := &suspects[i]
		rows = append(rows, ingestRow{Record: "suspect", Name: u.Vehicle, Count: export.Some(int64(len(u.Logs))),
			Detail: u.Logs[0] + ": " + u.Says, Remedy: u.Remedy})
	}
	for _, path := range s.AssumedAir {
		rows = append(rows, ingestRow{Record: "assumed", Name: path, Detail: "the surrounding air was assumed",
			Remedy: airLine})
	}
	for _, u := range s.Unused {
		rows = append(rows, ingestRow{Record: "unused", Name: string(u.Channel), Count: export.Some(int64(u.Logs)),
			Detail: "lacks " + lackWords(u.Lack), Remedy: unusedRemedy(u)})
	}
	for _, path := range s.Empty {
		rows = append(rows, ingestRow{Record: "empty", Name: path})
	}
	for _, p := range s.ProblemsFromWorkspace {
		rows = append(rows, ingestRow{Record: "problem", Name: place(p), Detail: p.What, Remedy: p.Remedy})
	}
	return rows
}
