package report

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/report/draw"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
	"headroom/models/value"
)

func reviewDocument(r *assess.Review, d show.Display) text.Document {
	return text.Document{
		Kind:  "review",
		Title: "Review of " + or(r.Revision, "an unnamed revision"),
		Facts: []text.Fact{
			{Name: "Parent", Value: or(r.Parent, "none, a base calibration")},
			{Name: "Platform", Value: or(r.Platform, "not named")},
			{Name: "Car", Value: vehicle(r.Vehicle)},
			{Name: "Author", Value: or(r.Author, "not named")},
			{Name: "Fuel", Value: or(r.Fuel, "not named")},
		},
		Verdict: verdictOf(r.Verdict, r.Because),
		Sections: []text.Section{
			findingSection(r, d),
			hazardSection(r), useSection(r),
			changesSection(r, words{Display: d}),
			unvisitedSection(r, words{Display: d}),
			ownLogSection(r.OwnLogs, d),
			curveSection(r, d),
			conditionSection(r, d),
			gainSection(r, d),
			footprintSection(&r.Footprint, d),
			nextPullSection(r.NextPulls),
			cautionSection(r.Cautions),
			ruleSection(),
			provenanceSection(r.Stamp),
		},
	}
}

// fewRows is how many findings a brief review shows.
const fewRows = 5

// briefDocument is a review for a list of several: the verdict, the ranked numbers, and what no number stands for.
func briefDocument(r *assess.Review, d show.Display) text.Document {
	doc := reviewDocument(r, d)
	findings := findingSection(r, d)
	for _, b := range findings.Blocks {
		if b.Table != nil {
			b.Table.Most = fewRows
			for i := range b.Table.Rows {
				b.Table.Rows[i].Notes = nil
			}
		}
	}
	doc.Sections = []text.Section{findings}
	if missed := unassessed(r.Hazards); len(missed) > 0 {
		doc.Sections = append(doc.Sections, text.Section{ID: "unassessed", Title: "Not assessed",
			Blocks: []text.Block{{List: missed}}})
	}
	return doc
}

// unassessed lists the hazards without a number and why.
func unassessed(hazards []assess.Hazard) []string {
	var out []string
	for _, h := range hazards {
		if h.Status == result.NotAssessed {
			out = append(out, plain(h.Hazard)+": "+or(h.Why, "no reason was recorded"))
		}
	}
	return out
}

func verdictOf(word assess.Verdict, because []string) *text.Verdict {
	v := &text.Verdict{Word: or(word, "no verdict"), Meaning: verdicts[word].meaning, Because: because,
		Grade: cmp.Or(verdicts[word].grade, text.Undecided)}
	if len(because) == 0 {
		v.Because = []string{"no reason was recorded"}
	}
	return v
}

// ruleSection prints the rule the verdict was made by, one line a sentence.
func ruleSection() text.Section {
	return text.Section{
		ID: "rule", Title: "How the verdict is made", Intro: "The first of these that applies is the verdict.",
		Blocks: []text.Block{{List: strings.Split(strings.TrimSuffix(assess.VerdictRule, "."), ". ")}},
	}
}

func vehicle(id string) string {
	switch id {
	case "":
		return "not named"
	case "fleet":
		return "whole fleet"
	}
	return id
}

