package report

import (
	"strconv"

	"headroom/internal/assess"
)

func fleetDocument(f *assess.Fleet, d display) document {
	signals := 0
	for _, c := range f.Cars {
		if c.Signal {
			signals++
		}
	}
	return document{
		Kind:  "fleet",
		Title: "Fleet health",
		Facts: []fact{
			{"Watched", count(len(f.Cars), "car and metric pair")},
			{"Signals", strconv.Itoa(signals)},
			{"Overdue", count(len(f.Overdue), "car")},
		},
		Sections: []section{
			driftSection(f.Cars, d), outcomeSection(f.Outcomes), overdueSection(f.Overdue),
			cautionSection(f.Cautions), provenanceSection(f.Stamp),
		},
	}
}

func driftSection(cars []assess.FleetCar, d display) section {
	s := section{ID: "drift", Title: "Drift, strongest first"}
	if len(cars) == 0 {
		s.Intro = "No car has enough runs to be watched."
		return s
	}
	s.Intro = "Each car against its own past, with weather and load taken out. A signal means the chart's statistic passed its threshold."
	t := &table{
		Columns: []column{
			{Head: "#", Right: true}, {Head: "Car", Flex: true}, {Head: "Metric", Flex: true}, {Head: "Was → is", Right: true},
			{Head: "Shift", Right: true}, {Head: "Chart, threshold", Right: true}, {Head: "Signal"}, {Head: "Runs", Right: true, Wide: true},
		},
		Absent: "not enough runs for a number.",
	}
	for _, c := range cars {
		t.Rows = append(t.Rows, driftRow(c, d))
	}
	s.Blocks = []block{{Table: t}}
	return s
}

func driftRow(c assess.FleetCar, d display) row {
	signal := text("no").toned(faint)
	if c.Signal {
		signal = text("SIGNAL").toned(alarm)
		if c.Onset != "" {
			signal = text("SIGNAL", "since "+c.Onset).toned(alarm)
		}
	}
	var notes []string
	if c.Say != "" {
		notes = append(notes, c.Say)
	}
	notes = append(notes, "Seen in "+count(c.Runs, "run")+", "+count(c.Rows, "row")+". False alarms: "+sentence(or(c.FalseAlarm, "rate not stated")))
	return row{
		Cells: []cell{
			integer(c.Rank),
			text(or(c.Vehicle, missing), "("+or(c.Platform, "platform not named")+")").toned(loud),
			text(plain(c.Metric)),
			text(d.value(c.Baseline, c.Unit), "→ "+d.value(c.Latest, c.Unit)),
			text(d.change(c.Shift, c.Unit)),
			text(or(c.Chart, missing)+" "+number(c.Statistic, 2), "("+number(c.Threshold, 2)+")"),
			signal,
			integer(c.Runs),
		},
		Notes: notes,
	}
}

func outcomeSection(outcomes []assess.OutcomeProof) section {
	s := section{ID: "outcomes", Title: "What the outcomes prove"}
	if len(outcomes) == 0 {
		s.Intro = "No outcomes are recorded, so nothing is proved about failures."
		return s
	}
	s.Intro = "Upper bounds, one-sided at 95 %. No failure so far is not no failure to come."
	t := &table{
		Columns: []column{{Head: "Platform", Flex: true}, {Head: "Cars", Right: true}, {Head: "Failures", Right: true}, {Head: "Pulls", Right: true},
			{Head: "Share of cars failing", Right: true}, {Head: "Failures per pull", Right: true}},
		Absent: "too few cars or pulls for a bound.",
	}
	for _, o := range outcomes {
		r := row{Cells: []cell{text(o.Platform).toned(loud), integer(o.Cars), integer(o.Failures), integer(o.Pulls), atMost(o.RateUpper), atMost(o.PullsUpper)}}
		if o.Say != "" {
			r.Notes = []string{o.Say}
		}
		t.Rows = append(t.Rows, r)
	}
	s.Blocks = []block{{Table: t}}
	return s
}

func atMost(p assess.Number) cell {
	if !p.Known() {
		return text(missing)
	}
	return text("at most " + bound(p))
}

