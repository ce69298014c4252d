package report

import (
	"fmt"
	"io"
	"strconv"

	"headroom/internal/backtest"
	"headroom/internal/hazard"
	"headroom/internal/report/draw"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
)

// Backtest writes the estimator's own record. CSV and Parquet hold one row a prediction (a revision's hazard), then one
// a hazard's score and one a bin of its reliability table, then what was not scored; the column "record" says which.
func Backtest(w io.Writer, b *backtest.Record, f Format, opt Options) error {
	if b == nil {
		return errNoResult
	}
	return write(w, f, opt, b.Stamp, worded(b, wordedRecord), backtestDocument, backtestRows)
}

func backtestDocument(b *backtest.Record, d show.Display) text.Document {
	inside := 0
	for _, p := range b.Predictions {
		if p.Inside {
			inside++
		}
	}
	return text.Document{
		Kind:  "backtest",
		Title: "Past revisions predicted from what was known before",
		Facts: []text.Fact{
			{Name: "Revisions with own pulls", Value: strconv.Itoa(b.Revisions)},
			{Name: "Predicted", Value: strconv.Itoa(b.Predicted)},
			{Name: "Predictions", Value: fmt.Sprintf("%d, %d inside their band", len(b.Predictions), inside)},
			{Name: "Fits", Value: strconv.Itoa(len(b.Fits))},
		},
		Sections: []text.Section{
			scoreSection(b), reliabilitySection(b), bandSection(b), surpriseSection(b, d), notScoredSection(b),
			fitSection(b),
			{ID: "rules", Title: "How this is reckoned", Blocks: []text.Block{{List: b.Rules}}},
			cautionSection(b.Cautions), provenanceSection(b.Stamp),
		},
	}
}

// everyHazard is the record of all hazards together before that of each.
func everyHazard(b *backtest.Record) []backtest.Score {
	return append([]backtest.Score{b.Overall}, b.Hazards...)
}

func recordName(id hazard.ID) string {
	if id == backtest.AllHazards {
		return "all hazards"
	}
	return plain(id)
}

