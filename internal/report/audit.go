package report

import (
	"fmt"
	"strconv"

	"headroom/internal/assess"
	"headroom/internal/hazard"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
)

func auditDocument(a *assess.Audit, _ show.Display) text.Document {
	doc := text.Document{
		Kind:  "audit",
		Title: "Audit of every revision",
		Facts: []text.Fact{{Name: "Revisions", Value: strconv.Itoa(len(a.Rows))},
			{Name: "Not scored", Value: strconv.Itoa(len(a.Failed))}},
	}
	doc.Sections = []text.Section{auditRowSection(a), unloggedSection(a), outdatedSection(a)}
	if len(a.Groups) > 0 {
		doc.Sections = append(doc.Sections, groupSection(a))
	}
	doc.Sections = append(doc.Sections, failedSection(a), cautionSection(a.Cautions), provenanceSection(a.Stamp))
	return doc
}

func auditRowSection(a *assess.Audit) text.Section {
	s := text.Section{ID: "revisions", Title: "Revisions, riskiest first"}
	if len(a.Rows) == 0 {
		s.Intro = "No revision could be scored."
		return s
	}
	s.Intro = "The chance is that one pull crosses the limit of the leading hazard; brackets hold its 90 % interval."
	t := &text.Table{
		Columns: []text.Column{
			{Head: "#", Right: true}, {Head: "Revision", Flex: true}, {Head: "For", Flex: true},
			{Head: "Author", Wide: true},
			{Head: "Status", Wide: true}, {Head: "Verdict"}, {Head: "Leading hazard at speed, load", Flex: true},
			{Head: "Chance per pull", Right: true},
			{Head: "Own pulls", Right: true},
		},
		Absent: "no number could be worked out; the reason stands in the note of the same rank.",
	}
	for _, r := range a.Rows {
		t.Rows = append(t.Rows, auditTableRow(r))
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func auditTableRow(r assess.AuditRow) text.Row {
	top := text.Of(plain(r.TopHazard))
	if r.Cell != nil {
		top = text.Of(append(top.Parts, show.Range(r.Cell.RPM, "rpm"), show.Range(r.Cell.LoadPct, "%"))...)
	}
	notes := []string{fmt.Sprintf("%s. %s %s, author %s, fuel %s.", or(r.Because, "No reason was recorded"),
		loggedCells(r),
		capital(or(r.Status, "status not stated")), or(r.Author, "not named"), or(r.Fuel, "not named"))}
	return text.Row{
		Cells: []text.Cell{
			integer(r.Rank),
			text.Of(or(r.Revision, show.Missing)).Toned(text.Loud),
			text.Of(or(r.Platform, show.Missing), vehicle(r.Vehicle)),
			text.Of(or(r.Author, show.Missing)),
			text.Of(or(r.Status, show.Missing)),
			text.Of(string(r.Verdict)).Toned(verdictTone(r.Verdict)),
			top,
			chance(r.ProbabilityPerPull, r.Interval90),
			integer(r.OwnPulls),
		},
		Notes: notes,
	}
}

// loggedCells says how much of what a revision changes has been logged.
func loggedCells(r assess.AuditRow) string {
	if r.CellsChanged == 0 {
		return "No operating cell differs from a parent."
	}
	have := "have"
	if r.CellsChangedVisited == 1 {
		have = "has"
	}
	return fmt.Sprintf("%d of %s %s been logged.", r.CellsChangedVisited, count(r.CellsChanged, "changed cell"), have)
}

func unloggedSection(a *assess.Audit) text.Section {
	s := text.Section{ID: "unlogged", Title: "Released without own logs"}
	for _, r := range a.Rows {
		if r.ReleasedWithoutLog {
			s.Blocks = append(s.Blocks, text.Block{})
			s.Blocks[0].List = append(s.Blocks[0].List, fmt.Sprintf("%s on %s, %s, by %s: verdict %s.",
				r.Revision, r.Platform, vehicle(r.Vehicle), or(r.Author, "nobody named"), r.Verdict))
		}
	}
	if len(s.Blocks) == 0 {
		s.Intro = "None: every released revision has been logged."
		return s
	}
	s.Blocks = s.Blocks[:1]
	s.Intro = "These revisions are released, and no pull has been logged on them."
	return s
}

// outdatedSection lists revisions whose logs show a car that has been rebuilt since.
func outdatedSection(a *assess.Audit) text.Section {
	s := text.Section{ID: "outdated", Title: "Logs older than the car's hardware"}
	var list []string
	for _, r := range a.Rows {
		if r.LogsBeforeHardware > 0 {
			list = append(list, fmt.Sprintf("%s on %s: %d of %s logged before the car's last hardware change.",
				r.Revision, vehicle(r.Vehicle), r.LogsBeforeHardware, verb(r.OwnPulls, "own pull", "was", "were")))
		}
	}
	if len(list) == 0 {
		s.Intro = "None: no revision's own logs are older than the last hardware change of its car, as far as the " +
			"workspace states dates."
		return s
	}
	s.Intro = "These logs show another car than the one the revision runs on now: it is not judged on them. Log again."
	s.Blocks = []text.Block{{List: list}}
	return s
}

func groupSection(a *assess.Audit) text.Section {
	t := &text.Table{Columns: []text.Column{
		{Head: capital(or(a.By, "group")), Flex: true}, {Head: "Revisions", Right: true},
		{Head: "Hold", Right: true},
		{Head: "Undecided", Right: true}, {Head: "Conditions", Right: true}, {Head: "Release", Right: true},
		{Head: "Released, not logged", Right: true},
	}}
	for _, g := range a.Groups {
		r := text.Row{Cells: []text.Cell{
			text.Of(or(g.Group, show.Missing+" (not named)")).Toned(text.Loud), integer(g.Revisions), integer(g.Hold),
			integer(g.Undecided),
			integer(g.Conditions), integer(g.Release), integer(g.ReleasedWithoutLog),
		}}
		if g.Caution != "" {
			r.Notes = []string{g.Caution}
		}
		t.Rows = append(t.Rows, r)
	}
	return text.Section{
		ID: "groups", Title: "By " + or(a.By, "group"),
		Intro:  "Counts of revisions. They say who is handed the harder cars as much as who takes more risk.",
		Blocks: []text.Block{{Table: t}},
	}
}

func failedSection(a *assess.Audit) text.Section {
	s := text.Section{ID: "not-scored", Title: "Not scored"}
	if len(a.Failed) == 0 {
		s.Intro = "None: every revision was scored."
		return s
	}
	s.Intro = "These revisions could not be scored. That is no pass."
	t := &text.Table{Columns: []text.Column{{Head: "Revision", Flex: true}, {Head: "What went wrong", Flex: true}}}
	for _, f := range a.Failed {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(f.Revision).Toned(text.Loud), text.Of(f.Error)}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// auditRow is one revision of an audit, flat. Record is "revision", or "failed" for one that could not be scored.
type auditRow struct {
	Record        string         `parquet:"record,dict"`
	Rank          *int64         `parquet:"rank,optional"`
	Revision      string         `parquet:"revision"`
	Platform      string         `parquet:"platform,dict"`
	Vehicle       string         `parquet:"vehicle,dict"`
	Author        string         `parquet:"author,dict"`
	Fuel          string         `parquet:"fuel,dict"`
	Status        string         `parquet:"status,dict"`
	Verdict       assess.Verdict `parquet:"verdict,dict"`
	TopHazard     hazard.ID      `parquet:"top_hazard,dict"`
	RPMLow        *float64       `parquet:"low_rpm,optional"`
	RPMHigh       *float64       `parquet:"high_rpm,optional"`
	LoadLow       *float64       `parquet:"load_low_pct,optional"`
	LoadHigh      *float64       `parquet:"load_high_pct,optional"`
	Probability   *float64       `parquet:"probability_per_pull,optional"`
	ProbabilityLo *float64       `parquet:"probability_per_pull_low90,optional"`
	ProbabilityHi *float64       `parquet:"probability_per_pull_high90,optional"`
	OwnPulls      *int64         `parquet:"own_pulls,optional"`
	Unlogged      *bool          `parquet:"released_without_own_logs,optional"`
	Outdated      *int64         `parquet:"own_pulls_before_hardware_change,optional"`
	Changed       *int64         `parquet:"cells_changed,optional"`
	Visited       *int64         `parquet:"cells_changed_visited,optional"`
	Because       string         `parquet:"because"`
	Digest        string         `parquet:"workspace_digest,dict"`
	Seed          uint64         `parquet:"seed"`
}

func auditRows(a *assess.Audit) []auditRow {
	var rows []auditRow
	for _, r := range a.Rows {
		out := auditRow{
			Record: "revision", Rank: export.Some(int64(r.Rank)), Revision: r.Revision, Platform: r.Platform,
			Vehicle: r.Vehicle,
			Author:  r.Author, Fuel: r.Fuel, Status: r.Status, Verdict: r.Verdict, TopHazard: r.TopHazard,
			Probability: export.Known(r.ProbabilityPerPull), ProbabilityLo: export.Known(r.Interval90[0]),
			ProbabilityHi: export.Known(r.Interval90[1]),
			OwnPulls:      export.Some(int64(r.OwnPulls)), Unlogged: export.Some(r.ReleasedWithoutLog),
			Outdated: export.Some(int64(r.LogsBeforeHardware)),
			Changed:  export.Some(int64(r.CellsChanged)), Visited: export.Some(int64(r.CellsChangedVisited)),
			Because: r.Because,
			Digest:  a.WorkspaceDigest, Seed: a.Seed,
		}
		if r.Cell != nil {
			out.RPMLow, out.RPMHigh = export.Known(r.Cell.RPM[0]), export.Known(r.Cell.RPM[1])
			out.LoadLow, out.LoadHigh = export.Known(r.Cell.LoadPct[0]), export.Known(r.Cell.LoadPct[1])
		}
		rows = append(rows, out)
	}
	for _, f := range a.Failed {
		rows = append(rows, auditRow{Record: "failed", Revision: f.Revision, Because: f.Error,
			Digest: a.WorkspaceDigest, Seed: a.Seed})
	}
	return rows
}
