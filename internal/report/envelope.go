package report

import (
	"fmt"
	"slices"
	"strconv"

	"headroom/internal/assess"
	"headroom/internal/report/show"
	"headroom/internal/result"
	"headroom/internal/say"
)

func envelopesDocument(e *assess.Envelopes, d show.Display) document {
	doc := document{Kind: "envelopes", Title: "Fleet envelopes",
		Facts: []fact{{"Platforms", strconv.Itoa(len(e.Platforms))}}}
	if len(e.Platforms) == 0 {
		doc.Sections = []section{{ID: "none", Title: "No envelope", Intro: "There is no evidence to build an " +
			"envelope from."}}
	}
	for i := range e.Platforms {
		doc.Sections = append(doc.Sections, platformSection(i, &e.Platforms[i], d))
	}
	doc.Sections = append(doc.Sections, cautionSection(e.Cautions), provenanceSection(e.Stamp))
	return doc
}

func platformSection(i int, p *assess.PlatformEnvelope, d show.Display) section {
	s := section{
		ID: "platform-" + strconv.Itoa(i+1), Title: p.Platform, Named: true,
		Intro: builtFrom(p) + " A limit is what a pull, or a steady stretch, of a car not seen before stays within, " +
			"as far as the fleet can tell.",
	}
	s.Blocks = append(s.Blocks, knockBlocks(&p.Knock, d)...)
	if len(p.Cells) == 0 {
		s.Blocks = append(s.Blocks, block{Text: "No cell of this platform holds evidence."})
		return s
	}
	groups := groupCells(p.Cells)
	s.Blocks = append(s.Blocks, block{Table: groupTable(groups, d)})
	for _, group := range groups {
		s.Blocks = append(s.Blocks, block{Grid: envelopeGrid(group, d)}, block{Table: envelopeTable(group, d)})
	}
	return s
}

