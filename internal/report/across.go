package report

import (
	"fmt"
	"html/template"
	"strconv"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/hazard"
	"headroom/internal/report/draw"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
)

func acrossDocument(a *assess.Across, _ show.Display) text.Document {
	return text.Document{
		Kind:  "review across the fleet",
		Title: "Review of " + or(a.Revision, "an unnamed revision") + " on every car",
		Facts: []text.Fact{
			{Name: "Parent", Value: or(a.Parent, "none, a base calibration")},
			{Name: "Platform", Value: or(a.Platform, "not named")},
			{Name: "Fuel", Value: or(a.Fuel, "not named")},
			{Name: "Cars scored", Value: strconv.Itoa(len(a.Cars))},
			{Name: "Not scored", Value: strconv.Itoa(len(a.Failed))},
			{Name: "Verdicts", Value: verdictTally(a.Cars)},
		},
		Sections: []text.Section{
			acrossHazardSection(a), acrossCarSection(a.Cars), acrossFailedSection(a.Failed),
			cautionSection(a.Cautions), provenanceSection(a.Stamp),
		},
	}
}

// verdictTally counts verdicts, the gravest first.
func verdictTally(cars []assess.AcrossCar) string {
	tally := map[assess.Verdict]int{}
	for _, c := range cars {
		tally[c.Verdict]++
	}
	var parts []string
	for _, v := range assess.Verdicts {
		if tally[v] > 0 {
			parts = append(parts, strconv.Itoa(tally[v])+show.NBSP+string(v))
		}
	}
	return or(strings.Join(parts, ", "), "none")
}

