package report

import (
	"fmt"
	"slices"
	"strconv"

	"headroom/internal/assess"
	"headroom/internal/assess/fleet"
	"headroom/internal/metric"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
)

func envelopesDocument(e *assess.Envelopes, d show.Display) text.Document {
	doc := text.Document{Kind: "envelopes", Title: "Fleet envelopes",
		Facts: []text.Fact{{Name: "Platforms", Value: strconv.Itoa(len(e.Platforms))}}}
	if len(e.Platforms) == 0 {
		doc.Sections = []text.Section{{ID: "none", Title: "No envelope", Intro: "There is no evidence to build an " +
			"envelope from."}}
	}
	for i := range e.Platforms {
		doc.Sections = append(doc.Sections, platformSection(i, &e.Platforms[i], d))
	}
	doc.Sections = append(doc.Sections, cautionSection(e.Cautions), provenanceSection(e.Stamp))
	return doc
}

func platformSection(i int, p *assess.PlatformEnvelope, d show.Display) text.Section {
	s := text.Section{
		ID: "platform-" + strconv.Itoa(i+1), Title: p.Platform, Named: true,
		Intro: builtFrom(p),
	}
	s.Blocks = append(s.Blocks, knockBlocks(&p.Knock, d)...)
	if len(p.FileChecks) > 0 {
		s.Blocks = append(s.Blocks, text.Block{Table: fileCheckTable(p.FileChecks, d)})
	}
	if len(p.Cells) == 0 {
		s.Blocks = append(s.Blocks, text.Block{Text: "No cell of this platform holds evidence."})
		return s
	}
	s.Intro += " A limit is what the fleet has run: it never lies past the most extreme value seen, and few cars " +
		"make it narrow. How far the next car may go stands beside it in the html, md, csv and json formats. The " +
		"tolerance limit takes the spread for normal; with few cars it lies far past all that was seen. The " +
		"prediction limit assumes no shape of the spread and needs more cars."
	groups := groupCells(p.Cells)
	s.Blocks = append(s.Blocks, text.Block{Table: groupTable(groups, d)})
	for _, group := range groups {
		s.Blocks = append(s.Blocks, text.Block{Grid: envelopeGrid(group, d)},
			text.Block{Table: envelopeTable(group, d)})
	}
	return s
}

// builtFrom says what a platform's envelope rests on. Pulls are counted over the whole platform; steady stretches only
// cell by cell, where one stretch may stand in several cells, so the fullest cell is named instead of a total.
func builtFrom(p *assess.PlatformEnvelope) string {
	var fullest *fleet.Envelope
	for i := range p.Cells {
		if c := &p.Cells[i]; c.Kind == kindSteady && (fullest == nil || c.Pulls > fullest.Pulls) {
			fullest = c
		}
	}
	pulls := fmt.Sprintf("%s and %s", count(p.Cars, "car"), count(p.Pulls, "pull"))
	switch {
	case fullest == nil && p.Pulls == 0:
		return "No pull and no steady stretch has been logged."
	case fullest == nil:
		return "Built from " + pulls + "; there are no steady stretches."
	case p.Pulls == 0:
		return fmt.Sprintf("Built from steady stretches alone, as many as %s of %s in one cell: no pull has been "+
			"logged.",
			count(fullest.Pulls, "stretch"), count(fullest.Cars, "car"))
	}
	return fmt.Sprintf("Built from %s, and from steady stretches, as many as %s of %s in one cell.",
		pulls, count(fullest.Pulls, "stretch"), count(fullest.Cars, "car"))
}

// groupTable is one line a metric: the terminal has no room for every cell.
func groupTable(groups []cellGroup, d show.Display) *text.Table {
	t := &text.Table{
		Caption: "Limits by metric (every cell: the html, md, csv and json formats)", Only: text.OnTerminal,
		Columns: []text.Column{{Head: "Metric", Flex: true}, {Head: "Segment"}, {Head: "Fuel"}, {Head: "Limit"},
			{Head: "Lowest to highest", Right: true},
			{Head: "Cells", Right: true}, {Head: "Too few cars", Right: true}},
		Absent: "no cell has enough cars.",
	}
	for _, g := range groups {
		span, few := g.limits()
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(plain(g.metric)).Toned(text.Loud), text.Of(or(g.kind, "any")), text.Of(or(g.class, "any")),
			text.Of(or(g.side, show.Missing)), text.Of(d.Interval(span, g.unit)),
			integer(len(g.cells)), integer(few),
		}})
	}
	return t
}

