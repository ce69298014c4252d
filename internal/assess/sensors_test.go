package assess

import (
	"math"
	"slices"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/landmark"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/channel"
	"headroom/models/value"

	"github.com/google/go-cmp/cmp"
)

// withRows is a job on a workspace of one platform whose evidence was changed.
func withRows(t *testing.T, dir, platform string, change func(rows []evidence.Row) []evidence.Row) *Job {
	t.Helper()
	j := openJob(t, dir)
	rows, err := j.Evidence(platform)
	if err != nil {
		t.Fatal(err)
	}
	changed := change(slices.Clone(rows))
	m, err := j.Fit(platform, changed)
	if err != nil {
		t.Fatal(err)
	}
	l := j.platforms[platform]
	l.rows = func() ([]evidence.Row, error) { return changed, nil }
	l.model = func() (*Model, error) { return m, nil }
	return j
}

// on changes the rows of a car.
func on(car string, change func(r *evidence.Row)) func(rows []evidence.Row) []evidence.Row {
	return func(rows []evidence.Row) []evidence.Row {
		for i := range rows {
			if rows[i].Vehicle == car {
				change(&rows[i])
			}
		}
		return rows
	}
}

// deafen makes a row of one whose knock channel is dead, driven some degrees further than it was.
func deafen(further float64) func(r *evidence.Row) {
	return func(r *evidence.Row) {
		r.KnockEvents, r.RetardMax, r.RetardStart, r.RetardRise = 0, 0, 0, 0
		r.Bound.Delivered += further
	}
}

// withoutKnock takes knock out of a change's rows, whose fit would take most of a test's time.
func withoutKnock(change func(rows []evidence.Row) []evidence.Row) func(rows []evidence.Row) []evidence.Row {
	return func(rows []evidence.Row) []evidence.Row {
		for i := range rows {
			rows[i].KnockLogged = false
		}
		return change(rows)
	}
}

func reviewOn(t *testing.T, j *Job, id string) *Review {
	t.Helper()
	r, err := j.Review(id)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// reasonOf is the first reason of a type in some lists.
func reasonOf[R result.Reason](lists ...result.Reasons) (out R, ok bool) {
	for _, r := range slices.Concat(lists...) {
		if out, ok = r.(R); ok {
			return out, true
		}
	}
	return out, false
}

// A sensor that reads 0.05 rich in steady running and at full throttle hides a mixture that is leaner by as much: the
// lean hazard is judged as on the true mixture, and a release is kept away until the sensor is seen to.
func TestRichSensorKeepsAReleaseAway(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Marlins(t))
	p := mildProposal(t, dir)
	p.Revision = "same-tables"
	children(t, dir, p.Parent, map[string]func(string) string{p.Revision: func(yaml string) string { return yaml }})
	plain := reviewOn(t, openJob(t, dir), p.Revision)
	if plain.Verdict != VerdictRelease {
		t.Fatalf("%s with a sound sensor (%v): nothing is tested", plain.Verdict, plain.Reasons)
	}
	j := withRows(t, dir, p.Platform, on(p.Vehicle, func(r *evidence.Row) {
		r.Lambda -= 0.05
		r.LambdaLeanest -= 0.05
		r.LambdaError -= 0.05
	}))
	r := reviewOn(t, j, p.Revision)
	d, named := reasonOf[SuspectSensor](r.Reasons)
	if r.Verdict != VerdictConditions || !named || !(d.Leaner > 0.045 && d.Leaner < 0.065) {
		t.Errorf("%s: %v", r.Verdict, r.Reasons)
	}
	margins := func(r *Review) map[float64]float64 {
		out := map[float64]float64{}
		for _, c := range r.Curves {
			for _, pt := range c.Points {
				if c.Hazard == hazard.Lean {
					out[pt.RPM] = pt.Margin
				}
			}
		}
		return out
	}
	was := margins(plain)
	for rpm, now := range margins(r) {
		if math.Abs(now-was[rpm]) > 0.015 {
			t.Errorf("%.0f rpm: margin %.3f, on the true mixture %.3f", rpm, now, was[rpm])
		}
	}
	if len(was) < 5 {
		t.Errorf("only %d speeds", len(was))
	}
}

