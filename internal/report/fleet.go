package report

import (
	"fmt"
	"strconv"
	"strings"

	"headroom/internal/health"
	"headroom/internal/report/export"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
)

// How many rows a person is shown beside what was called. All of them are in json, csv and parquet.
const (
	nearestCharts = 4
	nearestTrends = 3
	mostMoves     = 12
	mostCells     = 8
)

func fleetDocument(f *health.Fleet, d show.Display) text.Document {
	return text.Document{
		Kind:  "fleet",
		Title: "Fleet health",
		Facts: []text.Fact{
			{Name: "Newest log", Value: or(f.NewestRun, show.Missing)},
			{Name: "Cars called for drift", Value: strconv.Itoa(f.Drift.Cars)},
			{Name: "Platform trends", Value: strconv.Itoa(trendSignals(f.Trends))},
			{Name: "Overdue", Value: count(len(f.Overdue), "car")},
		},
		Sections: []text.Section{
			driftSection(f, d), trendSection(f.Trends, d), changeSection(&f.EnvelopeChanges, d),
			outcomeSection(f), survivalSection(f.Survival), overdueSection(f),
			cautionSection(f.Cautions), provenanceSection(f.Stamp),
		},
	}
}

func trendSignals(trends []health.Trend) int {
	n := 0
	for _, t := range trends {
		if t.Signal {
			n++
		}
	}
	return n
}

func driftSection(f *health.Fleet, d show.Display) text.Section {
	s := text.Section{ID: "drift", Title: "Drifting cars"}
	if len(f.Cars) == 0 {
		s.Intro = "No car has enough runs to be watched."
		return s
	}
	s.Intro = fmt.Sprintf("Each car against its own past, with speed, load and the fleet's common movement taken "+
		"out. %s watched (cars × metrics; %s): one chart of a healthy car ever passes its threshold with chance "+
		"%s at most. Corrected for their number, %d called on %s, of which at most %s should be false "+
		"(false-discovery rate %s).",
		count(f.Drift.Charts, "chart"), or(f.Drift.Chart, "chart not named"), show.Probability(f.Drift.FalseAlarm),
		f.Drift.Called, count(f.Drift.Cars, "car"),
		show.Number(f.Drift.ExpectedFalse, 2), show.Probability(f.Drift.DiscoveryRate))
	t := &text.Table{
		Columns: []text.Column{
			{Head: "#", Right: true}, {Head: "Car", Flex: true}, {Head: "Metric", Flex: true}, {Head: "Called"},
			{Head: "Shift", Right: true},
			{Head: "Was → is", Right: true}, {Head: "Chart, threshold", Right: true, Wide: true},
			{Head: "Corrected chance", Right: true, Wide: true},
			{Head: "Days", Right: true, Wide: true},
		},
		Absent: "not enough runs for a number.",
	}
	near := 0
	for _, c := range f.Cars {
		if !c.Signal && !c.HeldBack {
			if near++; near > nearestCharts {
				continue
			}
		}
		t.Rows = append(t.Rows, driftRow(c, d))
	}
	s.Blocks = []text.Block{{Table: t}}
	if rest := near - nearestCharts; rest > 0 {
		s.Blocks = append(s.Blocks, text.Block{Text: count(rest, "more chart") + " farther from being called: all of " +
			"them are in the json, csv and parquet formats."})
	}
	if said := smallestDrifts(f.Drift.Smallest, d); said != "" {
		s.Blocks = append(s.Blocks, text.Block{Text: said})
	}
	return s
}

// smallestDrifts says what is not seen yet: a car not called may drift by less.
func smallestDrifts(all []health.SmallestDrift, d show.Display) string {
	var told []string
	for _, s := range all {
		size := "by no size"
		if s.Per100Days.Known() {
			size = "by " + d.Difference(s.Per100Days, s.Unit)
		}
		told = append(told, fmt.Sprintf("%s of %s %s", plain(s.Metric), s.Platform, size))
	}
	if len(told) == 0 {
		return ""
	}
	return "A car that is not called may drift by less than the logs can tell. Nine in ten cars would by now be " +
		"called for a steady drift in 100 days of: " + strings.Join(told, "; ") + "."
}