// limits are the lowest and the highest limit of a group, not known when it has none, and how many cells have none.
func (g cellGroup) limits() (span result.Span, without int) {
	span = result.UnknownSpan()
	for _, c := range g.cells {
		switch {
		case !c.Limit.Known():
			without++
		case !span[0].Known():
			span = result.Span{c.Limit, c.Limit}
		default:
			span = result.Span{min(span[0], c.Limit), max(span[1], c.Limit)}
		}
	}
	return span, without
}

// evidence is how many cars and segments stand behind a cell: pulls, or steady stretches.
func (g cellGroup) evidence(c fleet.Envelope) text.Cell {
	if g.kind == kindSteady {
		return text.Of(count(c.Cars, "car"), count(c.Pulls, "stretch"))
	}
	return evidenceOf(c.Cars, c.Pulls)
}

// where is the kind of segment in words.
func (g cellGroup) where() string { return or(kindNames[g.kind], or(g.kind, "any segment")) }

func knockBlocks(k *assess.KnockSummary, d show.Display) []text.Block {
	state := plain(k.Status)
	if k.Why != "" {
		state += ": " + k.Why
	}
	facts := []text.Fact{{Name: "Knock model", Value: state}}
	if k.Status != result.NotAssessed {
		facts = append(facts,
			text.Fact{Name: "Evidence", Value: fmt.Sprintf("%s, %s, %s, %s, %s", count(k.Cars, "car"),
				count(k.Pulls, "pull"), count(k.Steady, "steady stretch"), count(k.Rows, "row"),
				count(k.Events, "knock event"))},
			text.Fact{Name: "Spread between cars", Value: d.Difference(k.CarSD, "deg")},
			text.Fact{Name: "Spread between pulls", Value: d.Difference(k.PullSD, "deg")},
			text.Fact{Name: "Spread within a pull", Value: d.Difference(k.CellSD, "deg")},
			text.Fact{Name: "Fit", Value: convergence(k.Converged)})
	}
	blocks := []text.Block{{Facts: facts}}
	if len(k.Warnings) > 0 {
		blocks = append(blocks, text.Block{List: k.Warnings})
	}
	if len(k.Slopes) > 0 {
		blocks = append(blocks, text.Block{Table: slopeTable(k.Slopes, d)})
	}
	if len(k.Limit) > 0 {
		blocks = append(blocks, text.Block{Table: knockTable(k.Limit, d)})
	}
	return blocks
}

func convergence(ok bool) string {
	if ok {
		return "converged"
	}
	return "did not converge: read its numbers with doubt"
}

func slopeTable(slopes []assess.KnockSlope, d show.Display) *text.Table {
	t := &text.Table{
		Caption: "What moves the knock-limited spark",
		Columns: []text.Column{{Head: "Covariate", Flex: true}, {Head: "Physics, deg", Right: true},
			{Head: "Fitted, deg", Right: true}, {Head: "Per"}},
		Absent: "not fitted.",
	}
	for _, s := range slopes {
		per := d.Step(s.Unit)
		slope := func(v result.Number) string { return show.Number(v/result.Number(per.Factor), 3) }
		fitted := slope(s.Fitted)
		if s.Fitted.Known() && s.SD.Known() {
			fitted += " ± " + slope(s.SD)
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(plain(s.Covariate)), text.Of(slope(s.Physics)),
			text.Of(fitted), text.Of(or(per.Name, show.Missing))}})
	}
	return t
}

func knockTable(points []assess.KnockPoint, d show.Display) *text.Table {
	t := &text.Table{
		Caption: "Knock-limited spark at the reference state",
		Columns: []text.Column{{Head: "Speed", Right: true}, {Head: "Load", Right: true}, {Head: "Spark before TDC",
			Right: true},
			{Head: "90 % of pulls", Right: true}, {Head: "Evidence"}},
		Absent: "no number could be worked out here.",
	}
	for _, p := range points {
		load := show.Missing
		if p.LoadPct.Known() {
			load = show.Number(p.LoadPct, 0) + show.NBSP + "%"
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(d.Value(p.RPM, "rpm")), text.Of(load), text.Of(d.Value(p.SparkDeg, "deg")),
			text.Of(d.Interval(p.Interval90, "deg")),
			text.Of(count(p.Rows, "row"), count(p.Events, "knock event")),
		}})
	}
	return t
}

// cellGroup is the cells of one kind of segment, fuel class, metric and side, in the order they came.
type cellGroup struct {
	kind, class, unit string
	metric            metric.ID
	side              metric.Side
	cells             []fleet.Envelope
}

