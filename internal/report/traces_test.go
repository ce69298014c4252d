package report

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/ingest"
	"headroom/internal/report/show"
	"headroom/internal/runlog"
	"headroom/internal/runlog/timebase"
	"headroom/models/channel"
)

// tracedInspections are a small run with everything a page of traces shows, one without samples and one unreadable log.
func tracedInspections() []ingest.Inspection {
	nan := math.NaN()
	run := &runlog.Run{
		Rows: 12, SampleInterval: 1,
		Time:     []float64{0, 1, 2, 3, 4, 5, 6, 7, 20, 21, 22, 23},
		TimeBase: timebase.Base{Column: "Time (s)", Unit: "s", Rate: 1, Reason: "unit s as written"},
		Series: []runlog.Series{
			{Channel: channel.EngineSpeed, Column: "Engine speed (rpm)",
				Values: []float64{2000, 2010, 2400, 3100, 3900, 4700, 5600, 6400, 2000, 2001, 2000, 2002}},
			{Channel: channel.Lambda, Column: hostileID,
				Values: []float64{1, 1, nan, 0.86, 0.84, nan, nan, 0.83, 1, nan, 1, 1}},
			{Channel: channel.ChargeTemperature, Column: "Charge temp " + longID,
				Values: []float64{30, 30, 30, 30, 30, 30, 30, 30, 30, 30, 30, 30}},
			{Channel: channel.KnockRetard, Column: "KR",
				Values: []float64{nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan}},
		},
		Columns: []runlog.Column{
			{Index: 0, Header: "Time (s)", Unit: "s", Reason: "the time base", Confidence: 1},
			{Index: 1, Header: "Engine speed (rpm)", Channel: channel.EngineSpeed, Unit: "rpm",
				Reason: "the header says so", Confidence: 0.98, RunnerUp: "vehicle_speed"},
			{Index: 2, Header: hostileID, Channel: channel.Lambda, Unit: "lambda", Reason: "a median of 0.99 " +
				hostileID, Confidence: 0.8},
			{Index: 3, Header: "Charge temp " + longID, Channel: channel.ChargeTemperature, Unit: "°F",
				Reason: "86 at rest", Confidence: nan},
			{Index: 4, Header: "Sky", Reason: "not used: text " + hostileID, Confidence: nan},
		},
		Unread: []runlog.Unread{{Column: 4, Values: []float64{nan, nan, 3, 4, 5, 6, 7, 8, nan, 8, 8, 9}}},
		Findings: []runlog.Finding{
			{Channel: channel.Lambda, Kind: runlog.KindOutOfRange, From: 5, To: 6, Samples: 2,
				Detail: "2 samples outside 0.5 to 2, the first 3.1", Removed: true},
			{Kind: runlog.KindGap, From: 7, To: 20, Detail: "no rows for 13 s; the usual interval is 1 s"},
			{Channel: channel.OilTemperature, Kind: runlog.KindMissing, From: nan, To: nan,
				Detail: "every sample is missing"},
		},
	}
	return []ingest.Inspection{
		{
			Path: "runs/" + hostileID + "/pull-3.csv", Part: 1, Parts: 2, Platform: "kestrel-20t", Vehicle: "car-017",
			Run: run,
			Segments: []ingest.SegmentSummary{
				{Kind: "pull", From: 1, To: 7, RPMFrom: 2010, RPMTo: 6400, Gear: 4, Cells: 9,
					Reason: "pedal above 90 %"},
				{Kind: "steady", From: 20, To: 23, RPMFrom: 2000, RPMTo: 2002, Gear: nan, Cells: 1,
					Reason: "speed within 100 rpm"},
			},
			Limits: []ingest.Limit{{Channel: channel.Lambda, Above: true, At: func(i int) float64 {
				return 0.9 - 0.01*float64(i%12)
			}}},
			Findings: []runlog.Finding{{Kind: runlog.KindCold, From: 0, To: 23, Detail: "coolant is not logged"}},
		},
		{Path: "runs/empty.csv", Part: 2, Parts: 2, Run: &runlog.Run{}},
		{Path: "notes.txt", Error: "notes.txt: line 1: no column looks like a time: name one in channels.yaml"},
	}
}