func scoreSection(b *backtest.Record) text.Section {
	s := text.Section{ID: "scores", Title: "Scores by hazard"}
	if b.Overall.Status != backtest.StatusScored {
		s.Intro = "Nothing could be scored: " + sentence(or(b.Overall.Why, "no revision was predicted"))
		return s
	}
	s.Intro = "Skill 1 is perfect, 0 no better than the rule compared with, below 0 worse; brackets hold its 90 % " +
		"interval. The rules are the share known before, and that every pull will be as the car's last log."
	t := &text.Table{
		Columns: []text.Column{
			{Head: "Hazard", Flex: true}, {Head: "Pulls", Right: true}, {Head: "Stated", Right: true},
			{Head: "Seen", Right: true},
			{Head: "Skill on base rate", Right: true}, {Head: "Skill on last log", Right: true},
			{Head: "Calibration error", Right: true},
			{Head: "Brier score", Right: true, Wide: true}, {Head: "Log score", Right: true, Wide: true},
		},
		Absent: "no pull crossed (or all did), so skill is not defined: every rule that says \"never\" (or " +
			"\"always\") is right.",
	}
	for _, h := range everyHazard(b) {
		if h.Status == backtest.StatusScored {
			t.Rows = append(t.Rows, scoreRow(h))
		}
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func scoreRow(h backtest.Score) text.Row {
	note := fmt.Sprintf("%s; %s was the share known before. Brier score %s (base rate %s, last log %s), log score %s "+
		"(base rate %s).",
		count(h.Revisions, "revision"), show.Probability(h.BaseRate), tiny(h.Brier), tiny(h.BrierBase),
		tiny(h.BrierNaive),
		tiny(h.LogScore), tiny(h.LogScoreBase))
	if h.ThinRevisions > 0 {
		note += fmt.Sprintf(" %s on evidence the verdict calls thin.", capital(count(h.ThinRevisions, "revision")))
	}
	r := text.Row{
		Cells: []text.Cell{
			text.Of(recordName(h.Hazard)).Toned(text.Loud),
			text.Of(strconv.Itoa(h.Pulls), fmt.Sprintf("(%d crossed)", h.Crossed)),
			text.Of(show.Probability(h.Stated)),
			text.Of(shareOf(h.Crossed, h.Pulls)),
			skill(h.SkillBase, h.SkillBase90),
			skill(h.SkillNaive, h.SkillNaive90),
			text.Of(distance(h.CalibrationError)),
			text.Of(tiny(h.Brier), "(base "+tiny(h.BrierBase)+")"),
			text.Of(tiny(h.LogScore), "(base "+tiny(h.LogScoreBase)+")"),
		},
		Notes: []string{note},
	}
	if h.Why != "" && h.Crossed > 0 {
		r.Notes = append(r.Notes, capital(sentence(h.Why)))
	}
	return r
}

// tiny is a score to four decimals; what would round to none is written as a bound.
func tiny(v result.Number) string {
	if v > 0 && v < 0.00005 {
		return "<0.0001"
	}
	return show.Number(v, 4)
}

// skill is a skill with its interval.
func skill(v result.Number, span result.Span) text.Cell {
	if !v.Known() {
		return text.Of(show.Missing)
	}
	if !span[0].Known() || !span[1].Known() {
		return text.Of(show.Number(v, 2))
	}
	return text.Of(show.Number(v, 2), "("+show.Number(span[0], 2)+" to "+show.Number(span[1], 2)+")")
}

// shareOf is a part of a whole in percent, without claiming more than was counted.
func shareOf(part, whole int) string {
	if whole == 0 {
		return show.Missing
	}
	v := 100 * float64(part) / float64(whole)
	if v > 0 && v < 9.95 {
		return show.Fixed(v, 1) + show.NBSP + "%"
	}
	return show.Fixed(v, 0) + show.NBSP + "%"
}

// distance is a difference of probabilities in percent.
func distance(v result.Number) string {
	if !v.Known() {
		return show.Missing
	}
	return show.Fixed(100*float64(v), 1) + show.NBSP + "%"
}

func reliabilitySection(b *backtest.Record) text.Section {
	s := text.Section{ID: "reliability", Title: "Reliability"}
	if len(b.Overall.Reliability) == 0 {
		s.Intro = "No prediction to compare."
		return s
	}
	s.Intro = "Of the pulls that were given a chance, how many crossed: on the diagonal, chances mean what they say; " +
		"bars hold the exact 90 % interval of the share. " +
		"Hazards without a crossing are left out here; the json format has them."
	var plots []text.Plot
	var tables []text.Block
	for _, h := range everyHazard(b) {
		if h.Crossed == 0 && h.Hazard != "all" {
			continue
		}
		if len(h.Reliability) > 0 {
			plots = append(plots, reliabilityPlot(h))
			tables = append(tables, text.Block{Table: reliabilityTable(h)})
		}
	}
	s.Blocks = append([]text.Block{{Plots: plots}}, tables...)
	return s
}

func reliabilityTable(h backtest.Score) *text.Table {
	t := &text.Table{
		Caption: capital(recordName(h.Hazard)),
		Columns: []text.Column{
			{Head: "Stated between", Right: true}, {Head: "Stated, mean", Right: true}, {Head: "Seen", Right: true},
			{Head: "90 % interval", Right: true}, {Head: "Pulls", Right: true}, {Head: "Predictions", Right: true},
		},
	}
	if h.Hazard != "all" {
		t.Fold = "Numbers: " + recordName(h.Hazard)
	}
	for _, b := range h.Reliability {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(show.Fixed(100*float64(b.Stated[0]), 0) + " to " + show.Fixed(100*float64(b.Stated[1]), 0) +
				show.NBSP + "%"),
			text.Of(show.Probability(b.Mean)), text.Of(shareOf(b.Crossed, b.Pulls)),
			text.Of(show.Probabilities(b.Interval90)),
			text.Of(strconv.Itoa(b.Pulls), fmt.Sprintf("(%d crossed)", b.Crossed)), integer(b.Predicted),
		}})
	}
	return t
}

// reliabilityPlot draws stated against seen.
func reliabilityPlot(h backtest.Score) text.Plot {
	title := capital(recordName(h.Hazard)) + ", stated against seen"
	bins := make([]draw.Bin, len(h.Reliability))
	for i, b := range h.Reliability {
		bins[i] = draw.Bin{Stated: b.Mean, Seen: b.Observed, Interval90: b.Interval90, Pulls: b.Pulls}
	}
	return text.Plot{Title: title, SVG: draw.Reliability(bins, title, fmt.Sprintf("%d of %d pulls crossed; %s were "+
		"predicted.", h.Crossed, h.Pulls, show.Probability(h.Stated)))}
}

