package report

import (
	"fmt"
	"strconv"

	"headroom/internal/report/text"
	"headroom/internal/store"
)

func verifyDocument(faults []store.Mismatch) text.Document {
	doc := text.Document{Kind: "verify", Title: "Check of the evidence store",
		Facts: []text.Fact{{Name: "Faults", Value: strconv.Itoa(len(faults))}}}
	s := text.Section{ID: "faults", Title: "Faults"}
	if len(faults) == 0 {
		s.Intro = "None: the store agrees with its catalogue and with the logs it was made from."
		doc.Sections = []text.Section{s}
		return doc
	}
	s.Intro = fmt.Sprintf("%s found. Until mended, reports may rest on other evidence than the workspace holds.",
		count(len(faults), "fault"))
	t := &text.Table{Columns: []text.Column{{Head: "What"}, {Head: "Path", Flex: true}, {Head: "Detail, and what to " +
		"do", Flex: true}}}
	for _, f := range faults {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(plain(f.Kind)).Toned(text.Loud), text.Of(f.Path),
			text.Of(or(f.Detail, "not stated"))}})
	}
	s.Blocks = []text.Block{{Table: t}}
	doc.Sections = []text.Section{s}
	return doc
}

// verifyJSON is the check of a store as JSON (schema headroom/verify/1).
type verifyJSON struct {
	Schema string      `json:"schema"`
	Faults []faultJSON `json:"faults"`
}

type faultJSON struct {
	Kind   string `json:"kind"   parquet:"kind,dict"`
	Path   string `json:"path"   parquet:"path"`
	Detail string `json:"detail" parquet:"detail"`
}

func verifyRows(faults []store.Mismatch) []faultJSON {
	var rows []faultJSON
	for _, f := range faults {
		rows = append(rows, faultJSON(f))
	}
	return rows
}