func traced(t *testing.T, in []ingest.Inspection, opt Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := InspectionPlots(&b, in, opt); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestTracesPage holds the page of a small run against its golden file and against what every page must keep.
func TestTracesPage(t *testing.T) {
	got := traced(t, tracedInspections(), Options{})
	for range 3 {
		if traced(t, tracedInspections(), Options{}) != got {
			t.Fatal("two renderings differ")
		}
	}
	wellFormed(t, "plots", got)
	if found := regexp.MustCompile(`(?i)\bsafe(ly|ty)?\b|\bNaN\b|\bInf\b|%!|<no value>|http|javascript:`).FindString(
		got); found != "" {
		t.Errorf("the page says %q", found)
	}
	got = regexp.MustCompile(`(?s)<style>.*</style>`).ReplaceAllString(got, "") // kept in review.html
	file := filepath.Join("testdata", "plots.html")
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; run the tests of this package with -update", err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("differs from %s (-want +got):\n%s", file, d)
	}
}

func TestTracesSayEverything(t *testing.T) {
	out := traced(t, tracedInspections(), Options{Units: show.Units{Temperature: "F"}})
	for _, want := range []string{
		"pull 1", "2010–6400", "steady 1", // segments with number and speed
		"always 86 °F", // display units
		"the header says so (98 % sure; next best vehicle speed)", // why a column was read so
		"<b>1</b> <strong>out of range</strong>, 5.0–6.0 s: 2 samples outside 0.5 to 2, the first 3.1; 2 samples " +
			"left out",
		"<strong>gap</strong>, 7.0–20.0 s",
		"<strong>missing</strong>, no time stated: oil temperature: every sample is missing",
		"no usable sample", "Columns not used", `class="trace unread`, "3 to 9", // a column left out, grey
		"Pull 1, 1.0–7.0 s, 2010–6400 rpm", `class="limit-line`, "limit 0.830 to 0.890 λ", // each pull and its limits
		"Lambda over engine speed in rpm, 1 pull", "Lambda over time in seconds, 1 pull",
		"stands still in these pulls: charge temperature at 86 °F", "not used: text", "holds no sample", "no column " +
			"looks like a time",
	} {
		if !strings.Contains(strings.ReplaceAll(out, show.NBSP, " "), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(out, "<script") {
		t.Error("a header became markup")
	}
}

// TestTraceGaps counts the pieces of a line: it is broken by missing samples and by the hole, and nowhere else.
func TestTraceGaps(t *testing.T) {
	paths := regexp.MustCompile(`class="trace(?: dot)?" d="([^"]*)"`).FindAllStringSubmatch(
		traced(t, tracedInspections(), Options{}), -1)
	// speed, lambda, its two samples that stand alone, charge temperature; no retard was logged
	want := []int{2, 3, 2, 2}
	if len(paths) != len(want) {
		t.Fatalf("%d lines, want %d", len(paths), len(want))
	}
	for i, p := range paths {
		if got := strings.Count(p[1], "M"); got != want[i] {
			t.Errorf("line %d has %d pieces, want %d: %s", i+1, got, want[i], p[1])
		}
	}
}

// TestLongLogStaysSmall: a log of 100 000 rows and twenty noisy channels, full of findings, gives a page a browser
// opens at once.
func TestLongLogStaysSmall(t *testing.T) {
	const rows, most = 100_000, 600_000
	in := tracedInspections()[:1]
	run := in[0].Run
	run.Time, run.Series, run.Rows = make([]float64, rows), nil, rows
	for i := range run.Time {
		run.Time[i] = float64(i) / 20
	}
	seed := uint64(1)
	for _, d := range channel.All()[:20] {
		s := runlog.Series{Channel: d.ID, Column: string(d.ID), Values: make([]float64, rows)}
		for i := range s.Values {
			seed = seed*6364136223846793005 + 1442695040888963407
			s.Values[i] = d.Min + (d.Max-d.Min)*float64(seed>>40)/(1<<24)
			if seed>>33&15 == 0 {
				s.Values[i] = math.NaN()
			}
		}
		run.Series = append(run.Series, s)
	}
	for i := range 5000 {
		run.Findings = append(run.Findings, runlog.Finding{Channel: channel.EngineSpeed, Kind: runlog.KindStep,
			From: float64(i), To: float64(i) + 0.1, Detail: "a step", Samples: 1})
	}
	out := traced(t, in, Options{})
	t.Logf("%d bytes", len(out))
	if len(out) > most {
		t.Errorf("%d bytes, want at most %d", len(out), most)
	}
	if !strings.Contains(out, "And 4992 more") {
		t.Error("findings that are not listed must be counted")
	}
	wellFormed(t, "long log", out)
}

// TestManyPullsStaySmall: forty pulls of twenty channels at fifty rows a second give a page a browser opens; six of
// them are laid over one another, those that sweep most of engine speed, each with a line of its own.
func TestManyPullsStaySmall(t *testing.T) {
	const pulls, each, most = 40, 500, 1_500_000
	in := tracedInspections()[:1]
	run := in[0].Run
	run.Time, run.Series, run.Unread, run.Findings, in[0].Segments = nil, nil, nil, nil, nil
	for i := range pulls * each {
		run.Time = append(run.Time, float64(i)/50)
	}
	run.Rows = len(run.Time)
	seed := uint64(1)
	for _, d := range channel.All()[:20] {
		s := runlog.Series{Channel: d.ID, Column: string(d.ID), Values: make([]float64, run.Rows)}
		for i := range s.Values {
			seed = seed*6364136223846793005 + 1442695040888963407
			s.Values[i] = d.Min + (d.Max-d.Min)*float64(seed>>40)/(1<<24)
			if d.ID == channel.EngineSpeed {
				s.Values[i] = 2000 + float64(i%each)*(5+float64(i/each)/10)
			}
		}
		run.Series = append(run.Series, s)
	}
	for k := range pulls {
		from := float64(k*each) / 50
		in[0].Segments = append(in[0].Segments, ingest.SegmentSummary{Kind: "pull", From: from, To: from + 9.98,
			RPMFrom: 2000, RPMTo: 4500})
	}
	out := traced(t, in, Options{})
	t.Logf("%d bytes", len(out))
	if len(out) > most {
		t.Errorf("%d bytes, want at most %d", len(out), most)
	}
	wellFormed(t, "many pulls", out)
	for _, want := range []string{"Of 40 pulls those are drawn", `<svg class="pen" width="34" height="10" ` +
		`aria-hidden="true"><line class="trace over6"`, "pull 40, ", "pull 35, "} {
		if !strings.Contains(out, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if strings.Contains(out, `"trace over7"`) {
		t.Error("more lines than can be told apart")
	}
}

func TestPlotsOfNothing(t *testing.T) {
	if err := InspectionPlots(&bytes.Buffer{}, nil, Options{}); err == nil {
		t.Error("no inspection must be an error")
	}
	if err := InspectionPlots(fullDisk{}, tracedInspections(), Options{}); err == nil {
		t.Error("a write error was lost")
	}
	in := tracedInspections()[:1]
	in[0].Run.Series[0].Values = in[0].Run.Series[0].Values[1:]
	if err := InspectionPlots(&bytes.Buffer{}, in, Options{}); err == nil ||
		!strings.Contains(err.Error(), "engine_speed") {
		t.Errorf("values without a time: %v", err)
	}
}
