package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/hazard"
	"headroom/internal/report/draw"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
)

func againstDocument(a *assess.Against, d show.Display) text.Document {
	return text.Document{
		Kind:  "two revisions",
		Title: or(a.Left.Revision, "an unnamed revision") + " against " + or(a.Right.Revision, "an unnamed revision"),
		Facts: []text.Fact{
			{Name: "Left", Value: or(a.Left.Revision, "not named")},
			{Name: "Right", Value: or(a.Right.Revision, "not named")},
			{Name: "Car", Value: againstCars(a)},
		},
		Sections: []text.Section{
			sideSection(a), againstHazardSection(a), againstGainSection(a.Gains, d),
			cautionSection(a.Cautions), provenanceSection(a.Stamp),
		},
	}
}

func againstCars(a *assess.Against) string {
	if a.Left.Vehicle == a.Right.Vehicle {
		return vehicle(a.Left.Vehicle)
	}
	return vehicle(a.Left.Vehicle) + " and " + vehicle(a.Right.Vehicle)
}

func sideSection(a *assess.Against) text.Section {
	t := &text.Table{Columns: []text.Column{{Head: "Side"}, {Head: "Revision", Flex: true}, {Head: "Car", Flex: true},
		{Head: "Verdict"}}}
	for _, side := range []struct {
		name string
		of   assess.AgainstSide
	}{{"left", a.Left}, {"right", a.Right}} {
		r := text.Row{Cells: []text.Cell{
			text.Of(side.name), text.Of(or(side.of.Revision, show.Missing)).Toned(text.Loud),
			text.Of(vehicle(side.of.Vehicle)),
			text.Of(or(side.of.Verdict, show.Missing)).Toned(verdictTone(side.of.Verdict)),
		}}
		for _, b := range side.of.Because {
			r.Notes = append(r.Notes, capital(sentence(b)))
		}
		if len(r.Notes) == 0 {
			r.Notes = []string{"No reason was recorded."}
		}
		t.Rows = append(t.Rows, r)
	}
	return text.Section{ID: "verdicts", Title: "Verdicts", Intro: "Each revision on its own.",
		Blocks: []text.Block{{Table: t}}}
}