func bandSection(b *backtest.Record) text.Section {
	s := text.Section{ID: "bands", Title: "Did the 90 % bands hold?"}
	if b.Overall.Bands.Counts == 0 {
		s.Intro = "No band to compare."
		return s
	}
	s.Intro = "Counts: the number of own pulls that crossed, against the band predicted for it. Margins: the " +
		"smallest margin of each own pull, against the band predicted for it."
	t := &text.Table{
		Columns: []text.Column{
			{Head: "Hazard", Flex: true}, {Head: "Counts held", Right: true}, {Head: "Should hold", Right: true},
			{Head: "Margins held", Right: true}, {Head: "90 % interval", Right: true}, {Head: "Worse than the band",
				Right: true},
		},
		Absent: "no own pull shows the margin.",
	}
	for _, h := range everyHazard(b) {
		n := h.Bands
		if n.Counts == 0 {
			continue
		}
		held, below := text.Of(show.Missing), text.Of(show.Missing)
		if n.Margins > 0 {
			held = text.Of(shareOf(n.MarginsHeld, n.Margins), fmt.Sprintf("(%d of %d)", n.MarginsHeld, n.Margins))
			below = text.Of(shareOf(n.MarginsBelow, n.Margins), fmt.Sprintf("(%d)", n.MarginsBelow))
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(recordName(h.Hazard)).Toned(text.Loud),
			text.Of(shareOf(n.CountsHeld, n.Counts), fmt.Sprintf("(%d of %d)", n.CountsHeld, n.Counts)),
			text.Of(show.Probability(n.CountsExpected)), held, text.Of(show.Probabilities(n.Margins90)), below,
		}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

func surpriseSection(b *backtest.Record, d show.Display) text.Section {
	s := text.Section{ID: "predictions", Title: "Revision by revision"}
	if len(b.Predictions) == 0 {
		s.Intro = "No revision was predicted."
		return s
	}
	outside, every := predictionTable(), predictionTable()
	outside.Caption = "Outside the band"
	every.Only, every.Fold, every.Caption = text.OnPaper, "All predictions", "All predictions, by date"
	for _, p := range b.Predictions {
		every.Rows = append(every.Rows, predictionRow(p, d))
		if !p.Inside {
			outside.Rows = append(outside.Rows, predictionRow(p, d))
		}
	}
	s.Intro = fmt.Sprintf("%s of %d had a number of crossings outside the predicted band. The csv, json and html "+
		"formats have all.", strconv.Itoa(len(outside.Rows)), len(b.Predictions))
	s.Blocks = []text.Block{{Table: outside}, {Table: every}}
	return s
}

func predictionTable() *text.Table {
	return &text.Table{Columns: []text.Column{
		{Head: "First own log"}, {Head: "Revision", Flex: true}, {Head: "For", Flex: true, Wide: true},
		{Head: "Hazard", Flex: true},
		{Head: "Chance per pull", Right: true}, {Head: "Crossed", Right: true}, {Head: "Predicted", Right: true},
		{Head: "Base rate, last log", Right: true, Wide: true},
	}}
}

func predictionRow(p backtest.Prediction, d show.Display) text.Row {
	r := text.Row{Cells: []text.Cell{
		text.Of(p.Date), text.Of(p.Revision).Toned(text.Loud), text.Of(p.Platform, vehicle(p.Vehicle)),
		text.Of(plain(p.Hazard)),
		chance(p.ProbabilityPerPull, p.Interval90), text.Of(fmt.Sprintf("%d of %d", p.Crossed, p.Pulls)),
		text.Of(fmt.Sprintf("%d to %d", p.Band90[0], p.Band90[1])), text.Of(show.Probability(p.BaseRate),
			show.Probability(p.Naive)),
	}}
	if p.Status == result.Thin {
		r.Notes = append(r.Notes, fmt.Sprintf("Thin evidence: %s, %s.", count(p.Cars, "car"),
			count(p.KnownPulls, "pull")))
	}
	for _, m := range p.Margins {
		if m.Held < m.Pulls {
			r.Notes = append(r.Notes, fmt.Sprintf("Smallest margin of %s predicted in %s, seen in %s; %d of %s inside.",
				plain(m.Metric), d.Differences(m.Band90, m.Unit), d.Differences(m.Seen, m.Unit), m.Held,
				count(m.Pulls, "pull")))
		}
	}
	return r
}

func notScoredSection(b *backtest.Record) text.Section {
	s := text.Section{ID: "not-scored", Title: "Not scored"}
	var hazards, revisions []string
	for _, h := range b.Hazards {
		if h.Status != backtest.StatusScored {
			hazards = append(hazards, capital(plain(h.Hazard))+": "+sentence(h.Why))
		}
	}
	for _, r := range b.NotScored {
		revisions = append(revisions, r.Revision+": "+sentence(r.Error))
	}
	if len(hazards)+len(revisions) == 0 {
		s.Intro = "None: every hazard and every revision with own pulls was scored."
		return s
	}
	s.Intro = "What has no record is not thereby right."
	for _, list := range [][]string{hazards, revisions} {
		if len(list) > 0 {
			s.Blocks = append(s.Blocks, text.Block{List: list})
		}
	}
	return s
}

func fitSection(b *backtest.Record) text.Section {
	s := text.Section{ID: "fits", Title: "What was known when"}
	if len(b.Fits) == 0 {
		s.Intro = "No platform could be fitted before a revision."
		return s
	}
	t := &text.Table{Columns: []text.Column{
		{Head: "Platform", Flex: true}, {Head: "Fitted to logs before"}, {Head: "Cars", Right: true},
		{Head: "Pulls", Right: true}, {Head: "Revisions predicted", Right: true},
	}}
	for _, f := range b.Fits {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(f.Platform).Toned(text.Loud), text.Of(f.Before),
			integer(f.Cars),
			integer(f.Pulls), integer(f.Used)}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// backtestRow is one record, flat. Record is "prediction", "score", "bin", or "not_scored".
type backtestRow struct {
	Record        string    `parquet:"record,dict"`
	Date          string    `parquet:"date,dict"`
	Revision      string    `parquet:"revision,dict"`
	Platform      string    `parquet:"platform,dict"`
	Vehicle       string    `parquet:"vehicle,dict"`
	Hazard        hazard.ID `parquet:"hazard,dict"`
	Status        string    `parquet:"status,dict"`
	FitBefore     string    `parquet:"fit_before,dict"`
	From          *float64  `parquet:"bin_from,optional"`
	To            *float64  `parquet:"bin_to,optional"`
	Probability   *float64  `parquet:"probability_per_pull,optional"`
	ProbabilityLo *float64  `parquet:"probability_per_pull_low90,optional"`
	ProbabilityHi *float64  `parquet:"probability_per_pull_high90,optional"`
	BaseRate      *float64  `parquet:"base_rate,optional"`
	Naive         *float64  `parquet:"naive,optional"`
	Revisions     *int64    `parquet:"revisions,optional"`
	Predictions   *int64    `parquet:"predictions,optional"`
	Pulls         *int64    `parquet:"pulls,optional"`
	Crossed       *int64    `parquet:"crossed,optional"`
	BandLow       *int64    `parquet:"crossed_low90,optional"`
	BandHigh      *int64    `parquet:"crossed_high90,optional"`
	Inside        *bool     `parquet:"inside,optional"`
	Brier         *float64  `parquet:"brier,optional"`
	BrierBase     *float64  `parquet:"brier_base,optional"`
	BrierNaive    *float64  `parquet:"brier_naive,optional"`
	SkillBase     *float64  `parquet:"skill_base,optional"`
	SkillBaseLo   *float64  `parquet:"skill_base_low90,optional"`
	SkillBaseHi   *float64  `parquet:"skill_base_high90,optional"`
	SkillNaive    *float64  `parquet:"skill_naive,optional"`
	SkillNaiveLo  *float64  `parquet:"skill_naive_low90,optional"`
	SkillNaiveHi  *float64  `parquet:"skill_naive_high90,optional"`
	LogScore      *float64  `parquet:"log_score_nats,optional"`
	LogScoreBase  *float64  `parquet:"log_score_base_nats,optional"`
	Calibration   *float64  `parquet:"calibration_error,optional"`
	Counts        *int64    `parquet:"counts,optional"`
	CountsHeld    *int64    `parquet:"counts_held,optional"`
	Margins       *int64    `parquet:"margins,optional"`
	MarginsHeld   *int64    `parquet:"margins_held,optional"`
	MarginsBelow  *int64    `parquet:"margins_below,optional"`
	Why           string    `parquet:"why"`
	Digest        string    `parquet:"workspace_digest,dict"`
	Seed          uint64    `parquet:"seed"`
}

func backtestRows(b *backtest.Record) []backtestRow {
	var rows []backtestRow
	for _, p := range b.Predictions {
		rows = append(rows, predictionRecord(p))
	}
	for _, h := range everyHazard(b) {
		rows = append(rows, scoreRecord(h))
	}
	for _, h := range everyHazard(b) {
		for _, n := range h.Reliability {
			rows = append(rows, backtestRow{
				Record: "bin", Hazard: h.Hazard, Status: string(h.Status), From: export.Known(n.Stated[0]),
				To:          export.Known(n.Stated[1]),
				Probability: export.Known(n.Mean), Predictions: export.Some(int64(n.Predicted)),
				Pulls:   export.Some(int64(n.Pulls)),
				Crossed: export.Some(int64(n.Crossed)),
			})
		}
	}
	for _, r := range b.NotScored {
		rows = append(rows, backtestRow{Record: "not_scored", Revision: r.Revision, Why: r.Error})
	}
	for i := range rows {
		rows[i].Digest, rows[i].Seed = b.WorkspaceDigest, b.Seed
	}
	return rows
}

func predictionRecord(p backtest.Prediction) backtestRow {
	out := backtestRow{
		Record: "prediction", Date: p.Date, Revision: p.Revision, Platform: p.Platform, Vehicle: p.Vehicle,
		Hazard: p.Hazard,
		Status: string(p.Status), FitBefore: p.FitBefore, Probability: export.Known(p.ProbabilityPerPull),
		ProbabilityLo: export.Known(p.Interval90[0]), ProbabilityHi: export.Known(p.Interval90[1]),
		BaseRate: export.Known(p.BaseRate),
		Naive:    export.Known(p.Naive),
		Pulls:    export.Some(int64(p.Pulls)), Crossed: export.Some(int64(p.Crossed)),
		BandLow:  export.Some(int64(p.Band90[0])),
		BandHigh: export.Some(int64(p.Band90[1])),
		Inside:   export.Some(p.Inside),
	}
	if len(p.Margins) > 0 {
		var pulls, held, below int64
		for _, m := range p.Margins {
			pulls += int64(m.Pulls)
			held += int64(m.Held)
			below += int64(m.Below)
		}
		out.Margins, out.MarginsHeld, out.MarginsBelow = &pulls, &held, &below
	}
	return out
}

func scoreRecord(h backtest.Score) backtestRow {
	return backtestRow{
		Record: "score", Hazard: h.Hazard, Status: string(h.Status), Probability: export.Known(h.Stated),
		BaseRate:  export.Known(h.BaseRate),
		Revisions: export.Some(int64(h.Revisions)), Pulls: export.Some(int64(h.Pulls)),
		Crossed: export.Some(int64(h.Crossed)),
		Brier:   export.Known(h.Brier), BrierBase: export.Known(h.BrierBase), BrierNaive: export.Known(h.BrierNaive),
		SkillBase: export.Known(h.SkillBase), SkillBaseLo: export.Known(h.SkillBase90[0]),
		SkillBaseHi: export.Known(h.SkillBase90[1]),
		SkillNaive:  export.Known(h.SkillNaive), SkillNaiveLo: export.Known(h.SkillNaive90[0]),
		SkillNaiveHi: export.Known(h.SkillNaive90[1]),
		LogScore:     export.Known(h.LogScore), LogScoreBase: export.Known(h.LogScoreBase),
		Calibration: export.Known(h.CalibrationError),
		Counts:      export.Some(int64(h.Bands.Counts)), CountsHeld: export.Some(int64(h.Bands.CountsHeld)),
		Margins:     export.Some(int64(h.Bands.Margins)),
		MarginsHeld: export.Some(int64(h.Bands.MarginsHeld)), MarginsBelow: export.Some(int64(h.Bands.MarginsBelow)),
		Why: h.Why,
	}
}
