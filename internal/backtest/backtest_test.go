package backtest

import (
	"bytes"
	"encoding/json"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/assess/assesstest"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// Worked by hand. Two revisions of knock: 0.1 stated, 0 of 4 crossed; 0.6 stated, 2 of 4 crossed. Base rate known 0.2
// and 0.3, the last log said 0.1 and 0.9.
//
//	Brier: (4·0.01 + 2·0.16 + 2·0.36)/8 = 0.135
//	base:  (4·0.04 + 2·0.49 + 2·0.09)/8 = 0.165; naive: (4·0.01 + 2·0.01 + 2·0.81)/8 = 0.21
//	log:   −(4·ln 0.9 + 2·ln 0.6 + 2·ln 0.4)/8
//	bins:  0.1 → 0 (off by 0.1), 0.6 → 0.5 (off by 0.1)
func TestScoresOfAListByHand(t *testing.T) {
	made := []Prediction{
		{Revision: "a", Hazard: "knock", Status: result.Thin, ProbabilityPerPull: 0.1, BaseRate: 0.2, Naive: 0.1,
			Pulls: 4, Inside: true, expected: 0.98,
			Margins: []Margin{{Pulls: 4, Held: 3, Below: 1}}},
		{Revision: "b", Hazard: "knock", Status: result.Assessed, ProbabilityPerPull: 0.6, BaseRate: 0.3, Naive: 0.9,
			Pulls: 4, Crossed: 2, expected: 0.92},
	}
	s, err := scoreOf("knock", made, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what string
		got  result.Number
		want float64
	}{
		{"stated", s.Stated, 0.35}, {"base rate", s.BaseRate, 0.25},
		{"Brier", s.Brier, 0.135}, {"Brier of the base rate", s.BrierBase, 0.165},
		{"Brier of the last log", s.BrierNaive, 0.21},
		{"skill on the base rate", s.SkillBase, 1 - 0.135/0.165}, {"skill on the last log", s.SkillNaive,
			1 - 0.135/0.21},
		{"log score", s.LogScore, -(4*math.Log(0.9) + 2*math.Log(0.6) + 2*math.Log(0.4)) / 8},
		{"calibration error", s.CalibrationError, 0.1}, {"share that should hold", s.Bands.CountsExpected, 0.95},
	} {
		if math.Abs(float64(c.got)-c.want) > 1e-12 {
			t.Errorf("%s is %v, want %v", c.what, c.got, c.want)
		}
	}
	if s.Status != StatusScored || s.Revisions != 2 || s.ThinRevisions != 1 || s.Pulls != 8 || s.Crossed != 2 {
		t.Errorf("counts %+v", s)
	}
	if b := s.Bands; b.Counts != 2 || b.CountsHeld != 1 || b.Margins != 4 || b.MarginsHeld != 3 || b.MarginsBelow != 1 {
		t.Errorf("bands %+v", b)
	}
	if !slices.Equal(s.Reasons, result.Reasons{SkillOrLuck{Revisions: 2}}) {
		t.Errorf("two revisions need a caution, not %+v", s.Reasons)
	}
	if len(s.Reliability) != 2 || s.Reliability[0].Crossed != 0 || s.Reliability[1].Observed != 0.5 {
		t.Errorf("reliability %+v", s.Reliability)
	}
}

// Without a crossing, and with nothing but crossings, skill is null with the reason; the other scores stand.
func TestNoSkillWithoutBothOutcomes(t *testing.T) {
	for crossed, why := range map[int]result.Reason{0: NoneCrossed{}, 3: AllCrossed{}} {
		s, err := scoreOf("lean", []Prediction{{Revision: "a", ProbabilityPerPull: 0.2, BaseRate: 0.2, Naive: 0.1,
			Pulls: 3, Crossed: crossed}}, 1)
		if err != nil {
			t.Fatal(err)
		}
		if s.SkillBase.Known() || s.SkillNaive.Known() || s.SkillBase90[0].Known() ||
			!slices.Equal(s.Reasons, result.Reasons{why}) ||
			!s.Brier.Known() {
			t.Errorf("%d of 3 crossed: %+v", crossed, s)
		}
	}
	s, err := scoreOf("lean", nil, 1)
	if err != nil || s.Status != StatusNotScored || s.Brier.Known() ||
		!slices.Equal(s.Reasons, result.Reasons{NothingPredicted{}}) {
		t.Errorf("no prediction: %+v, %v", s, err)
	}
}

func backtestOf(t *testing.T, job *assess.Job, jobs int) *Record {
	t.Helper()
	b, err := Run(job, jobs, func(int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Every revision with own pulls is predicted or listed, every hazard has a record or a reason, counts agree, nothing
// was fitted to rows of the day or later, and one and two workers give the same bytes. HEADROOM_PROOF=1 looks back over
// the small fleet's two platforms as well.
func TestBacktestIsWholeAndDeterministic(t *testing.T) {
	checkWhole(t, fleettest.Marlins(t))
	if os.Getenv("HEADROOM_PROOF") != "" {
		checkWhole(t, fleettest.Small(t))
	}
}

func checkWhole(t *testing.T, dir string) {
	t.Helper()
	b := backtestOf(t, assesstest.Open(t, dir), 1)
	one, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	two, err := json.Marshal(backtestOf(t, assesstest.Open(t, dir), 2))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(one, two) {
		t.Error("the record depends on the number of workers")
	}
	if b.Predicted == 0 || b.Predicted+len(b.NotScored) != b.Revisions {
		t.Errorf("%d predicted, %d not, of %d", b.Predicted, len(b.NotScored), b.Revisions)
	}
	pulls, predictions := 0, 0
	for i, h := range hazard.All() {
		s := b.Hazards[i]
		if s.Hazard != h.ID || (s.Status == StatusNotScored) != (s.Pulls == 0) || (s.Status == StatusNotScored &&
			len(s.Reasons) != 1) {
			t.Errorf("%s: %+v", h.ID, s)
		}
		pulls += s.Pulls
		predictions += s.Bands.Counts
	}
	if pulls != b.Overall.Pulls || predictions != len(b.Predictions) || predictions != b.Overall.Bands.Counts {
		t.Errorf("hazards hold %d pulls and %d predictions, all %d and %d", pulls, predictions, b.Overall.Pulls,
			len(b.Predictions))
	}
	cylinder := b.Hazards[slices.IndexFunc(b.Hazards,
		func(s Score) bool { return s.Hazard == hazard.CylinderPressure })]
	why, ok := cylinder.Reasons[0].(NotMeasurable)
	if cylinder.Status != StatusNotScored || !ok || !slices.Equal(why.Metrics, []metric.ID{metric.PeakPressure}) {
		t.Errorf("cylinder pressure cannot be measured: %+v", cylinder)
	}
	for _, n := range b.NotScored {
		if len(n.Reasons) != 1 {
			t.Errorf("%s: %+v", n.Revision, n)
		}
	}
	for _, p := range b.Predictions {
		if p.FitBefore > p.Date || p.Crossed > p.Pulls || p.Pulls == 0 || p.BaseRate <= 0 || p.BaseRate >= 1 {
			t.Errorf("%+v", p)
		}
	}
}

// The plan keeps its promise by construction: no fit and no bench sees a row of the revision's first own day or later,
// or of the revision itself, and rows without a date are on neither side.
func TestPlanKnowsOnlyWhatWasBefore(t *testing.T) {
	j := assesstest.Open(t, fleettest.Marlins(t))
	for id := range j.Workspace().Platforms {
		rows := storedRows(t, j, id)
		for i := range rows {
			if i%17 == 0 {
				rows[i].Date = ""
			}
		}
		p := planOf(j, id, rows)
		if want := (len(rows) + 16) / 17; p.undated != want || len(p.rows)+want != len(rows) {
			t.Errorf("%s: %d rows left out, want %d", id, p.undated, want)
		}
		if len(p.tasks) < 3 || len(p.fits) < 2 {
			t.Fatalf("%s: %d revisions, %d fits: nothing is tested", id, len(p.tasks), len(p.fits))
		}
		known := 0
		for i, f := range p.fits {
			n := evidence.CountPulls(evidence.PullRows(p.rowsBefore(f.before)))
			if i > 0 && float64(n) < RefitGrowth*float64(known) {
				t.Errorf("%s: fit %d follows at %d pulls after %d", id, i, n, known)
			}
			known = n
		}
		for _, task := range p.tasks {
			for _, r := range p.rowsBefore(task.date) {
				if r.Date == "" || r.Date >= task.date || r.Revision == task.rev.ID {
					t.Errorf("%s of %s knows a row of %s on %q", task.rev.ID, task.date, r.Revision, r.Date)
				}
			}
			if task.fit != nil && task.fit.before > task.date {
				t.Errorf("%s of %s uses a fit of %s", task.rev.ID, task.date, task.fit.before)
			}
			for _, r := range task.own {
				if r.Revision != task.rev.ID || r.Date < task.date {
					t.Errorf("%s counts a pull of %s on %s as its own", task.rev.ID, r.Revision, r.Date)
				}
			}
		}
	}
}

// Spoiling every row from a day on, the revision's own rows included, leaves each prediction made up to that day as it
// was, to the byte; what the revision is then seen to do is another matter.
func TestLaterLogsCannotMoveEarlierPredictions(t *testing.T) {
	j := assesstest.Open(t, fleettest.Marlins(t))
	id := slices.Min(slices.Collect(maps.Keys(j.Workspace().Platforms)))
	rows := storedRows(t, j, id)
	p := planOf(j, id, rows)
	last := p.tasks[len(p.tasks)/2]
	honest := predictedUntil(t, j, id, rows, last.date)
	spoilt := slices.Clone(rows)
	later := 0
	for i := range spoilt {
		if r := &spoilt[i]; r.Date >= last.date {
			later++
			r.RetardMax += 9
			r.Bound.Delivered -= 9
			r.Bound.Commanded += 3
			r.LambdaLeanest += 0.2
			r.ChargeTemperatureMax += 80
			r.ExhaustTemperature += 200
			r.Bound.Load *= 1.2
			r.Bound.Torque *= 2
		}
	}
	if later == 0 {
		t.Fatal("no later row: nothing is tested")
	}
	if got := predictedUntil(t, j, id, spoilt, last.date); got != honest {
		t.Errorf("predictions moved with rows of %s and later:\n%s\n%s", last.date, honest, got)
	}
	// The same change before that day does move them, so the test can fail.
	for i := range spoilt {
		spoilt[i].LambdaLeanest += 0.05
	}
	if got := predictedUntil(t, j, id, spoilt, last.date); got == honest {
		t.Error("predictions do not follow the rows they are made from")
	}
}

// predictedUntil is what a backtest says up to a day, without what was seen.
func predictedUntil(t *testing.T, j *assess.Job, id string, rows []evidence.Row, day string) string {
	t.Helper()
	p := planOf(j, id, rows)
	var out strings.Builder
	for _, task := range p.tasks {
		if task.date > day || task.fit == nil {
			continue
		}
		if task.fit.model == nil {
			task.fit.learn(j)
		}
		made, why := task.predict(j)
		if why != nil {
			t.Fatalf("%s: %+v", task.rev.ID, why)
		}
		for _, m := range made {
			m.Crossed, m.Inside = 0, false
			for i := range m.Margins {
				m.Margins[i] = Margin{Metric: m.Margins[i].Metric, Band90: m.Margins[i].Band90}
			}
			b, err := json.Marshal(m)
			if err != nil {
				t.Fatal(err)
			}
			out.Write(append(b, '\n'))
		}
	}
	if out.Len() == 0 {
		t.Fatal("nothing was predicted")
	}
	return out.String()
}

// A pull crosses where a measured metric passes its limit in any cell or retard passes the tolerated one; what was not
// measured says nothing; the last log before the day decides the naive rule.
func TestSeenCrossings(t *testing.T) {
	j := assesstest.Open(t, fleettest.Marlins(t))
	model, err := j.Model(fleettest.Marlin)
	if err != nil {
		t.Fatal(err)
	}
	p := j.Workspace().Platforms[fleettest.Marlin]
	nan := math.NaN()
	tolerated := p.KnockControl.ToleratedRetardDeg
	limit := *p.LimitsFor(hazard.ChargeTemperature)[0].Value
	row := func(date string, segment int32, retard, charge float64) *evidence.Row {
		return &evidence.Row{Vehicle: "car-x", Run: "run-" + date, Date: date, Segment: segment, RPM: 4000, Load: 150,
			KnockLogged: value.Known(retard), RetardMax: retard, ChargeTemperatureMax: charge}
	}
	rows := []*evidence.Row{
		// one pull, second cell past
		row("2025-01-01", 0, tolerated, limit-5), row("2025-01-01", 0, tolerated+0.1, limit),
		row("2025-01-01", 1, 0, nan), row("2025-02-01", 0, nan, limit+0.1), row("2025-02-01", 1, 0.5, limit-20),
	}
	for _, c := range []struct {
		hazard         hazard.ID
		metric         metric.ID
		pulls, crossed int
	}{{hazard.Knock, metric.KnockMargin, 3, 1}, {hazard.ChargeTemperature, "charge_temperature", 3, 1},
		{hazard.CylinderPressure, "peak_pressure", 0, 0}} {
		n, k := tally(outcomes(model, c.hazard, []metric.ID{c.metric}, rows))
		if n != c.pulls || k != c.crossed {
			t.Errorf("%s: %d of %d crossed, want %d of %d", c.hazard, k, n, c.crossed, c.pulls)
		}
	}
	if m := model.PullMargins(hazard.ChargeTemperature, "charge_temperature", rows)["run-2025-02-01#1"]; m != 20 {
		t.Errorf("margin %g, want 20", m)
	}
	for _, c := range []struct {
		hazard hazard.ID
		metric metric.ID
		rows   []*evidence.Row
		want   float64
	}{
		{hazard.ChargeTemperature, "charge_temperature", rows, 2.5 / 3},   // last log outside, 2 pulls
		{hazard.Knock, metric.KnockMargin, rows, 0.5 / 2},                 // last log inside, 1 pull with retard
		{hazard.Knock, metric.KnockMargin, rows[:3], 2.5 / 3},             // the log before: outside
		{hazard.ChargeTemperature, "charge_temperature", rows[2:3], 0.07}, // never measured: the base rate
	} {
		if got := naive(model, "car-x", c.hazard, []metric.ID{c.metric}, c.rows, 0.07); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s over %d rows: %g, want %g", c.hazard, len(c.rows), got, c.want)
		}
	}
}

// A hardware change after a revision's date was not known then.
func TestLaterHardwareChangeIsNotKnown(t *testing.T) {
	ws := &workspace.Workspace{Vehicles: map[string]*workspace.Vehicle{"car-x": {ID: "car-x",
		HardwareDate: "2025-06-01"}}}
	for date, want := range map[string]string{"2025-05-31": "", "2025-06-01": "2025-06-01",
		"2026-01-01": "2025-06-01"} {
		then := &task{rev: &workspace.Revision{Vehicle: "car-x"}, date: date}
		if got := then.hardwareKnown(ws); got != want {
			t.Errorf("on %s the hardware change is %q, want %q", date, got, want)
		}
	}
}

// storedRows are a platform's rows, for a test that may spoil them.
func storedRows(t *testing.T, j *assess.Job, id string) []evidence.Row {
	t.Helper()
	rows, err := j.Evidence(id)
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) == 0 {
		t.Fatalf("no evidence of %s", id)
	}
	return slices.Clone(rows)
}