// Logs that read apart from other cars' keep a release away by the hazards that rest on the channel, and by those
// alone: a battery's voltage tells of none.
func TestLogsApartKeepAReleaseAway(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Marlins(t))
	p := mildProposal(t, dir)
	p.Revision = "same-tables"
	children(t, dir, p.Parent, map[string]func(string) string{p.Revision: func(yaml string) string { return yaml }})
	for _, c := range []struct {
		of      channel.ID
		verdict Verdict
	}{{channel.ModuleVoltage, VerdictRelease}, {channel.RailPressure, VerdictConditions}} {
		j := openJob(t, dir)
		j.apart = func() map[string][]landmark.Suspect {
			return map[string][]landmark.Suspect{p.Vehicle: {{Landmark: landmark.RailAtIdle, Channel: c.of, Of: 1}}}
		}
		r := reviewOn(t, j, p.Revision)
		s, named := reasonOf[StandsApart](r.Reasons)
		if r.Verdict != c.verdict || named != (c.verdict != VerdictRelease) {
			t.Errorf("%s: %s, %v", c.of, r.Verdict, r.Reasons)
		}
		if named && !slices.Equal(s.Hazards, []hazard.ID{hazard.RailPressure}) {
			t.Errorf("%s: %v", c.of, s.Hazards)
		}
	}
}

// Where a car's logs do not tell of the air, a review tries the densest that it may have been; where they do it is not
// tried.
func TestUnknownAirIsTried(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Marlins(t))
	p := mildProposal(t, dir)
	for _, more := range []float64{0, 5} {
		j := withRows(t, dir, p.Platform, withoutKnock(on(p.Vehicle, func(r *evidence.Row) {
			r.BarometerMore, r.LoadSource = more, evidence.LoadSpeedDensity
		})))
		tried := 0
		for _, c := range reviewOn(t, j, p.Revision).Conditions {
			if c.Stress.Kind == state.UnknownAir {
				tried++
				if c.Stress.Size != 5 {
					t.Errorf("%s: %+v", c.Hazard, c.Stress)
				}
			}
		}
		if (tried > 0) != (more > 0) {
			t.Errorf("%g kPa more: %d hazards lose margin in denser air", more, tried)
		}
	}
}

// A dead knock channel on a car driven nine degrees further is named with its logs; its clean rows bound no limit: the
// fit is the one without them; a release is kept away. Dead since some day only, the logs of before count. As many dead
// pulls at the spark it was driven at say nothing, because a sound car can be silent there.
func TestDeafCar(t *testing.T) {
	dir := fleettest.Marlins(t)
	p := mildProposal(t, dir)
	j := withRows(t, dir, p.Platform, on(p.Vehicle, deafen(9)))
	m, err := j.Model(p.Platform)
	if err != nil {
		t.Fatal(err)
	}
	u := m.Unheard[p.Vehicle]
	if len(m.Unheard) != 1 || u.Pulls < 8 || !(u.Chance < 0.001) {
		t.Fatalf("%+v", m.Unheard)
	}
	r := reviewOn(t, j, p.Revision)
	said, ok := reasonOf[KnockNotHeard](r.Reasons, r.Notes)
	if r.Verdict == VerdictRelease || !ok || !slices.Equal(said.Runs, u.Runs) {
		t.Errorf("%s: %v", r.Verdict, r.Reasons)
	}
	without, err := withRows(t, dir, p.Platform, on(p.Vehicle, func(r *evidence.Row) { r.KnockLogged = false })).
		Model(p.Platform)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(without.Knock, m.Knock); d != "" {
		t.Errorf("the dead channel's rows are in the fit (-without +with):\n%s", d)
	}
	half := u.Runs[len(u.Runs)/2:]
	later := withRows(t, dir, p.Platform, on(p.Vehicle, func(r *evidence.Row) {
		if slices.Contains(half, r.Run) {
			deafen(9)(r)
		}
	}))
	if m, err = later.Model(p.Platform); err != nil {
		t.Fatal(err)
	}
	if _, seen := m.Knock.Effect(p.Vehicle); !seen || !slices.Equal(m.Unheard[p.Vehicle].Runs, half) {
		t.Errorf("dead in %v, named %+v", half, m.Unheard)
	}
	as, err := withRows(t, dir, p.Platform, on(p.Vehicle, deafen(0))).Model(p.Platform)
	if err != nil {
		t.Fatal(err)
	}
	if len(as.Unheard) > 0 {
		t.Errorf("too little evidence, and called deaf: %+v", as.Unheard)
	}
}