func findingSection(r *assess.Review, d show.Display) text.Section {
	s := text.Section{ID: "closest-limits", Title: "Closest limits"}
	if len(r.Findings) == 0 {
		s.Intro = "No hazard could be set against a limit in any cell. The list of hazards says what is missing."
		return s
	}
	s.Intro = "Ordered by severity times chance of crossing; ties by margin in units of its own spread. " +
		"Brackets hold the range that 90 of 100 pulls fall in. A margin above zero is inside the limit; ± is one " +
		"standard deviation. The chance counts every pull, also those that never enter the cell."
	t := &text.Table{
		Columns: []text.Column{
			{Head: "#", Right: true}, {Head: "Hazard", Flex: true}, {Head: "Where"}, {Head: "Predicted", Right: true},
			{Head: "Limit", Right: true}, {Head: "Margin", Right: true}, {Head: "Chance per pull", Right: true},
			{Head: "Fleet evidence", Wide: true},
		},
		Most: 10,
		Legend: "Small pictures: the dot is the prediction, the bar holds 90 of 100 pulls, the upright line is the " +
			"limit, hatching lies past it, the diamond is the fleet envelope.",
		Absent: "no number could be worked out; the note of the same rank says more.",
	}
	for i := range r.Findings {
		t.Rows = append(t.Rows, findingRow(&r.Findings[i], d))
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func findingRow(f *assess.Finding, d show.Display) text.Row {
	predicted := text.Of(d.Value(f.Predicted, f.Unit))
	if within := d.Interval(f.Interval90, f.Unit); within != show.Missing {
		predicted = text.Of(predicted.Parts[0], "("+within+")")
	}
	predicted.Strip = draw.ReadingStrip(fmt.Sprintf("predicted %s, limit %s", d.Value(f.Predicted, f.Unit),
		d.Value(f.Limit, f.Unit)), draw.Reading{Predicted: f.Predicted, Limit: f.Limit, Margin: f.Margin,
		Envelope: f.Envelope.Limit, Interval90: f.Interval90})
	margin := text.Of(d.Margin(f.Margin, f.MarginSD, f.Unit))
	if f.Margin.Known() && f.Margin < 0 {
		margin = text.Of(margin.Parts[0], "past the limit").Toned(text.Alarm)
	}
	r := text.Row{
		Cells: []text.Cell{
			integer(f.Rank),
			text.Of(plain(f.Hazard), "("+or(f.Severity, "severity not stated")+")").Toned(text.Loud),
			where(f.Cell),
			predicted,
			text.Of(d.Value(f.Limit, f.Unit)),
			margin,
			text.Of(show.Probability(f.ProbabilityPerPull)).Toned(text.Loud),
			evidenceOf(f.Envelope.Cars, f.Envelope.Pulls),
		},
		Notes: findingNotes(f, d),
	}
	if quiet(f) {
		r.SetBack()
	}
	return r
}

// quietChance is the chance per pull under which a finding that the revision does not move is set back; it is the
// smallest chance the report prints.
const quietChance = 0.001

// quiet reports whether a finding need not catch the eye: hardly any chance, inside limit and envelope, and the
// revision changes nothing there. What is not known is never quiet.
func quiet(f *assess.Finding) bool {
	outside := f.Envelope.Inside != nil && !*f.Envelope.Inside
	c := f.Change
	unchanged := c.SparkDeg == 0 && c.Lambda == 0 && c.BoostKPa == 0 // false where one is not known
	return f.ProbabilityPerPull < quietChance && f.Margin > 0 && !outside && unchanged
}

// findingNotes is what a row of numbers cannot say: the sentence, the change, the envelope, the limit's source.
func findingNotes(f *assess.Finding, d show.Display) []string {
	var notes []string
	if f.Say != "" {
		notes = append(notes, f.Say)
	}
	notes = append(notes, changeOf(f.Change, d)+" "+envelopeOf(f, d),
		fmt.Sprintf("Metric: %s, %s. Limit from: %s", plain(f.Metric), basisOf(f.Basis),
			sentence(or(f.LimitSource, "no source given"))))
	return notes
}

// basisOf says what a number rests on.
func basisOf(basis assess.Basis) string {
	if basis == assess.BasisBoth {
		return "predicted and measured"
	}
	return or(basis, "basis not stated")
}

func changeOf(c assess.Change, d show.Display) string {
	var parts []string
	for _, p := range []struct {
		name string
		by   result.Number
		unit string
	}{{"spark", c.SparkDeg, "deg"}, {"lambda", c.Lambda, "lambda"}, {"boost", c.BoostKPa, "kPa"}} {
		switch {
		case !p.by.Known():
			parts = append(parts, p.name+" unknown")
		case p.by != 0:
			parts = append(parts, p.name+" "+d.Change(p.by, p.unit))
		}
	}
	if len(parts) == 0 {
		return "Change here: none."
	}
	return "Change here: " + strings.Join(parts, ", ") + "."
}

func envelopeOf(f *assess.Finding, d show.Display) string {
	seen := fmt.Sprintf("%s, %s", count(f.Envelope.Cars, "car"), count(f.Envelope.Pulls, "pull"))
	if f.Envelope.Inside == nil {
		return "Fleet envelope: cannot say, not enough cars (" + seen + ")."
	}
	side := "outside"
	if *f.Envelope.Inside {
		side = "inside"
	}
	return fmt.Sprintf("Fleet envelope: %s (limit %s from %s).", side, d.Value(f.Envelope.Limit, f.Unit), seen)
}

func hazardSection(r *assess.Review) text.Section {
	s := text.Section{ID: "hazards", Title: "All hazards"}
	if len(r.Hazards) == 0 {
		s.Intro = "No hazard is listed in this result."
		return s
	}
	t := &text.Table{
		Columns: []text.Column{
			{Head: "Hazard", Flex: true}, {Head: "Status"}, {Head: "Chance per pull", Right: true}, {Head: "Evidence"},
			{Head: "Basis", Flex: true},
		},
		Absent: "not assessed or too thin for a number; the note of the same hazard says why.",
	}
	tally := map[result.Status]int{}
	for _, h := range r.Hazards {
		tally[h.Status]++
		t.Rows = append(t.Rows, hazardRow(h))
	}
	s.Intro = fmt.Sprintf("%d of %s assessed, %d on thin evidence, %d not assessed. The chance is that a pull "+
		"crosses the limit in any cell; brackets hold its 90 %% interval.",
		tally[result.Assessed], count(len(r.Hazards), "hazard"), tally[result.Thin], tally[result.NotAssessed])
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func hazardRow(h assess.Hazard) text.Row {
	status, odds, basis := text.Of(plain(h.Status)), chance(h.ProbabilityPerPull, h.Interval90),
		text.Of(basisOf(h.Basis))
	why := h.Why
	if h.Status != result.Assessed {
		status = status.Toned(text.Doubt)
		why = or(why, "no reason was recorded")
	}
	if h.Status == result.NotAssessed {
		odds = text.Of(show.Missing)
	}
	if h.Basis == "" {
		basis = text.Of(show.Missing)
	}
	r := text.Row{Cells: []text.Cell{
		text.Of(plain(h.Hazard), "("+or(h.Severity, "severity not stated")+")").Toned(text.Loud), status, odds,
		evidenceOf(h.Cars, h.Pulls), basis,
	}}
	if why != "" {
		r.Notes = append(r.Notes, capital(sentence(why)))
	}
	if say := againstParent(h); say != "" {
		r.Notes = append(r.Notes, say)
	}
	if say := cameOut(h.Record); say != "" {
		r.Notes = append(r.Notes, say)
	}
	return r
}

// cameOut says how chances of a hazard came out before; "" where there is no record, or nothing was stated and nothing
// crossed.
func cameOut(r *assess.HazardRecord) string {
	if r == nil || r.Crossed == 0 && r.Stated < worthComparing {
		return ""
	}
	return fmt.Sprintf("How such chances came out here: %s stated, seen in %d of %s of %s that the fit had not seen.",
		show.Probability(r.Stated), r.Crossed, count(r.Pulls, "pull"), count(r.Revisions, "revision"))
}

// useSection is the chance over driving rather than a pull, of the hazards in which it is worth a line.
func useSection(r *assess.Review) text.Section {
	s := text.Section{ID: "uses", Title: "Over a use"}
	t := &text.Table{Columns: []text.Column{{Head: "Hazard", Flex: true}},
		Absent: "no chance could be worked out."}
	most, others := result.Number(0), 0
	for _, h := range r.Hazards {
		if len(h.Uses) == 0 {
			continue
		}
		if len(t.Columns) == 1 {
			for _, u := range h.Uses {
				t.Columns = append(t.Columns, text.Column{Head: capital(u.Use) + ": " + driven(u), Right: true})
			}
		}
		if h.ProbabilityPerPull < worthComparing {
			others, most = others+1, max(most, h.Uses[0].Probability)
			continue
		}
		row := text.Row{Cells: []text.Cell{text.Of(plain(h.Hazard)).Toned(text.Loud)}}
		for _, u := range h.Uses {
			row.Cells = append(row.Cells, chance(u.Probability, u.Interval90))
		}
		t.Rows = append(t.Rows, row)
	}
	if len(t.Columns) == 1 {
		s.Intro = "No chance could be worked out over a use: nothing was assessed."
		return s
	}
	s.Intro = "The chance that any pull of a use crosses the limit. All pulls are this car's, and those of one day " +
		"share its weather and its tank."
	if others > 0 {
		s.Intro += fmt.Sprintf(" %s below %s a pull: at most %s over the first use, since what is called all but "+
			"impossible happens now and then.", capital(count(others, "other hazard")),
			show.Probability(worthComparing), show.Probability(most))
	}
	if len(t.Rows) > 0 {
		s.Blocks = []text.Block{{Table: t}}
	}
	return s
}

// driven is how much driving a use is.
func driven(u assess.UseChance) string {
	if u.Days == 1 {
		return count(u.PullsEachDay, "pull")
	}
	return fmt.Sprintf("%d × %s", u.Days, count(u.PullsEachDay, "pull"))
}

// worthComparing is the chance from which the parent's is worth a line.
const worthComparing = 0.001

// againstParent sets a hazard's chance beside the parent's; "" where there is no parent or neither is worth a line.
func againstParent(h assess.Hazard) string {
	was, is := h.Parent, h.ProbabilityPerPull
	if !was.Known() || !is.Known() || (was < worthComparing && is < worthComparing) {
		return ""
	}
	points := func(v result.Number) string { return show.Signed(100*float64(v), 1) }
	return fmt.Sprintf("The parent crosses in %s of the same pulls; difference %s points (90 %% interval %s to %s).",
		show.Probability(was), points(is-was), points(h.Change90[0]), points(h.Change90[1]))
}

func conditionSection(r *assess.Review, d show.Display) text.Section {
	s := text.Section{ID: "stress", Title: "Under stress"}
	if len(r.Conditions) == 0 {
		s.Intro = "No stress condition could be worked out: nothing was assessed to put under stress."
		return s
	}
	s.Intro = "The same revision, and its parent, on a worse day; tables are read again where that takes the " +
		"engine. The margin is the smallest of any cell."
	t := &text.Table{
		Columns: []text.Column{{Head: "Condition", Flex: true}, {Head: "Hazard"},
			{Head: "Smallest margin", Right: true},
			{Head: "Chance per pull", Right: true}, {Head: "Parent", Right: true}},
		Absent: "no number could be worked out under this condition.",
		Most:   8,
	}
	for _, c := range r.Conditions {
		margin := text.Of(d.Difference(c.Margin, c.Unit))
		if c.Margin.Known() && c.Margin < 0 {
			margin = text.Of(append(margin.Parts, "past the limit")...).Toned(text.Alarm)
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(c.Condition), text.Of(plain(c.Hazard)), margin,
			text.Of(show.Probability(c.ProbabilityPerPull)), text.Of(show.Probability(c.Parent))}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// verb is a count with its verb: "1 state runs", "3 states run".
func verb(n int, thing, one, many string) string {
	if n == 1 {
		return count(n, thing) + " " + one
	}
	return count(n, thing) + " " + many
}

func nextPullSection(pulls []assess.NextPull) text.Section {
	s := text.Section{ID: "next-pulls", Title: "Log next"}
	if len(pulls) == 0 {
		s.Intro = "No pull is known that would narrow this verdict."
		return s
	}
	s.Intro = "The pulls that would narrow the verdict most, best first. Only under controlled test conditions."
	t := &text.Table{
		Columns: []text.Column{{Head: "#", Right: true}, {Head: "Where"}, {Head: "Gear", Right: true},
			{Head: "Channels", Flex: true}, {Head: "Narrows", Flex: true}},
		Absent: "any gear.",
	}
	for i, p := range pulls {
		channels := make([]string, len(p.Channels))
		for j, c := range p.Channels {
			channels[j] = plain(c)
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			integer(i + 1), where(result.Cell{RPM: p.RPM, LoadPct: p.LoadPct}), text.Of(show.Number(p.Gear, 0)),
			text.Of(or(strings.Join(channels, ", "), show.Missing+" (the usual ones)")),
			text.Of(or(p.Narrows, show.Missing+" (not stated)")),
		}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func curveSection(r *assess.Review, d show.Display) text.Section {
	s := text.Section{ID: "curves", Title: "Margin over engine speed"}
	if len(r.Curves) == 0 {
		s.Intro = "No margin could be drawn over engine speed."
		return s
	}
	s.Intro = "The worst cell at each speed. The band holds 90 of 100 pulls; below the limit line the limit is crossed."
	for i := range r.Curves {
		c := &r.Curves[i]
		s.Blocks = append(s.Blocks, text.Block{Table: curveTable(c, d)})
	}
	plots := make([]text.Plot, len(r.Curves))
	for i := range r.Curves {
		plots[i] = plotOf(&r.Curves[i], d)
	}
	s.Blocks = append([]text.Block{{Plots: plots}}, s.Blocks...)
	return s
}

// curveTitle names a curve by its hazard and its metric, where the name of the metric does not tell the hazard.
func curveTitle(c *assess.Curve) string {
	metric := plain(c.Metric)
	switch {
	case c.Metric == "", metric == plain(c.Hazard)+" margin":
		return capital(plain(c.Hazard))
	case strings.Contains(metric, plain(c.Hazard)):
		return capital(metric)
	}
	return capital(plain(c.Hazard)) + ": " + metric
}

// plotOf draws the margin of one hazard over engine speed.
func plotOf(c *assess.Curve, d show.Display) text.Plot {
	title, s := curveTitle(c), d.Step(c.Unit)
	points := make([]draw.MarginPoint, len(c.Points))
	for i, p := range c.Points {
		points[i] = draw.MarginPoint{RPM: p.RPM, Margin: p.Margin * s.Factor, Low: p.Low * s.Factor,
			High: p.High * s.Factor, Parent: p.Parent * s.Factor, Envelope: float64(p.Envelope) * s.Factor,
			Cars: p.Cars, Outside: p.Standing == assess.Outside, FarOutside: p.Standing == assess.FarOutside}
	}
	drawn := draw.Margin(points, s.Name, title+", margin over engine speed", describe(c, d))
	if drawn == "" {
		return text.Plot{Title: title, Note: "No margin is known at any speed."}
	}
	return text.Plot{Title: title, SVG: drawn}
}

// describe tells a plot in words: the lowest margin and where it is.
func describe(c *assess.Curve, d show.Display) string {
	lowest := -1
	for i, p := range c.Points {
		if value.Known(p.Margin) && (lowest < 0 || p.Margin < c.Points[lowest].Margin) {
			lowest = i
		}
	}
	if lowest < 0 {
		return "No margin is known at any speed."
	}
	p := c.Points[lowest]
	say := fmt.Sprintf("The smallest margin is %s at %s; 90 of 100 pulls fall in %s. Parent there: %s.",
		d.Difference(result.Number(p.Margin), c.Unit), d.Value(result.Number(p.RPM), "rpm"),
		d.Differences(result.Span{result.Number(p.Low), result.Number(p.High)}, c.Unit),
		d.Difference(result.Number(p.Parent), c.Unit))
	for _, s := range []assess.Standing{assess.Outside, assess.FarOutside} {
		if at := speedsOf(c, s, d); len(at) > 0 {
			say += fmt.Sprintf(" %s what was logged: at %s.", capital(standings[s]), strings.Join(at, ", "))
		}
	}
	return say
}

// standings are the words for where a state lies of what was logged.
var standings = map[assess.Standing]string{
	assess.Within: "among them", assess.Outside: "outside", assess.FarOutside: "far outside",
}

// speedsOf are the speeds at which the margin's state stands so.
func speedsOf(c *assess.Curve, s assess.Standing, d show.Display) []string {
	var out []string
	for _, p := range c.Points {
		if p.Standing == s && value.Known(p.Margin) {
			out = append(out, d.Value(result.Number(p.RPM), "rpm"))
		}
	}
	return out
}

func standingOf(s assess.Standing) text.Cell {
	cell := text.Of(standings[s])
	if s != assess.Within {
		cell = cell.Toned(text.Doubt)
	}
	return cell
}

// curveTable is a plot's numbers for readers who cannot see it.
func curveTable(c *assess.Curve, d show.Display) *text.Table {
	t := &text.Table{
		Caption: curveTitle(c), Fold: "Numbers: " + curveTitle(c), Only: text.OnPaper,
		Columns: []text.Column{{Head: "Speed", Right: true}, {Head: "Parent", Right: true},
			{Head: "Revision", Right: true},
			{Head: "5 to 95 %", Right: true}, {Head: "Fleet envelope", Right: true}, {Head: "Cars", Right: true},
			{Head: "Logged states"}},
		Absent: "not known at this speed.",
	}
	for _, p := range c.Points {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(d.Value(result.Number(p.RPM), "rpm")),
			text.Of(d.Difference(result.Number(p.Parent), c.Unit)),
			text.Of(d.Difference(result.Number(p.Margin), c.Unit)),
			text.Of(d.Differences(result.Span{result.Number(p.Low), result.Number(p.High)}, c.Unit)),
			text.Of(d.Difference(p.Envelope, c.Unit)),
			text.Of(strconv.Itoa(p.Cars)), standingOf(p.Standing),
		}})
	}
	if !slices.ContainsFunc(c.Points, func(p assess.CurvePoint) bool { return p.Standing != assess.Within }) {
		last := len(t.Columns) - 1
		t.Columns = t.Columns[:last]
		for i := range t.Rows {
			t.Rows[i].Cells = t.Rows[i].Cells[:last]
		}
	}
	return t
}