// builtFrom says what a platform's envelope rests on. Pulls are counted over the whole platform; steady stretches only
// cell by cell, where one stretch may stand in several cells, so the fullest cell is named instead of a total.
func builtFrom(p *assess.PlatformEnvelope) string {
	var fullest *assess.EnvelopeCell
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
func groupTable(groups []cellGroup, d show.Display) *table {
	t := &table{
		Caption: "Limits by metric (every cell: the html, md, csv and json formats)", Only: onTerminal,
		Columns: []column{{Head: "Metric", Flex: true}, {Head: "Segment"}, {Head: "Fuel"}, {Head: "Limit"},
			{Head: "Lowest to highest", Right: true},
			{Head: "Cells", Right: true}, {Head: "Too few cars", Right: true}},
		Absent: "no cell has enough cars.",
	}
	for _, g := range groups {
		span, few := g.limits()
		t.Rows = append(t.Rows, row{Cells: []cell{
			text(plain(g.metric)).toned(loud), text(or(g.kind, "any")), text(or(g.class, "any")),
			text(or(g.side, show.Missing)), text(d.Interval(span, g.unit)),
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
func (g cellGroup) evidence(c assess.EnvelopeCell) cell {
	if g.kind == kindSteady {
		return text(count(c.Cars, "car"), count(c.Pulls, "stretch"))
	}
	return evidenceOf(c.Cars, c.Pulls)
}

// where is the kind of segment in words.
func (g cellGroup) where() string { return or(kindNames[g.kind], or(g.kind, "any segment")) }

func knockBlocks(k *assess.KnockSummary, d show.Display) []block {
	state := plain(k.Status)
	if k.Why != "" {
		state += ": " + k.Why
	}
	facts := []fact{{"Knock model", state}}
	if k.Status != result.NotAssessed {
		facts = append(facts,
			fact{"Evidence", fmt.Sprintf("%s, %s or steady stretches, %s, %s", count(k.Cars, "car"),
				count(k.Pulls, "pull"), count(k.Rows, "row"), count(k.Events, "knock event"))},
			fact{"Spread between cars", d.Difference(k.CarSD, "deg")},
			fact{"Spread between pulls", d.Difference(k.PullSD, "deg")},
			fact{"Spread within a pull", d.Difference(k.CellSD, "deg")},
			fact{"Fit", convergence(k.Converged)})
	}
	blocks := []block{{Facts: facts}}
	if len(k.Warnings) > 0 {
		blocks = append(blocks, block{List: k.Warnings})
	}
	if len(k.Slopes) > 0 {
		blocks = append(blocks, block{Table: slopeTable(k.Slopes)})
	}
	if len(k.Limit) > 0 {
		blocks = append(blocks, block{Table: knockTable(k.Limit, d)})
	}
	return blocks
}

func convergence(ok bool) string {
	if ok {
		return "converged"
	}
	return "did not converge: read its numbers with doubt"
}

func slopeTable(slopes []assess.KnockSlope) *table {
	t := &table{
		Caption: "What moves the knock-limited spark",
		Columns: []column{{Head: "Covariate", Flex: true}, {Head: "Physics, deg", Right: true},
			{Head: "Fitted, deg", Right: true}, {Head: "Per"}},
		Absent: "not fitted.",
	}
	for _, s := range slopes {
		fitted := show.Number(s.Fitted, 3)
		if s.Fitted.Known() && s.SD.Known() {
			fitted += " ± " + show.Number(s.SD, 3)
		}
		t.Rows = append(t.Rows, row{Cells: []cell{text(plain(s.Covariate)), text(show.Number(s.Physics, 3)),
			text(fitted),
			text(or(s.Unit, show.Missing))}})
	}
	return t
}

func knockTable(points []assess.KnockPoint, d show.Display) *table {
	t := &table{
		Caption: "Knock-limited spark at the reference state",
		Columns: []column{{Head: "Speed", Right: true}, {Head: "Load", Right: true}, {Head: "Spark before TDC",
			Right: true},
			{Head: "90 % of pulls", Right: true}, {Head: "Evidence"}},
		Absent: "no number could be worked out here.",
	}
	for _, p := range points {
		load := show.Missing
		if p.LoadPct.Known() {
			load = show.Number(p.LoadPct, 0) + show.NBSP + "%"
		}
		t.Rows = append(t.Rows, row{Cells: []cell{
			text(d.Value(p.RPM, "rpm")), text(load), text(d.Value(p.SparkDeg, "deg")),
			text(d.Interval(p.Interval90, "deg")),
			text(count(p.Rows, "row"), count(p.Events, "knock event")),
		}})
	}
	return t
}

// cellGroup is the cells of one kind of segment, fuel class, metric and side, in the order they came.
type cellGroup struct {
	kind, class, metric, unit, side string
	cells                           []assess.EnvelopeCell
}

func groupCells(cells []assess.EnvelopeCell) []cellGroup {
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
	return fmt.Sprintf("%s, %s, %s fuel, %s limit", say.Capital(plain(g.metric)), g.where(), or(g.class, "any"),
		or(g.side, "one-sided"))
}

func envelopeTable(g cellGroup, d show.Display) *table {
	t := &table{
		Caption: g.title(), Fold: "Numbers: " + g.title(), Only: notTyped,
		Columns: []column{{Head: "Speed", Right: true}, {Head: "Load", Right: true}, {Head: "Limit", Right: true},
			{Head: "Mean", Right: true},
			{Head: "Between cars", Right: true, Wide: true}, {Head: "Within a car", Right: true, Wide: true},
			{Head: "Extreme seen", Right: true}, {Head: "Evidence"}, {Head: "Method", Wide: true, Flex: true}},
		Absent: "not enough cars to say; in brackets, how many more it takes.",
	}
	for _, c := range g.cells {
		limit := text(d.Value(c.Limit, c.Unit)).toned(loud)
		if !c.Limit.Known() {
			limit = text(show.Missing + needed(c)).toned(doubt)
		}
		t.Rows = append(t.Rows, row{Cells: []cell{
			text(show.Range(c.Cell.RPM, "rpm")), text(show.Range(c.Cell.LoadPct, "%")), limit,
			text(d.Value(c.Mean, c.Unit)),
			text(d.Difference(c.BetweenSD, c.Unit)), text(d.Difference(c.WithinSD, c.Unit)),
			text(d.Value(c.ExtremeSeen, c.Unit)), g.evidence(c), text(or(c.Method, show.Missing)),
		}})
	}
	return t
}

// needed is how many more cars it takes, where that is known.
func needed(c assess.EnvelopeCell) string {
	if c.CarsNeeded > 0 {
		return " (+" + count(c.CarsNeeded, "car") + ")"
	}
	return ""
}

// envelopeGrid sets a group's limits over speed and load, highest load on top.
func envelopeGrid(g cellGroup, d show.Display) *grid {
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
	out := &grid{
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
		r := gridRow{Head: show.Range(l, "%"), Cells: make([]gridCell, len(speeds))}
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

func envelopeGridCell(c assess.EnvelopeCell, d show.Display, span result.Span) gridCell {
	if !c.Limit.Known() {
		if c.CarsNeeded > 0 {
			return gridCell{Text: "+" + strconv.Itoa(c.CarsNeeded), Sub: count(c.Cars, "car")}
		}
		return gridCell{Text: show.Missing, Sub: count(c.Cars, "car")}
	}
	shade := shades / 2
	if low, high := span[0], span[1]; high > low {
		shade = 1 + int(float64(c.Limit-low)/float64(high-low)*(shades-1)+0.5)
	}
	return gridCell{Text: d.Bare(c.Limit, c.Unit), Sub: count(c.Cars, "car"), Shade: shade}
}

// envelopeRow is one cell and metric, flat. Limit, mean, spreads and extreme are in the row's unit.
type envelopeRow struct {
	Platform    string   `parquet:"platform,dict"`
	Kind        string   `parquet:"kind,dict"`
	FuelClass   string   `parquet:"fuel_class,dict"`
	RPMLow      *float64 `parquet:"low_rpm,optional"`
	RPMHigh     *float64 `parquet:"high_rpm,optional"`
	LoadLow     *float64 `parquet:"load_low_pct,optional"`
	LoadHigh    *float64 `parquet:"load_high_pct,optional"`
	Metric      string   `parquet:"metric,dict"`
	Unit        string   `parquet:"unit,dict"`
	Side        string   `parquet:"side,dict"`
	Status      string   `parquet:"status,dict"`
	Limit       *float64 `parquet:"limit,optional"`
	Mean        *float64 `parquet:"mean,optional"`
	BetweenSD   *float64 `parquet:"between_sd,optional"`
	WithinSD    *float64 `parquet:"within_sd,optional"`
	ExtremeSeen *float64 `parquet:"extreme_seen,optional"`
	Cars        int64    `parquet:"cars"`
	Pulls       int64    `parquet:"pulls"`
	CarsNeeded  int64    `parquet:"cars_needed"`
	Method      string   `parquet:"method,dict"`
	Digest      string   `parquet:"workspace_digest,dict"`
	Seed        uint64   `parquet:"seed"`
}

func envelopeRows(e *assess.Envelopes) []envelopeRow {
	var rows []envelopeRow
	for i := range e.Platforms {
		for _, c := range e.Platforms[i].Cells {
			rows = append(rows, envelopeRow{
				Platform: e.Platforms[i].Platform, Kind: c.Kind, FuelClass: c.FuelClass,
				RPMLow: known(c.Cell.RPM[0]), RPMHigh: known(c.Cell.RPM[1]), LoadLow: known(c.Cell.LoadPct[0]),
				LoadHigh: known(c.Cell.LoadPct[1]),
				Metric:   c.Metric, Unit: c.Unit, Side: c.Side, Status: c.Status,
				Limit: known(c.Limit), Mean: known(c.Mean), BetweenSD: known(c.BetweenSD), WithinSD: known(c.WithinSD),
				ExtremeSeen: known(c.ExtremeSeen),
				Cars:        int64(c.Cars), Pulls: int64(c.Pulls), CarsNeeded: int64(c.CarsNeeded), Method: c.Method,
				Digest: e.WorkspaceDigest, Seed: e.Seed,
			})
		}
	}
	return rows
}