// No sound car of the demo is called deaf, the silent ones among them neither, and none contradicts physics.
func TestSoundCarsAreHeard(t *testing.T) {
	j := openJob(t, fleettest.Demo(t))
	for id := range j.ws.Platforms {
		m, err := j.Model(id)
		if err != nil {
			t.Fatal(err)
		}
		if len(m.Unheard) > 0 || m.KnockAgainst != nil {
			t.Errorf("%s: %v %v", id, m.Unheard, m.KnockAgainst)
		}
	}
}

// One car without an event: far past what it has run, physics alone would hold the revision; it is undecided, with what
// the evidence lacks. Clean far past the limit that physics gives, the contradiction is named, whatever the chance.
func TestPhysicsAloneDoesNotHold(t *testing.T) {
	dir := fleettest.Marlins(t)
	p := mildProposal(t, dir)
	alone := func(delivered, commanded float64) *Review { // of knock alone: such spark crosses other limits too
		r := reviewOn(t, withRows(t, dir, p.Platform, func(rows []evidence.Row) []evidence.Row {
			rows = slices.DeleteFunc(rows, func(r evidence.Row) bool { return r.Vehicle != p.Vehicle })
			return on(p.Vehicle, func(r *evidence.Row) {
				deafen(delivered)(r)
				r.SparkCommanded += commanded
				for _, s := range r.Kept() {
					s.Commanded += commanded
				}
			})(rows)
		}), p.Revision)
		return judged(slices.DeleteFunc(r.Hazards, func(h Hazard) bool { return h.Hazard != hazard.Knock }), nil, nil,
			nil, nil)
	}
	r := alone(0, 12)
	open, ok := reasonOf[NotProven](r.Reasons)
	_, thin := reasonOf[ThinEvidence](open.Why)
	_, noEvent := reasonOf[NoKnockEvent](open.Why)
	if r.Verdict != VerdictUndecided || !ok || open.Hazard != hazard.Knock || !thin || !noEvent {
		t.Errorf("12° past what it has run: %s, %v", r.Verdict, r.Reasons)
	}
	r = alone(34, 0)
	var why result.Reasons
	for _, reason := range r.Reasons {
		switch reason := reason.(type) {
		case NotJudged:
			why = append(why, reason.Why...)
		case NotProven:
			why = append(why, reason.Why...)
		}
	}
	if past, named := reasonOf[CleanPastPhysics](why); r.Verdict != VerdictUndecided || !named || past.Beyond < 15 {
		t.Errorf("clean 34° further: %s, %v", r.Verdict, r.Reasons)
	}
}

// What does not hold by itself leaves the revision undecided, and a measured crossing holds all the same.
func TestThinEvidenceDoesNotHold(t *testing.T) {
	thin := assessed(hazard.Lean, hazard.Catastrophic, 0.5)
	thin.Status, thin.unproven = result.Thin, result.Reasons{ThinEvidence{Cars: 1}}
	r := judged([]Hazard{thin}, nil, nil, nil, nil)
	want := result.Reasons{NotProven{Hazard: hazard.Lean, Severity: hazard.Catastrophic, Chance: 0.25,
		Interval90: result.Span{0, 0.5}, Threshold: 0.05, Why: thin.unproven}}
	if d := cmp.Diff(want, r.Reasons); r.Verdict != VerdictUndecided || d != "" {
		t.Errorf("%s (-want +got):\n%s", r.Verdict, d)
	}
	crossing := MeasuredCrossing{Hazard: hazard.Knock, Pulls: 1, Of: 3, severity: hazard.Major}
	if r = judged([]Hazard{thin}, nil, nil, nil, []MeasuredCrossing{crossing}); r.Verdict != VerdictHold {
		t.Errorf("with a crossing measured: %s", r.Verdict)
	}
}