func groupCells(cells []fleet.Envelope) []cellGroup {
	var groups []cellGroup
	for _, c := range cells {
		i := slices.IndexFunc(groups, func(g cellGroup) bool {
			return g.kind == c.Kind && g.class == c.FuelClass && g.metric == c.Metric && g.side == c.Side
		})
		if i < 0 {
			groups = append(groups, cellGroup{kind: c.Kind, class: c.FuelClass, metric: c.Metric, unit: c.Unit,
				side: c.Side})
			i = len(groups) - 1
		}
		groups[i].cells = append(groups[i].cells, c)
	}
	return groups
}

const kindPull, kindSteady = "pull", "steady"

// kindNames are the kinds of segment in words.
var kindNames = map[string]string{kindPull: "in pulls", kindSteady: "at steady part throttle"}

func (g cellGroup) title() string {
	return fmt.Sprintf("%s, %s, %s fuel, %s limit", capital(plain(g.metric)), g.where(), or(g.class, "any"),
		or(g.side, "one-sided"))
}

func envelopeTable(g cellGroup, d show.Display) *text.Table {
	t := &text.Table{
		Caption: g.title(), Fold: "Numbers: " + g.title(), Only: text.OnPaper,
		Columns: []text.Column{{Head: "Speed", Right: true}, {Head: "Load", Right: true}, {Head: "Limit", Right: true},
			{Head: "Mean", Right: true},
			{Head: "Between cars", Right: true, Wide: true}, {Head: "Within a car", Right: true, Wide: true},
			{Head: "Extreme seen", Right: true}, {Head: "Tolerance limit", Right: true},
			{Head: "Prediction limit", Right: true}, {Head: "Evidence"}, {Head: "Method", Wide: true, Flex: true}},
		Absent: "not enough cars to say; in brackets, how many more it takes.",
	}
	for _, c := range g.cells {
		limit := limitOr(c.Limit, c.Unit, c.CarsNeeded, d)
		if c.Limit.Known() {
			limit = limit.Toned(text.Loud)
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{
			text.Of(show.Range(c.Cell.RPM, "rpm")), text.Of(show.Range(c.Cell.LoadPct, "%")), limit,
			text.Of(d.Value(c.Mean, c.Unit)),
			text.Of(d.Difference(c.BetweenSD, c.Unit)), text.Of(d.Difference(c.WithinSD, c.Unit)),
			text.Of(d.Value(c.ExtremeSeen, c.Unit)), limitOr(c.ToleranceLimit, c.Unit, c.CarsNeeded, d),
			limitOr(c.PredictionLimit, c.Unit, c.PredictionCarsNeeded, d), g.evidence(c),
			text.Of(or(c.Method, show.Missing)),
		}})
	}
	return t
}

// limitOr is a limit, or how many more cars it takes, where that is known.
func limitOr(limit result.Number, unit string, needed int, d show.Display) text.Cell {
	switch {
	case limit.Known():
		return text.Of(d.Value(limit, unit))
	case needed > 0:
		return text.Of(show.Missing + " (+" + count(needed, "car") + ")").Toned(text.Doubt)
	}
	return text.Of(show.Missing).Toned(text.Doubt)
}

// envelopeGrid sets a group's limits over speed and load, highest load on top.
func envelopeGrid(g cellGroup, d show.Display) *text.Grid {
	var speeds, loads []result.Span
	for _, c := range g.cells {
		if !slices.Contains(speeds, c.Cell.RPM) {
			speeds = append(speeds, c.Cell.RPM)
		}
		if !slices.Contains(loads, c.Cell.LoadPct) {
			loads = append(loads, c.Cell.LoadPct)
		}
	}
	span, _ := g.limits()
	slices.SortFunc(speeds, bySpan)
	slices.SortFunc(loads, func(a, b result.Span) int { return bySpan(b, a) })
	out := &text.Grid{
		Caption: g.title() + ", " + or(d.Of(g.unit).Name, "no unit"),
		Note: "Speed across in rpm, load down in %. The stronger the colour, the higher the limit. “+3” is how " +
			"many more cars it takes; an empty field was never visited.",
	}
	if g.kind == kindSteady {
		out.Fold = g.title()
	}
	for _, s := range speeds {
		out.Columns = append(out.Columns, show.Range(s, ""))
	}
	for _, l := range loads {
		r := text.GridRow{Head: show.Range(l, "%"), Cells: make([]text.GridCell, len(speeds))}
		for _, c := range g.cells {
			if c.Cell.LoadPct == l {
				r.Cells[slices.Index(speeds, c.Cell.RPM)] = envelopeGridCell(c, d, span)
			}
		}
		out.Rows = append(out.Rows, r)
	}
	return out
}

