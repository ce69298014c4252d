package report

import (
	"bytes"
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"

	"headroom/internal/backtest"
	"headroom/internal/health"
	"headroom/internal/metric"
	"headroom/internal/report/show"
	"headroom/internal/result"
	"headroom/models/channel"
)

// facts are one of each reason that a health review or a record can carry.
var facts = result.Reasons{
	health.FewCars{Cars: 4, Wanted: 5}, health.NoSlope{}, health.SeasonOrAgeing{DaysWanted: 730},
	health.NotDivided{CarsWanted: 9}, health.FewFailures{Failures: 1, Wanted: 6},
	backtest.NothingPredicted{}, backtest.NoneCrossed{}, backtest.AllCrossed{}, backtest.SkillOrLuck{Revisions: 3},
	backtest.HazardsMixed{}, backtest.NoKnock{}, backtest.NotMeasurable{Metrics: []metric.ID{metric.PeakPressure}},
	backtest.NoLimits{}, backtest.NeverBoth{Metrics: []metric.ID{metric.BMEP}},
	backtest.NothingBefore{Platform: "p", Date: "2025-02-01"}, backtest.NoFit{Before: "2025-02-01", Fault: "no rows"},
	backtest.NothingInCommon{}, backtest.NotPredicted{Fault: "no table of spark"},
	backtest.NoRecord{}, backtest.UndatedRows{Rows: 12}, backtest.ShortRecord{Revisions: 1}, backtest.MilderRevisions{},
}

// Every reason of the two packages is known here and has words of its own, no two the same.
func TestEveryFactOfFleetAndRecordHasWords(t *testing.T) {
	known := map[string]bool{}
	said := map[string]bool{}
	for _, r := range facts {
		known[typeName(r)] = true
		s := metricWords(t).reason(r)
		if s == r.Code() || said[s] || strings.Contains(s, "%!") {
			t.Errorf("%T is said as %q", r, s)
		}
		said[s] = true
	}
	found := slices.Concat(reasonTypes(t, "../health"), reasonTypes(t, "../backtest"))
	if len(found) != len(facts) {
		t.Errorf("%d types of reasons, %d in the test", len(found), len(facts))
	}
	for _, name := range found {
		if !known[name] {
			t.Errorf("%s is not in the test", name)
		}
	}
}

// metricWords words for a program in stored units.
func metricWords(t *testing.T) words { return wordsIn(t, show.Units{}) }