func driftRow(c health.CarDrift, d show.Display) text.Row {
	called := text.Of("no").Toned(text.Faint)
	var notes []string
	switch {
	case c.Signal:
		called = text.Of("DRIFTS", onset(c)).Toned(text.Alarm)
	case c.HeldBack:
		called = text.Of("held back", onset(c)).Toned(text.Doubt)
	}
	if (c.Signal || c.HeldBack) && c.Say != "" {
		notes = []string{c.Say}
	}
	return text.Row{
		Cells: []text.Cell{
			integer(c.Rank),
			text.Of(or(c.Vehicle, show.Missing), "("+or(c.Platform, "platform not named")+")").Toned(text.Loud),
			text.Of(plain(c.Metric)),
			called,
			text.Of(d.Change(c.Shift, c.Unit)),
			text.Of(d.Value(c.Baseline, c.Unit), "→ "+d.Value(c.Latest, c.Unit)),
			text.Of(show.Number(c.Statistic, 2), "("+show.Number(c.Threshold, 2)+")"),
			text.Of(show.Probability(c.AdjustedP)),
			integer(c.Runs),
		},
		Notes: notes,
	}
}

func onset(c health.CarDrift) string {
	if c.Onset == "" {
		return ""
	}
	return "since " + c.Onset
}

func trendSection(trends []health.Trend, d show.Display) text.Section {
	s := text.Section{ID: "trends", Title: "Platform trends"}
	if len(trends) == 0 {
		s.Intro = "No platform has logs enough for a trend."
		return s
	}
	s.Intro = "What all cars of a platform do together: change in 100 days within cars, with a 95 % interval that " +
		"counts cars and not rows, corrected for the number of trends watched."
	t := &text.Table{
		Columns: []text.Column{{Head: "Platform", Flex: true}, {Head: "Metric", Flex: true},
			{Head: "In 100 days", Right: true}, {Head: "95 % interval", Right: true},
			{Head: "Called"}, {Head: "Corrected chance", Right: true, Wide: true}, {Head: "Cars", Right: true},
			{Head: "Days", Right: true, Wide: true}},
		Absent: "too few cars or days for a slope.",
	}
	near := 0
	for _, r := range trends {
		if !r.Signal {
			if near++; near > nearestTrends {
				continue
			}
		}
		t.Rows = append(t.Rows, trendRow(r, d))
	}
	s.Blocks = []text.Block{{Table: t}}
	if rest := near - nearestTrends; rest > 0 {
		s.Blocks = append(s.Blocks, text.Block{Text: count(rest, "more trend") + " not called: all of them are in " +
			"the json, csv and parquet formats."})
	}
	return s
}

func trendRow(t health.Trend, d show.Display) text.Row {
	called := text.Of("no").Toned(text.Faint)
	var notes []string
	if t.Signal {
		called = text.Of("TREND").Toned(text.Alarm)
		notes = []string{t.Say}
	}
	return text.Row{
		Cells: []text.Cell{text.Of(t.Platform).Toned(text.Loud), text.Of(plain(t.Metric)),
			text.Of(d.Change(t.SlopePer100Days, t.Unit)),
			text.Of(d.Differences(t.Interval95, t.Unit)),
			called, text.Of(show.Probability(t.AdjustedP)), integer(t.Cars), integer(t.Days)},
		Notes: notes,
	}
}

func changeSection(c *health.EnvelopeChanges, d show.Display) text.Section {
	s := text.Section{ID: "envelope-changes", Title: "Envelopes since the last review", Intro: c.Say}
	if len(c.Groups) > 0 {
		t := &text.Table{
			Caption: "Limits that moved, by metric",
			Columns: []text.Column{{Head: "Platform", Flex: true}, {Head: "Limit of", Flex: true},
				{Head: "Limits", Right: true}, {Head: "Farthest at", Flex: true}, {Head: "Was → is", Right: true},
				{Head: "Moved", Right: true}},
			Absent: "not enough cars for a limit.",
		}
		for _, g := range c.Groups[:min(len(c.Groups), mostMoves)] {
			t.Rows = append(t.Rows, moveRow(g, d))
		}
		s.Blocks = append(s.Blocks, text.Block{Table: t}, more(len(c.Groups)-mostMoves, "more metric"))
	}
	s.Blocks = append(s.Blocks, cellBlocks("Cells newly visited", c.CellsNew)...)
	s.Blocks = append(s.Blocks, cellBlocks("Cells no longer in the evidence", c.CellsGone)...)
	s.Blocks = compact(s.Blocks)
	return s
}