func againstHazardSection(a *assess.Against) text.Section {
	s := text.Section{ID: "hazards", Title: "Chance of crossing, hazard by hazard"}
	if len(a.Hazards) == 0 {
		s.Intro = "No hazard is listed in this result."
		return s
	}
	s.Intro = "The chance is that a pull crosses the limit in any cell; brackets hold its 90 % interval. The change " +
		"is right minus left in percentage points. " +
		"The last column is how much of the remaining uncertainty has the right revision as the more likely to cross."
	t := &text.Table{
		Columns: []text.Column{
			{Head: "Hazard", Flex: true}, {Head: "Left", Right: true}, {Head: "Right", Right: true},
			{Head: "Change", Right: true},
			{Head: "Right is worse", Right: true},
		},
		Legend: "Small pictures: left revision above, right revision below. The upright lines stand at 0.1, 1, 10, " +
			"50, 90, 99 and 99.9 %. The dot is the chance, the bar its 90 % interval.",
		Absent: "not assessed on that side, which is no pass, or the two revisions cannot be compared in it.",
	}
	for i := range a.Hazards {
		t.Rows = append(t.Rows, againstHazardRow(&a.Hazards[i]))
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func againstHazardRow(h *assess.AgainstHazard) text.Row {
	change := text.Of(points(h.Change))
	change.Strip = pairStrip(h)
	worse := text.Of(show.Probability(h.Worse))
	switch {
	case h.Change == 0 && h.Worse == 0:
		worse = text.Of("no difference").Toned(text.Faint)
	case h.Worse >= clearShare:
		worse = worse.Toned(text.Alarm)
	}
	r := text.Row{Cells: []text.Cell{
		text.Of(plain(h.Hazard), "("+or(h.Severity, "severity not stated")+")").Toned(text.Loud),
		sideChance(h.Left), sideChance(h.Right), change.Toned(text.Loud), worse,
	}}
	if h.Left.Interval90[1] < quietChance && h.Right.Interval90[1] < quietChance && h.Left.Status == h.Right.Status {
		r.SetBack() // hardly any chance on either side; not so where one is not known
	}
	left, right := h.Left.Why, h.Right.Why
	switch {
	case left != "" && left == right:
		r.Notes = []string{"Both: " + sentence(left)}
	default:
		if left != "" {
			r.Notes = append(r.Notes, "Left: "+sentence(left))
		}
		if right != "" {
			r.Notes = append(r.Notes, "Right: "+sentence(right))
		}
	}
	return r
}

// clearShare is the share of the draws from which on the right revision stands out as the worse; common practice, no
// source.
const clearShare = 0.95

// sideChance is the chance on one side, or what its status says instead.
func sideChance(h assess.Hazard) text.Cell {
	switch h.Status {
	case result.NotAssessed:
		return text.Of(show.Missing, "(not assessed)")
	case result.Thin:
		if !h.ProbabilityPerPull.Known() {
			return text.Of(show.Missing, "(thin evidence)")
		}
		c := chance(h.ProbabilityPerPull, h.Interval90)
		return text.Of(append(c.Parts, "thin evidence")...).Toned(text.Doubt)
	}
	return chance(h.ProbabilityPerPull, h.Interval90)
}

// points is a difference of two probabilities in percentage points, "+3.1 points". What is not zero is not shown as it.
func points(change result.Number) string {
	switch pct := 100 * float64(change); {
	case !change.Known():
		return show.Missing
	case pct == 0:
		return "none"
	case math.Abs(pct) < 0.05:
		return map[bool]string{true: "up", false: "down"}[pct > 0] + show.NBSP + "<0.1" + show.NBSP + "points"
	default:
		return show.Signed(pct, 1) + show.NBSP + "points"
	}
}

// pairStrip draws the chances of both sides one above the other.
func pairStrip(h *assess.AgainstHazard) template.HTML {
	label := fmt.Sprintf("left %s, right %s", show.Probability(h.Left.ProbabilityPerPull),
		show.Probability(h.Right.ProbabilityPerPull))
	return draw.PairStrip(label, drawable(h.Left), drawable(h.Right))
}

// drawable is the chance on a side that is drawn: none where the hazard was not assessed.
func drawable(h assess.Hazard) draw.Chance {
	if h.Status == result.NotAssessed {
		return draw.Chance{PerPull: result.Unknown(), Interval90: result.UnknownSpan()}
	}
	return draw.Chance{PerPull: h.ProbabilityPerPull, Interval90: h.Interval90}
}

func againstGainSection(gains []assess.AgainstGain, d show.Display) text.Section {
	s := text.Section{ID: "torque", Title: "Torque"}
	if len(gains) == 0 {
		s.Intro = "No torque could be worked out for both revisions at one speed."
		return s
	}
	s.Intro = "Brake torque of each revision, and right minus left."
	t := &text.Table{
		Columns: []text.Column{{Head: "Speed", Right: true}, {Head: "Left", Right: true}, {Head: "Right", Right: true},
			{Head: "Difference", Right: true}},
		Absent: "no number could be worked out at this speed.",
	}
	for _, g := range gains {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(d.Value(g.RPM, "rpm")), text.Of(d.Value(g.Left, "Nm")), text.Of(d.Value(g.Right, "Nm")),
			text.Of(d.Change(g.Right-g.Left, "Nm")).Toned(text.Loud),
		}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// againstRow is one line of a comparison, flat. Record is "revision", "hazard" or "torque"; columns of the other
// records are not known.
type againstRow struct {
	Record        string          `parquet:"record,dict"`
	Left          string          `parquet:"left,dict"`
	Right         string          `parquet:"right,dict"`
	Side          string          `parquet:"side,dict"` // left | right, of a revision
	Vehicle       string          `parquet:"vehicle,dict"`
	Verdict       assess.Verdict  `parquet:"verdict,dict"`
	Because       string          `parquet:"because"`
	Hazard        hazard.ID       `parquet:"hazard,dict"`
	Severity      hazard.Severity `parquet:"severity,dict"`
	LeftStatus    result.Status   `parquet:"left_status,dict"`
	LeftChance    *float64        `parquet:"left_probability_per_pull,optional"`
	LeftLow       *float64        `parquet:"left_probability_per_pull_low90,optional"`
	LeftHigh      *float64        `parquet:"left_probability_per_pull_high90,optional"`
	RightStatus   result.Status   `parquet:"right_status,dict"`
	RightChance   *float64        `parquet:"right_probability_per_pull,optional"`
	RightLow      *float64        `parquet:"right_probability_per_pull_low90,optional"`
	RightHigh     *float64        `parquet:"right_probability_per_pull_high90,optional"`
	Change        *float64        `parquet:"change_per_pull,optional"`
	Worse         *float64        `parquet:"right_worse_share,optional"`
	Speed         *float64        `parquet:"speed_rpm,optional"`
	LeftTorqueNm  *float64        `parquet:"left_torque_nm,optional"`
	RightTorqueNm *float64        `parquet:"right_torque_nm,optional"`
	Digest        string          `parquet:"workspace_digest,dict"`
	Seed          uint64          `parquet:"seed"`
}

func againstRows(a *assess.Against) []againstRow {
	common := againstRow{Left: a.Left.Revision, Right: a.Right.Revision, Digest: a.WorkspaceDigest, Seed: a.Seed}
	var rows []againstRow
	for i, side := range []assess.AgainstSide{a.Left, a.Right} {
		out := common
		out.Record, out.Side = "revision", []string{"left", "right"}[i]
		out.Vehicle, out.Verdict, out.Because = side.Vehicle, side.Verdict, strings.Join(side.Because, "; ")
		rows = append(rows, out)
	}
	for _, h := range a.Hazards {
		out := common
		out.Record, out.Hazard, out.Severity = "hazard", h.Hazard, h.Severity
		out.LeftStatus, out.LeftChance = h.Left.Status, export.Known(h.Left.ProbabilityPerPull)
		out.LeftLow, out.LeftHigh = export.Known(h.Left.Interval90[0]), export.Known(h.Left.Interval90[1])
		out.RightStatus, out.RightChance = h.Right.Status, export.Known(h.Right.ProbabilityPerPull)
		out.RightLow, out.RightHigh = export.Known(h.Right.Interval90[0]), export.Known(h.Right.Interval90[1])
		out.Change, out.Worse = export.Known(h.Change), export.Known(h.Worse)
		rows = append(rows, out)
	}
	for _, g := range a.Gains {
		out := common
		out.Record, out.Speed, out.LeftTorqueNm, out.RightTorqueNm = "torque", export.Known(g.RPM),
			export.Known(g.Left),
			export.Known(g.Right)
		rows = append(rows, out)
	}
	return rows
}