func bySpan(a, b result.Span) int {
	if a[0] != b[0] {
		if a[0] < b[0] {
			return -1
		}
		return 1
	}
	return 0
}

const shades = 6

func envelopeGridCell(c fleet.Envelope, d show.Display, span result.Span) text.GridCell {
	if !c.Limit.Known() {
		if c.CarsNeeded > 0 {
			return text.GridCell{Text: "+" + strconv.Itoa(c.CarsNeeded), Sub: count(c.Cars, "car")}
		}
		return text.GridCell{Text: show.Missing, Sub: count(c.Cars, "car")}
	}
	shade := shades / 2
	if low, high := span[0], span[1]; high > low {
		shade = 1 + int(float64(c.Limit-low)/float64(high-low)*(shades-1)+0.5)
	}
	return text.GridCell{Text: d.Bare(c.Limit, c.Unit), Sub: count(c.Cars, "car"), Shade: shade}
}

// envelopeRow is one cell and metric, flat. Limits, mean, spreads and extreme are in the row's unit.
type envelopeRow struct {
	Platform    string        `parquet:"platform,dict"`
	Kind        string        `parquet:"kind,dict"`
	FuelClass   string        `parquet:"fuel_class,dict"`
	RPMLow      *float64      `parquet:"low_rpm,optional"`
	RPMHigh     *float64      `parquet:"high_rpm,optional"`
	LoadLow     *float64      `parquet:"load_low_pct,optional"`
	LoadHigh    *float64      `parquet:"load_high_pct,optional"`
	Metric      metric.ID     `parquet:"metric,dict"`
	Unit        string        `parquet:"unit,dict"`
	Side        metric.Side   `parquet:"side,dict"`
	Status      result.Status `parquet:"status,dict"`
	Limit       *float64      `parquet:"limit,optional"`
	Mean        *float64      `parquet:"mean,optional"`
	BetweenSD   *float64      `parquet:"between_sd,optional"`
	WithinSD    *float64      `parquet:"within_sd,optional"`
	ExtremeSeen *float64      `parquet:"extreme_seen,optional"`
	Cars        int64         `parquet:"cars"`
	Pulls       int64         `parquet:"pulls"`
	CarsNeeded  int64         `parquet:"cars_needed"`
	Method      string        `parquet:"method,dict"`

	ToleranceLimit       *float64 `parquet:"tolerance_limit,optional"`
	ToleranceMethod      string   `parquet:"tolerance_method,dict"`
	PredictionLimit      *float64 `parquet:"prediction_limit,optional"`
	PredictionCarsNeeded int64    `parquet:"prediction_cars_needed"`

	Digest string `parquet:"workspace_digest,dict"`
	Seed   uint64 `parquet:"seed"`
}

func envelopeRows(e *assess.Envelopes) []envelopeRow {
	var rows []envelopeRow
	for i := range e.Platforms {
		for _, c := range e.Platforms[i].Cells {
			rows = append(rows, envelopeRow{
				Platform: e.Platforms[i].Platform, Kind: c.Kind, FuelClass: c.FuelClass,
				RPMLow: export.Known(c.Cell.RPM[0]), RPMHigh: export.Known(c.Cell.RPM[1]),
				LoadLow:  export.Known(c.Cell.LoadPct[0]),
				LoadHigh: export.Known(c.Cell.LoadPct[1]),
				Metric:   c.Metric, Unit: c.Unit, Side: c.Side, Status: c.Status,
				Limit: export.Known(c.Limit), Mean: export.Known(c.Mean), BetweenSD: export.Known(c.BetweenSD),
				WithinSD:    export.Known(c.WithinSD),
				ExtremeSeen: export.Known(c.ExtremeSeen),
				Cars:        int64(c.Cars), Pulls: int64(c.Pulls), CarsNeeded: int64(c.CarsNeeded), Method: c.Method,
				ToleranceLimit: export.Known(c.ToleranceLimit), ToleranceMethod: c.ToleranceMethod,
				PredictionLimit:      export.Known(c.PredictionLimit),
				PredictionCarsNeeded: int64(c.PredictionCarsNeeded),
				Digest:               e.WorkspaceDigest, Seed: e.Seed,
			})
		}
	}
	return rows
}