func moveRow(g health.MoveGroup, d show.Display) text.Row {
	m := g.Farthest
	far := show.Missing
	if m.MovedSD.Known() {
		far = show.Signed(float64(m.MovedSD), 1) + show.NBSP + "sd"
	}
	cars := fmt.Sprintf("%d → %d cars", m.CarsWas, m.CarsNow)
	if m.CarsWas == m.CarsNow {
		cars = count(m.CarsNow, "car")
	}
	var ways []string
	for _, w := range []struct {
		n    int
		word string
	}{{g.Wider, "wider"}, {g.Narrower, "narrower"}, {g.Reached, "reached"}, {g.Lost, "lost"}} {
		if w.n > 0 {
			ways = append(ways, fmt.Sprintf("%d"+show.NBSP+"%s", w.n, w.word))
		}
	}
	return text.Row{Cells: []text.Cell{text.Of(m.Platform, m.FuelClass+" "+m.Kind).Toned(text.Loud),
		text.Of(plain(m.Metric), "("+string(m.Side)+")"), text.Of(ways...), where(m.Cell),
		text.Of(d.Value(m.Was, m.Unit), "→ "+d.Value(m.Now, m.Unit)), text.Of(far, cars)}}
}

func whereKind(c result.Cell, kind string) text.Cell {
	at := where(c)
	at.Parts = append(at.Parts, kind)
	return at
}

func cellBlocks(caption string, cells []health.CellChange) []text.Block {
	if len(cells) == 0 {
		return nil
	}
	t := &text.Table{
		Caption: caption,
		Columns: []text.Column{{Head: "Platform", Flex: true}, {Head: "Where", Flex: true},
			{Head: "Seen by", Right: true},
			{Head: "Metrics", Right: true}},
	}
	for _, c := range cells[:min(len(cells), mostCells)] {
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(c.Platform, c.FuelClass).Toned(text.Loud),
			whereKind(c.Cell, c.Kind),
			evidenceOf(c.Cars, c.Pulls), integer(len(c.Metrics))}})
	}
	return []text.Block{{Table: t}, more(len(cells)-mostCells, "more cell")}
}

// more counts what is not shown; an empty block when nothing is.
func more(n int, what string) text.Block {
	if n <= 0 {
		return text.Block{}
	}
	return text.Block{Text: count(n, what) + " in the json format."}
}

// compact drops empty blocks.
func compact(blocks []text.Block) []text.Block {
	var out []text.Block
	for _, b := range blocks {
		if b.Text != "" || b.Table != nil {
			out = append(out, b)
		}
	}
	return out
}

func outcomeSection(f *health.Fleet) text.Section {
	s := text.Section{ID: "outcomes", Title: "What the outcomes prove"}
	if len(f.Outcomes) == 0 {
		s.Intro = "No outcomes are recorded, so nothing is proved about failures."
		return s
	}
	s.Intro = "Upper bounds, one-sided at 95 %. No failure so far is not no failure to come. Cars also run without " +
		"being logged, so a bound per logged pull is not a bound per pull driven. Power is peak brake power of the " +
		"logged pulls, uncorrected."
	t := &text.Table{
		Columns: []text.Column{{Head: "Platform", Flex: true}, {Head: "Group", Flex: true},
			{Head: "Failed", Right: true},
			{Head: "Exposure", Right: true},
			{Head: "Share of cars failing", Right: true}, {Head: "Failures per pull", Right: true},
			{Head: "Failures per hour at load", Right: true, Wide: true}},
		Absent: "too few cars or pulls for a bound.",
	}
	for _, o := range f.Outcomes {
		t.Rows = append(t.Rows, outcomeRow(o))
	}
	s.Blocks = []text.Block{{Table: t}}
	var said []string
	for _, c := range f.Comparisons {
		said = append(said, c.Platform+": "+c.Say)
	}
	if len(said) > 0 {
		s.Blocks = append(s.Blocks, text.Block{Text: "Does more power fail sooner?"}, text.Block{List: said})
	}
	return s
}