func acrossHazardSection(a *assess.Across) text.Section {
	s := text.Section{ID: "hazards", Title: "How many cars would cross too often"}
	if len(a.Hazards) == 0 {
		s.Intro = "No hazard is listed in this result."
		return s
	}
	s.Intro = "A car counts when more of its pulls cross the limit than the hazard's severity allows. Brackets hold " +
		"the 90 % interval of the number of " +
		"cars; what the cars share in uncertainty moves them together."
	t := &text.Table{
		Columns: []text.Column{
			{Head: "Hazard", Flex: true}, {Head: "Allowed per pull", Right: true}, {Head: "Cars expected", Right: true},
			{Head: "Of", Right: true}, {Head: "More likely than not", Flex: true},
		},
		Legend: "Small pictures: the line runs from no car to all cars the hazard could be assessed for, the dot is " +
			"the expected number, the bar its 90 % interval.",
		Absent: "the hazard could not be assessed for any car, which is no pass.",
	}
	for _, h := range a.Hazards {
		t.Rows = append(t.Rows, acrossHazardRow(h))
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// fewCars is how many likely cars are named in a row; the machine formats name them all.
const fewCars = 6

func acrossHazardRow(h assess.AcrossHazard) text.Row {
	expected, likely := text.Of(show.Missing), text.Of(show.Missing)
	if h.Expected.Known() {
		expected = text.Of(show.Number(h.Expected, 1))
		if h.Interval90[0].Known() && h.Interval90[1].Known() {
			expected = text.Of(expected.Parts[0], "("+show.Number(h.Interval90[0], 0)+" to "+
				""+show.Number(h.Interval90[1],
				0)+")")
		}
		expected.Strip = carsStrip(h)
		likely = text.Of("none").Toned(text.Faint)
		switch {
		case len(h.Likely) > fewCars:
			likely = text.Of(strings.Join(h.Likely[:fewCars], ", "), "and "+strconv.Itoa(len(h.Likely)-fewCars)+" "+
				"more").Toned(text.Alarm)
		case len(h.Likely) > 0:
			likely = text.Of(strings.Join(h.Likely, ", ")).Toned(text.Alarm)
		}
	}
	r := text.Row{Cells: []text.Cell{
		text.Of(plain(h.Hazard), "("+or(h.Severity, "severity not stated")+")").Toned(text.Loud),
		text.Of(show.Probability(h.Threshold)), expected.Toned(text.Loud), text.Of(count(h.Assessed, "car")), likely,
	}}
	if h.Expected == 0 && h.Interval90[1] == 0 {
		r.SetBack()
	}
	return r
}

// carsStrip draws the expected number of cars with its interval between none and all.
func carsStrip(h assess.AcrossHazard) template.HTML {
	return draw.CountStrip(fmt.Sprintf("%s of %s", show.Number(h.Expected, 1), count(h.Assessed, "car")), h.Assessed,
		h.Expected, h.Interval90)
}

func acrossCarSection(cars []assess.AcrossCar) text.Section {
	s := text.Section{ID: "cars", Title: "Cars, riskiest first"}
	if len(cars) == 0 {
		s.Intro = "The revision could not be scored for any car."
		return s
	}
	s.Intro = "The revision as if it were meant for this car. The chance is that one pull crosses the limit of the " +
		"leading hazard; own pulls are the " +
		"car's, on any calibration."
	t := &text.Table{
		Columns: []text.Column{
			{Head: "#", Right: true}, {Head: "Car", Flex: true}, {Head: "Verdict"},
			{Head: "Leading hazard", Flex: true},
			{Head: "Chance per pull", Right: true}, {Head: "Own pulls", Right: true},
		},
		Absent: "no number could be worked out; the note of the same rank says why.",
		Most:   25,
	}
	for i, c := range cars {
		t.Rows = append(t.Rows, text.Row{
			Cells: []text.Cell{
				integer(i + 1), text.Of(or(c.Vehicle, show.Missing)).Toned(text.Loud),
				text.Of(string(c.Verdict)).Toned(verdictTone(c.Verdict)),
				text.Of(plain(c.TopHazard)),
				chance(c.ProbabilityPerPull, c.Interval90), integer(c.CarPulls),
			},
			Notes: []string{sentence(or(c.Because, "No reason was recorded"))},
		})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func acrossFailedSection(failed []assess.AcrossError) text.Section {
	s := text.Section{ID: "not-scored", Title: "Not scored"}
	if len(failed) == 0 {
		s.Intro = "None: the revision was scored for every car of the platform."
		return s
	}
	s.Intro = "The revision could not be scored for these cars. That is no pass."
	t := &text.Table{Columns: []text.Column{{Head: "Car", Flex: true}, {Head: "What went wrong", Flex: true}}}
	for _, f := range failed {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(f.Vehicle).Toned(text.Loud), text.Of(f.Error)}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// acrossRow is one line of a revision across the fleet, flat. Record is "hazard", "car", or "failed" for a car that
// could not be scored; columns of the other records are not known. Likely holds car ids parted by blanks.
type acrossRow struct {
	Record        string          `parquet:"record,dict"`
	Revision      string          `parquet:"revision,dict"`
	Parent        string          `parquet:"parent,dict"`
	Platform      string          `parquet:"platform,dict"`
	Fuel          string          `parquet:"fuel,dict"`
	Hazard        hazard.ID       `parquet:"hazard,dict"`
	Severity      hazard.Severity `parquet:"severity,dict"`
	Threshold     *float64        `parquet:"threshold_per_pull,optional"`
	Assessed      *int64          `parquet:"assessed_cars,optional"`
	Expected      *float64        `parquet:"expected_cars,optional"`
	ExpectedLo    *float64        `parquet:"expected_cars_low90,optional"`
	ExpectedHi    *float64        `parquet:"expected_cars_high90,optional"`
	Likely        string          `parquet:"likely_cars"`
	Rank          *int64          `parquet:"rank,optional"`
	Vehicle       string          `parquet:"vehicle,dict"`
	Verdict       assess.Verdict  `parquet:"verdict,dict"`
	Probability   *float64        `parquet:"probability_per_pull,optional"`
	ProbabilityLo *float64        `parquet:"probability_per_pull_low90,optional"`
	ProbabilityHi *float64        `parquet:"probability_per_pull_high90,optional"`
	CarPulls      *int64          `parquet:"car_pulls,optional"`
	Because       string          `parquet:"because"`
	Digest        string          `parquet:"workspace_digest,dict"`
	Seed          uint64          `parquet:"seed"`
}

func acrossRows(a *assess.Across) []acrossRow {
	common := acrossRow{Revision: a.Revision, Parent: a.Parent, Platform: a.Platform, Fuel: a.Fuel,
		Digest: a.WorkspaceDigest, Seed: a.Seed}
	var rows []acrossRow
	for _, h := range a.Hazards {
		out := common
		out.Record, out.Hazard, out.Severity, out.Threshold = "hazard", h.Hazard, h.Severity, export.Known(h.Threshold)
		out.Assessed, out.Expected = export.Some(int64(h.Assessed)), export.Known(h.Expected)
		out.ExpectedLo, out.ExpectedHi, out.Likely = export.Known(h.Interval90[0]), export.Known(h.Interval90[1]),
			strings.Join(h.Likely, " ")
		rows = append(rows, out)
	}
	for i, c := range a.Cars {
		out := common
		out.Record, out.Rank, out.Vehicle, out.Verdict, out.Hazard = "car", export.Some(int64(i+1)), c.Vehicle,
			c.Verdict,
			c.TopHazard
		out.Probability, out.ProbabilityLo, out.ProbabilityHi = export.Known(c.ProbabilityPerPull),
			export.Known(c.Interval90[0]),
			export.Known(c.Interval90[1])
		out.CarPulls, out.Because = export.Some(int64(c.CarPulls)), c.Because
		rows = append(rows, out)
	}
	for _, f := range a.Failed {
		out := common
		out.Record, out.Vehicle, out.Because = "failed", f.Vehicle, f.Error
		rows = append(rows, out)
	}
	return rows
}