// A weak pump's logs tell how much of the missing fuel the mixture lacks: from none of it, as the demo's control units
// make it good at these loads, to most. What they show is what a further rise of demand is predicted to cost.
func TestStarvingPumpShowsInLean(t *testing.T) {
	const weak = "car-009" // the demo's
	dir := fleettest.Demo(t)
	m, err := openJob(t, dir).Model(fleettest.Kestrel)
	if err != nil {
		t.Fatal(err)
	}
	var least, most, short float64
	for _, share := range []float64{0, 0.9} {
		starving := 0
		j := withRows(t, dir, fleettest.Kestrel, withoutKnock(on(weak, func(r *evidence.Row) {
			s := m.Logged(r)
			short := m.Starvation(&s.State)
			if r.Kind != evidence.KindPull || !(short > 0) {
				return
			}
			starving++
			r.LambdaLeanest += share * short
		})))
		fitted, err := j.Model(fleettest.Kestrel)
		if err != nil {
			t.Fatal(err)
		}
		fit := fitted.Margins[metric.Lambda]
		got := fit.Model.Coef[len(fit.Model.Coef)-1]
		if starving < 10 || math.Abs(got-share) > 0.25 {
			t.Errorf("%d rows that lack %.1f of it: %.2f", starving, share, got)
		}
		s := state.State{Car: weak, RPM: 6000, Load: 190, Manifold: 180, Barometer: 100, Ambient: 20, Charge: 45,
			Coolant: 90, Lambda: 0.82, LambdaCommanded: 0.82, Spark: 10, Fuel: "pump-91", Cycles: 25, Rail: 15000,
			Ethanol: math.NaN(), IntakeCam: math.NaN(), PumpKnee: fitted.PumpKnees[weak]}
		lambda, _, err := fit.Expect(fitted.Platform, &s, s.LambdaCommanded, weak)
		if err != nil {
			t.Fatal(err)
		}
		if share == 0 {
			least = lambda
		}
		most, short = lambda, fitted.Starvation(&s)
	}
	if got := (most - least) / short; short < 0.1 || math.Abs(got-0.9) > 0.25 {
		t.Errorf("lambda is expected at %.3f where nothing is lacking and %.3f where most is; short by %.3f", least,
			most, short)
	}
}

// A car whose log lacks commanded lambda is judged on its table's with the error the fleet's logs show of tables: where
// it measures no lambda either, its margins are less sure than with the command logged; nothing else changes.
func TestLookedUpCommandIsLessSure(t *testing.T) {
	dir := fleettest.Marlins(t)
	p := mildProposal(t, dir)
	without := func(commanded bool) *Review {
		return reviewOn(t, withRows(t, dir, p.Platform, withoutKnock(on(p.Vehicle, func(r *evidence.Row) {
			r.LambdaLeanest, r.LambdaError = math.NaN(), math.NaN()
			if !commanded {
				r.LambdaCommanded = math.NaN()
			}
		}))), p.Revision)
	}
	logged, looked := without(true), without(false)
	widest := func(r *Review) (out float64) {
		for _, f := range r.worst[hazard.Lean].result.Cells {
			out = math.Max(out, f.Margin.SD)
		}
		return out
	}
	if a, b := widest(logged), widest(looked); !(b > a) || b > 5*a {
		t.Errorf("deviation of a margin %.4f with the command logged, %.4f looked up", a, b)
	}
	m, err := openJob(t, dir).Model(p.Platform)
	if err != nil {
		t.Fatal(err)
	}
	c := m.Command
	if c.Cars != 3 || !value.Known(c.Mean) || c.Mean > 0.005 || c.Mean < -0.02 || c.RowSD > 0.02 {
		t.Errorf("the demo's control units enrich by up to 0.02: %+v", c)
	}
}