func outcomeRow(o health.OutcomeProof) text.Row {
	hours := show.Missing
	if o.Hours.Known() {
		hours = show.Number(o.Hours, 1) + show.NBSP + "h"
	}
	group := text.Of(o.Name)
	if o.Group == health.GroupPower {
		group = text.Of(o.Name, fmt.Sprintf("(%d measured)", o.PowerMeasured))
	}
	r := text.Row{Cells: []text.Cell{text.Of(o.Platform).Toned(text.Loud), group, text.Of(fmt.Sprintf("%d of "+
		"%d", o.FailedCars, o.Cars)),
		text.Of(count(o.Pulls, "pull"), hours),
		atMost(o.ShareUpper), atMost(o.PullsUpper), hourly(o.HoursUpper)}}
	if o.Group == health.GroupPlatform && o.Say != "" {
		r.Notes = []string{o.Say}
	}
	return r
}

func atMost(p result.Number) text.Cell {
	if !p.Known() {
		return text.Of(show.Missing)
	}
	return text.Of("at most " + show.Bound(p))
}

func hourly(rate result.Number) text.Cell {
	if !rate.Known() {
		return text.Of(show.Missing)
	}
	return text.Of("at most " + show.Number(rate, 2))
}

func survivalSection(curves []health.Survival) text.Section {
	s := text.Section{ID: "survival", Title: "Cars still running",
		Intro: "Share of the logged cars without a failure, by days since a car's first log (Kaplan–Meier, pointwise " +
			"95 % bands). The curve ends with the last car followed."}
	t := &text.Table{
		Columns: []text.Column{{Head: "Platform", Flex: true}, {Head: "Days", Right: true},
			{Head: "Still running", Right: true}, {Head: "95 % band", Right: true},
			{Head: "Failed", Right: true}, {Head: "Followed that long", Right: true}},
	}
	var said []string
	for _, c := range curves {
		said = append(said, c.Platform+": "+c.Say)
		for i, p := range c.Points {
			if p.Failures == 0 && i+1 < len(c.Points) {
				continue
			}
			t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(c.Platform).Toned(text.Loud),
				text.Of(show.Number(p.Days, 0)),
				text.Of(show.Probability(p.Running)), text.Of(show.Probabilities(p.Band95)),
				integer(p.Failures), text.Of(count(p.AtRisk, "car"))}})
		}
	}
	if len(t.Rows) > 0 {
		s.Blocks = append(s.Blocks, text.Block{Table: t})
	}
	if len(said) > 0 {
		s.Blocks = append(s.Blocks, text.Block{List: said})
	} else {
		s.Intro = "No car was logged, so nothing can be said over time."
	}
	return s
}

func overdueSection(f *health.Fleet) text.Section {
	after := count(f.OverdueAfter, "day")
	s := text.Section{ID: "overdue", Title: "Overdue for a log"}
	if len(f.Overdue) == 0 {
		s.Intro = "No car is overdue: each has logged within " + after + " of the newest log."
		return s
	}
	s.Intro = "Cars that have not logged within " + after +
		" of the newest log of the fleet, or never. Retired cars are left out."
	t := &text.Table{
		Columns: []text.Column{{Head: "Car", Flex: true}, {Head: "Platform", Flex: true}, {Head: "Last run"},
			{Head: "Days", Right: true}},
		Absent: "the car has never logged.",
	}
	for _, c := range f.Overdue {
		days := show.Missing
		if c.Days.Known() {
			days = show.Number(c.Days, 0) + show.NBSP + "d"
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{text.Of(c.Vehicle).Toned(text.Loud), text.Of(c.Platform),
			text.Of(or(c.LastRun, show.Missing)), text.Of(days)}})
	}
	s.Blocks = []text.Block{{Table: t}}
	return s
}