func overdueSection(cars []assess.OverdueCar) section {
	s := section{ID: "overdue", Title: "Overdue for logging"}
	if len(cars) == 0 {
		s.Intro = "None: every car has logged recently."
		return s
	}
	s.Intro = "Days are counted to the newest log of the fleet."
	t := &table{
		Columns: []column{{Head: "Car", Flex: true}, {Head: "Platform", Flex: true}, {Head: "Last run"}, {Head: "Days", Right: true}},
		Absent:  "the car has never logged.",
	}
	for _, c := range cars {
		days := missing
		if c.Days.Known() {
			days = number(c.Days, 0) + nbsp + "d"
		}
		t.Rows = append(t.Rows, row{Cells: []cell{text(c.Vehicle).toned(loud), text(c.Platform), text(or(c.LastRun, missing)), text(days)}})
	}
	s.Blocks = []block{{Table: t}}
	return s
}

// fleetRow is one line of a fleet review, flat. Record is "drift", "outcome" or "overdue"; columns of the other
// records are not known. Baseline, latest and shift are in the row's unit.
type fleetRow struct {
	Record     string   `parquet:"record,dict"`
	Rank       *int64   `parquet:"rank,optional"`
	Vehicle    string   `parquet:"vehicle,dict"`
	Platform   string   `parquet:"platform,dict"`
	Metric     string   `parquet:"metric,dict"`
	Unit       string   `parquet:"unit,dict"`
	Chart      string   `parquet:"chart,dict"`
	Baseline   *float64 `parquet:"baseline,optional"`
	Latest     *float64 `parquet:"latest,optional"`
	Shift      *float64 `parquet:"shift,optional"`
	Statistic  *float64 `parquet:"statistic,optional"`
	Threshold  *float64 `parquet:"threshold,optional"`
	Signal     *bool    `parquet:"signal,optional"`
	Onset      string   `parquet:"onset"`
	Runs       *int64   `parquet:"runs,optional"`
	Rows       *int64   `parquet:"rows,optional"`
	FalseAlarm string   `parquet:"false_alarm,dict"`
	Cars       *int64   `parquet:"cars,optional"`
	Failures   *int64   `parquet:"failures,optional"`
	Pulls      *int64   `parquet:"pulls,optional"`
	ShareUpper *float64 `parquet:"share_upper95,optional"`
	PullsUpper *float64 `parquet:"per_pull_upper95,optional"`
	LastRun    string   `parquet:"last_run"`
	Days       *float64 `parquet:"days,optional"`
	Say        string   `parquet:"say"`
	Digest     string   `parquet:"workspace_digest,dict"`
	Seed       uint64   `parquet:"seed"`
}

func fleetRows(f *assess.Fleet) []fleetRow {
	var rows []fleetRow
	for _, c := range f.Cars {
		rows = append(rows, fleetRow{
			Record: "drift", Rank: some(int64(c.Rank)), Vehicle: c.Vehicle, Platform: c.Platform, Metric: c.Metric, Unit: c.Unit, Chart: c.Chart,
			Baseline: known(c.Baseline), Latest: known(c.Latest), Shift: known(c.Shift), Statistic: known(c.Statistic), Threshold: known(c.Threshold),
			Signal: some(c.Signal), Onset: c.Onset, Runs: some(int64(c.Runs)), Rows: some(int64(c.Rows)), FalseAlarm: c.FalseAlarm, Say: c.Say,
			Digest: f.WorkspaceDigest, Seed: f.Seed,
		})
	}
	for _, o := range f.Outcomes {
		rows = append(rows, fleetRow{
			Record: "outcome", Platform: o.Platform, Cars: some(int64(o.Cars)), Failures: some(int64(o.Failures)), Pulls: some(int64(o.Pulls)),
			ShareUpper: known(o.RateUpper), PullsUpper: known(o.PullsUpper), Say: o.Say, Digest: f.WorkspaceDigest, Seed: f.Seed,
		})
	}
	for _, c := range f.Overdue {
		rows = append(rows, fleetRow{
			Record: "overdue", Vehicle: c.Vehicle, Platform: c.Platform, LastRun: c.LastRun, Days: known(c.Days),
			Digest: f.WorkspaceDigest, Seed: f.Seed,
		})
	}
	return rows
}