// A difference of temperature has no zero point: 10 K more is 18 °F more.
func TestFleetSentencesInTheReadersUnits(t *testing.T) {
	stored, us := metricWords(t), wordsIn(t, imperial)
	risen := func(unit string, shift result.Number) *health.CarDrift {
		return &health.CarDrift{Metric: "charge temperature rise", Unit: unit, Shift: shift, Signal: true,
			Onset: "2026-01-02"}
	}
	slope := &health.Trend{Metric: "ambient temperature", Unit: "K", Status: result.Assessed, Signal: true,
		SlopePer100Days: -10, From: "2025-01-01", To: "2025-09-01",
		Reasons: result.Reasons{health.SeasonOrAgeing{DaysWanted: 730}}}
	const season = " in 100 days over the whole platform, 2025-01-01 to 2025-09-01. Less than 2 years were logged, " +
		"so season and ageing cannot be told apart."
	for _, c := range []struct{ got, want string }{
		{stored.drift(risen("K", 10)), "Charge temperature rise has risen by 10 K since 2026-01-02: look at the car " +
			"before its next revision."},
		{us.drift(risen("K", -10)), "Charge temperature rise has fallen by 18 °F since 2026-01-02: look at the " +
			"car before its next revision."},
		{us.drift(risen("kPa", 100)), "Charge temperature rise has risen by 14.5 psi since 2026-01-02: look at " +
			"the car before its next revision."},
		{stored.trend(slope), "Ambient temperature falls by 10 K" + season},
		{us.trend(slope), "Ambient temperature falls by 18 °F" + season},
	} {
		if got := stored.said(c.got); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// What the facts of a review come to in words.
func TestFleetSentences(t *testing.T) {
	w := metricWords(t)
	moved := health.CarDrift{Metric: "wastegate duty", Unit: "%", Shift: 12.4, Signal: true, Onset: "2025-08-04",
		Change:  health.Change{Kind: health.RevisionChange, Revision: "rev-0107-a"},
		Command: channel.ManifoldPressureTarget}
	held, plainMetric, still := moved, moved, moved
	held.Signal, held.HeldBack = false, true
	plainMetric.Metric, plainMetric.Command = "rail shortfall", ""
	plainMetric.Change = health.Change{Kind: health.HardwareChange, Date: "2025-08-01"}
	still.Signal, still.Runs = false, 4
	limit := health.LimitMove{Metric: metric.BMEP, Side: metric.Upper, MovedSD: -2.4}
	move := func(kind health.MoveKind) string {
		limit.Change = kind
		return move(&limit)
	}
	none := &health.Trend{Metric: "knock retard", Status: result.NotAssessed,
		Reasons: result.Reasons{health.FewCars{Cars: 1, Wanted: 5}}}
	flat := &health.Trend{Metric: "knock retard", Status: result.Assessed, Days: 55, Cars: 12}
	rates := &health.RateComparison{Status: result.Assessed, PValue: 0.03125, Signal: true,
		Strongest: health.RateGroup{PowerKW: result.Span{210, result.Unknown()}, Failures: 6, Pulls: 60},
		Weakest:   health.RateGroup{PowerKW: result.Span{result.Unknown(), 190}, Pulls: 80}}
	chance := *rates
	chance.Signal, chance.PValue = false, 0.4
	undivided := &health.RateComparison{Status: result.NotAssessed,
		Reasons: result.Reasons{health.NotDivided{CarsWanted: 9}}}
	const rated = "Failures per logged pull, cars over 210 kW against up to 190 kW: 6 against 0 in 60 and 80 pulls. " +
		"The difference "
	for _, c := range []struct{ got, want string }{
		{w.drift(&moved), "Wastegate duty has risen by 12.4 % since 2025-08-04. It begins within a run of revision " +
			"rev-0107-a; the boost target is already taken out. Look at the car, and at that change, before its next " +
			"revision."},
		{w.drift(&held), "Wastegate duty has risen by 12.4 % since 2025-08-04, together with revision rev-0107-a. " +
			"What new tables or parts move is theirs, not a drift of the car: not called."},
		{w.drift(&plainMetric), "Rail shortfall has risen by 12.4 % since 2025-08-04. It begins within a run of " +
			"hardware of 2025-08-01, which may be the cause. Look at the car, and at that change, before its next " +
			"revision."},
		{w.drift(&still), "Wastegate duty has not moved by more than chance explains over 4 days of logs."},
		{falseAlarm(5, 0.01), "a healthy car ever signals with chance 0.01 at most, however often it is looked at; " +
			"5 days so far"},
		{falseAlarm(0, 0.01), ""},
		{w.trend(none), "Knock retard: 1 car logged it on two days or more, a trend takes 5."},
		{w.trend(flat), "Knock retard of the platform shows no trend beyond chance in 55 days of 12 cars."},
		{move(health.Wider), "The upper limit of brake mean effective pressure is wider by 2.40 times the deviation " +
			"of pulls within a car."},
		{move(health.Reached), "Brake mean effective pressure now has cars enough for a limit here."},
		{move(health.Lost), "Brake mean effective pressure no longer has cars enough for a limit here."},
		{changes(&health.EnvelopeChanges{}), "No earlier review is remembered, so there is nothing to compare with. " +
			"Run headroom fleet --remember to keep today's envelopes in reports/fleet-memory.json."},
		{w.comparison(rates), rated + "is more than chance explains (exact p = 0.0312)."},
		{w.comparison(&chance), rated + "may be chance (exact p = 0.4000)."},
		{w.comparison(undivided), "Not divided by power: it takes 9 cars of known peak power."},
		{w.power(result.Span{177, 184}), "177 to 184 kW"}, {w.power(result.UnknownSpan()), ""},
		{survival(&health.Survival{}), "No car was seen on two dates: nothing can be said over time."},
		{survival(&health.Survival{Failures: 1, LeftOut: 1, Points: []health.SurvivalPoint{{Days: 482, AtRisk: 1,
			Running: 0.67, Band95: result.Span{0.054, 0.949}}}}),
			"After 482 days, the longest any car was followed, 67 % still run (95 % band 5.4 to 94.9 %; 1 car " +
				"failed, 1 car in the last step). Nothing is said beyond. 1 car could not be placed in time."},
	} {
		if got := w.said(c.got); got != c.want {
			t.Errorf("\n%q, want\n%q", got, c.want)
		}
	}
}

// The bounds are those of the closed forms: without a failure in 59 cars at most 1 − 0.05^(1/59) = 4.95 % fail, and
// −ln 0.05/3000 of pulls; a lone car that failed bounds nothing, and no exposure gives no rate.
func TestProofInWords(t *testing.T) {
	for _, c := range []struct {
		of   health.OutcomeProof
		want string
	}{
		{health.OutcomeProof{Cars: 59, Pulls: 3000, ShareUpper: 0.0495, PullsUpper: 0.000998577},
			"No failure in 59 cars: with 95 % confidence at most 5.0 % of such cars fail over an exposure like " +
				"theirs, and such cars have at most 1.00 failures in 1000 logged pulls (3000 seen); nothing is said " +
				"beyond that exposure."},
		{health.OutcomeProof{Cars: 12, FailedCars: 1, Failures: 2, Pulls: 220, ShareUpper: 0.339, PullsUpper: 0.0216},
			"1 of 12 cars failed: with 95 % confidence at most 34 % of such cars fail over an exposure like theirs, " +
				"and such cars have at most 22 failures in 1000 logged pulls (220 seen); nothing is said beyond that " +
				"exposure."},
		{health.OutcomeProof{Cars: 1, FailedCars: 1, Failures: 1, ShareUpper: 1, PullsUpper: result.Unknown()},
			"1 of 1 car failed: with 95 % confidence at most 100 % of such cars fail over an exposure like theirs; " +
				"nothing is said beyond that exposure."},
		{health.OutcomeProof{}, "No car here has logged a pull: nothing is proven."},
	} {
		if got := metricWords(t).said(proof(&c.of)); got != c.want {
			t.Errorf("\n%q, want\n%q", got, c.want)
		}
	}
}

// Every kind of change of a limit, of a change on a car and of what tables set has words.
func TestEveryKindOfAFleetHasWords(t *testing.T) {
	for _, kind := range []health.MoveKind{health.Wider, health.Narrower, health.Reached, health.Lost} {
		if s := move(&health.LimitMove{Change: kind, Metric: metric.Lambda, Side: metric.Upper}); s == "" {
			t.Errorf("%s is not said", kind)
		}
	}
	for kind, want := range map[health.ChangeKind]string{health.NoChange: "", health.RevisionChange: "revision r",
		health.HardwareChange: "hardware of d"} {
		if got := change(health.Change{Kind: kind, Revision: "r", Date: "d"}); got != want {
			t.Errorf("%q is said as %q", kind, got)
		}
	}
	for id, want := range map[channel.ID]string{"": "", channel.LambdaCommanded: "commanded lambda",
		channel.ManifoldPressureTarget: "the boost target", channel.SparkCommanded: "commanded spark"} {
		if got := command(id); got != want {
			t.Errorf("%q is said as %q", id, got)
		}
	}
}

// Where Fahrenheit and psi are asked for, no sentence, table or page of a review or a record holds another unit of
// temperature or pressure, and the formats for programs keep stored units, in their sentences too: asking changes no
// byte of them.
func TestFleetAndRecordInImperialUnits(t *testing.T) {
	foreign := regexp.MustCompile(`\d[ \x{a0}]?(kPa|bar|MPa|°C|K)\b`)
	for _, name := range []string{"fleet", "backtest"} {
		for _, f := range []Format{Table, Markdown, HTML} {
			out := render(t, name, f, Options{Width: 160, Units: imperial})
			if found := foreign.FindString(out); found != "" {
				t.Errorf("%s as %s says %q", name, f, found)
			}
		}
	}
	for _, name := range []string{"review", "audit", "across", "against", "fleet", "backtest", "envelopes"} {
		for _, f := range []Format{JSON, CSV, Parquet} {
			if render(t, name, f, Options{Units: imperial}) != render(t, name, f, Options{}) {
				t.Errorf("%s as %s depends on the reader's units", name, f)
			}
		}
	}
	for _, f := range []Format{Table, Markdown, HTML} {
		out := strings.NewReplacer(show.NBSP, " ").Replace(render(t, "fleet", f,
			Options{Width: 200, Units: imperial}))
		for _, want := range []string{"rises by 6 °F in 100 days", "136 °F"} {
			if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
				t.Errorf("%s does not say %q", f, want)
			}
		}
	}
}

// Wording leaves the results as they are.
func TestWordingLeavesFleetAndRecordAlone(t *testing.T) {
	bytesOf := func(v any) []byte {
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	f, r := fixtureFleet(), fixtureBacktest()
	fleetBefore, recordBefore := bytesOf(f), bytesOf(r)
	told, record := wordedFleet(f, metricWords(t)), wordedRecord(r, metricWords(t))
	if !bytes.Equal(fleetBefore, bytesOf(f)) || !bytes.Equal(recordBefore, bytesOf(r)) {
		t.Error("wording changed a result")
	}
	if len(told.Cautions) < 6 || len(record.Cautions) < 7 || len(record.Rules) == 0 {
		t.Errorf("cautions %q and %q, rules %q", told.Cautions, record.Cautions, record.Rules)
	}
}