// fleetRow is one line of a fleet review, flat. Record is "drift", "smallest", "trend", "limit", "cell", "outcome",
// "survival", "comparison" or "overdue"; columns of the other records are not known. Baseline, latest, shift, low and
// high are in the row's unit; a limit's baseline and latest are its old and new value, a smallest drift is the shift.
type fleetRow struct {
	Record       string   `parquet:"record,dict"`
	Rank         *int64   `parquet:"rank,optional"`
	Vehicle      string   `parquet:"vehicle,dict"`
	Platform     string   `parquet:"platform,dict"`
	Group        string   `parquet:"group,dict"`
	Name         string   `parquet:"name,dict"`
	Metric       string   `parquet:"metric,dict"`
	Unit         string   `parquet:"unit,dict"`
	RPMLow       *float64 `parquet:"rpm_low,optional"`
	LoadLow      *float64 `parquet:"load_low,optional"`
	Chart        string   `parquet:"chart,dict"`
	Baseline     *float64 `parquet:"baseline,optional"`
	Latest       *float64 `parquet:"latest,optional"`
	Shift        *float64 `parquet:"shift,optional"`
	Low          *float64 `parquet:"low95,optional"`
	High         *float64 `parquet:"high95,optional"`
	Statistic    *float64 `parquet:"statistic,optional"`
	Threshold    *float64 `parquet:"threshold,optional"`
	PValue       *float64 `parquet:"p_value,optional"`
	AdjustedP    *float64 `parquet:"adjusted_p,optional"`
	Signal       *bool    `parquet:"signal,optional"`
	HeldBack     *bool    `parquet:"held_back,optional"`
	Onset        string   `parquet:"onset"`
	Coincides    string   `parquet:"coincides"`
	Runs         *int64   `parquet:"runs,optional"`
	Rows         *int64   `parquet:"rows,optional"`
	FalseAlarm   string   `parquet:"false_alarm,dict"`
	Cars         *int64   `parquet:"cars,optional"`
	Failures     *int64   `parquet:"failures,optional"`
	Pulls        *int64   `parquet:"pulls,optional"`
	Hours        *float64 `parquet:"hours_at_load,optional"`
	ShareUpper   *float64 `parquet:"share_upper95,optional"`
	PullsUpper   *float64 `parquet:"per_pull_upper95,optional"`
	HoursUpper   *float64 `parquet:"per_hour_upper95,optional"`
	LastRun      string   `parquet:"last_run"`
	Days         *float64 `parquet:"days,optional"`
	StillRunning *float64 `parquet:"still_running,optional"`
	Say          string   `parquet:"say"`
	Digest       string   `parquet:"workspace_digest,dict"`
	Seed         uint64   `parquet:"seed"`
}

func fleetRows(f *health.Fleet) []fleetRow {
	var rows []fleetRow
	add := func(r fleetRow) {
		r.Digest, r.Seed = f.WorkspaceDigest, f.Seed
		rows = append(rows, r)
	}
	for _, c := range f.Cars {
		add(fleetRow{
			Record: "drift", Rank: export.Some(int64(c.Rank)), Vehicle: c.Vehicle, Platform: c.Platform,
			Metric: c.Metric,
			Unit:   c.Unit, Chart: c.Chart,
			Baseline: export.Known(c.Baseline), Latest: export.Known(c.Latest), Shift: export.Known(c.Shift),
			Statistic: export.Known(c.Statistic),
			Threshold: export.Known(c.Threshold),
			PValue:    export.Known(c.PValue), AdjustedP: export.Known(c.AdjustedP), Signal: export.Some(c.Signal),
			HeldBack: export.Some(c.HeldBack),
			Onset:    c.Onset, Coincides: c.Coincides,
			Runs: export.Some(int64(c.Runs)), Rows: export.Some(int64(c.Rows)), FalseAlarm: c.FalseAlarm, Say: c.Say,
		})
	}
	for _, s := range f.Drift.Smallest {
		add(fleetRow{Record: "smallest", Platform: s.Platform, Metric: s.Metric, Unit: s.Unit + " in 100 days",
			Shift: export.Known(s.Per100Days), Cars: export.Some(int64(s.Cars))})
	}
	for _, t := range f.Trends {
		add(fleetRow{
			Record: "trend", Platform: t.Platform, Metric: t.Metric, Unit: t.Unit + " in 100 days",
			Shift: export.Known(t.SlopePer100Days),
			Low:   export.Known(t.Interval95[0]), High: export.Known(t.Interval95[1]), PValue: export.Known(t.PValue),
			AdjustedP: export.Known(t.AdjustedP), Signal: export.Some(t.Signal),
			Cars: export.Some(int64(t.Cars)), Days: export.Some(float64(t.Days)), Say: t.Say,
		})
	}
	for _, m := range f.EnvelopeChanges.Moved {
		add(fleetRow{
			Record: "limit", Platform: m.Platform, Group: m.Kind + " " + m.FuelClass, Name: string(m.Change),
			Metric: string(m.Metric), Unit: m.Unit,
			RPMLow: export.Known(m.Cell.RPM[0]), LoadLow: export.Known(m.Cell.LoadPct[0]),
			Baseline: export.Known(m.Was),
			Latest:   export.Known(m.Now), Shift: export.Known(m.Now - m.Was),
			Statistic: export.Known(m.MovedSD), Threshold: export.Known(f.EnvelopeChanges.MovedBy),
			Cars: export.Some(int64(m.CarsNow)),
			Say:  m.Say,
		})
	}
	addCells(add, "new", f.EnvelopeChanges.CellsNew)
	addCells(add, "gone", f.EnvelopeChanges.CellsGone)
	for _, o := range f.Outcomes {
		add(fleetRow{
			Record: "outcome", Platform: o.Platform, Group: string(o.Group), Name: o.Name,
			Cars: export.Some(int64(o.Cars)), Failures: export.Some(int64(o.Failures)),
			Pulls: export.Some(int64(o.Pulls)),
			Low:   export.Known(o.PowerKW[0]), High: export.Known(o.PowerKW[1]), Hours: export.Known(o.Hours),
			ShareUpper: export.Known(o.ShareUpper),
			PullsUpper: export.Known(o.PullsUpper), HoursUpper: export.Known(o.HoursUpper), Say: o.Say,
		})
	}
	for _, c := range f.Survival {
		for _, p := range c.Points {
			add(fleetRow{
				Record: "survival", Platform: c.Platform, Name: c.Unit, Days: export.Known(p.Days),
				Cars: export.Some(int64(p.AtRisk)), Failures: export.Some(int64(p.Failures)),
				StillRunning: export.Known(p.Running), Low: export.Known(p.Band95[0]), High: export.Known(p.Band95[1]),
			})
		}
	}
	for _, c := range f.Comparisons {
		add(fleetRow{
			Record: "comparison", Platform: c.Platform, Group: string(health.GroupPower),
			Name: strings.TrimSpace(c.A + " against " + c.B), Statistic: export.Known(c.Ratio),
			Low: export.Known(c.Interval95[0]), High: export.Known(c.Interval95[1]), PValue: export.Known(c.PValue),
			Say: c.Say,
		})
	}
	for _, c := range f.Overdue {
		add(fleetRow{Record: "overdue", Vehicle: c.Vehicle, Platform: c.Platform, LastRun: c.LastRun,
			Days: export.Known(c.Days)})
	}
	return rows
}

func addCells(add func(fleetRow), change string, cells []health.CellChange) {
	for _, c := range cells {
		add(fleetRow{
			Record: "cell", Platform: c.Platform, Group: c.Kind + " " + c.FuelClass, Name: change,
			RPMLow: export.Known(c.Cell.RPM[0]), LoadLow: export.Known(c.Cell.LoadPct[0]),
			Cars: export.Some(int64(c.Cars)), Pulls: export.Some(int64(c.Pulls)),
			Say: strings.Join(names(c.Metrics), " "),
		})
	}
}
