package assess

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// learnt is a revision with the model and the evidence of its platform.
func learnt(t *testing.T, j *Job, id string) (*workspace.Revision, *Model, []evidence.Row) {
	t.Helper()
	rev := j.ws.Revisions[id]
	m, err := j.Model(rev.Platform)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := j.Evidence(rev.Platform)
	if err != nil {
		t.Fatal(err)
	}
	return rev, m, rows
}

// benchOn is the bench of a revision whose car's rows are changed; the fit is that of the fleet as logged.
func benchOn(t *testing.T, j *Job, id string, change func(r *evidence.Row)) (*Model, *bench) {
	t.Helper()
	rev, m, rows := learnt(t, j, id)
	car := j.CarOf(rev.Vehicle)
	b, err := m.benchFor(on(car, change)(slices.Clone(rows)), rev, car, j.hardwareDate(car))
	if err != nil {
		t.Fatal(err)
	}
	return m, b
}

// Logs whose spark lies six degrees off the table that they are filed under, and charge colder than the air outside
// behind a compressor, cannot be what they are said to be; the logs as they are raise no doubt.
func TestLogDoubts(t *testing.T) {
	dir := fleettest.Marlins(t)
	j := openJob(t, dir)
	id := mildProposal(t, dir).Revision
	if m, b := benchOn(t, j, id, func(*evidence.Row) {}); len(m.logDoubts(b)) > 0 {
		t.Errorf("sound logs: %+v", m.logDoubts(b))
	}
	m, b := benchOn(t, j, id, func(r *evidence.Row) {
		for _, at := range r.Kept() {
			at.Commanded, at.Delivered = at.Commanded+6, at.Delivered+6
		}
	})
	if got, ok := reasonOf[LogsOffTable](m.logDoubts(b)); !ok || math.Abs(float64(got.By)-6) > 2 ||
		got.Role != "spark" {
		t.Errorf("spark 6° off: %+v", m.logDoubts(b))
	}
	m, b = benchOn(t, j, id, func(r *evidence.Row) {
		r.Ambient = 20
		r.ChargeTemperature = 8
	})
	if got, ok := reasonOf[ChargeBelowAmbient](m.logDoubts(b)); !ok || math.Abs(float64(got.By)-12) > 1e-9 {
		t.Errorf("charge 12 K below ambient: %+v", m.logDoubts(b))
	}
}

// A climate is used on the pulls that say how warm their day was, if they are enough; else its not being used is said.
func TestClimateNeedsAmbient(t *testing.T) {
	dir := fleettest.Marlins(t)
	j := openJob(t, dir)
	id := mildProposal(t, dir).Revision
	var months [12]float64
	for i := range months {
		months[i] = 44
	}
	j.ws.Config.Climate = workspace.Climate{{Name: "desert", Ambient: months[:], DayToDay: 4}}
	first := ""
	_, b := benchOn(t, j, id, func(r *evidence.Row) {
		r.Ambient = 20
		if first == "" && r.Kind == evidence.KindPull {
			first = evidence.PullID(r)
		}
		if evidence.PullID(r) == first {
			r.Ambient = math.NaN()
		}
	})
	if b.days == nil || b.days.from != FromClimate || !value.Known(b.visits[0].Ambient) {
		t.Errorf("one pull without ambient: %+v", b.days)
	}
	if has[ClimateUnused](b.unshown) {
		t.Errorf("said to be unused: %+v", b.unshown)
	}
	_, b = benchOn(t, j, id, func(r *evidence.Row) { r.Ambient = math.NaN() })
	if said, ok := reasonOf[ClimateUnused](b.unshown); !ok || said.Pulls != said.Of || said.Of < 3 {
		t.Errorf("no pull with ambient: %+v", b.unshown)
	}
}

// Hardware that vehicles.csv gives a car from a day on is not shown by logs from before it, nor by cars without it.
func TestCarsPartsAreNotShown(t *testing.T) {
	dir := fleettest.Marlins(t)
	j := openJob(t, dir)
	rev, m, rows := learnt(t, j, mildProposal(t, dir).Revision)
	car := j.CarOf(rev.Vehicle)
	pulls := evidence.PullRows(rows)
	if got := m.unshown(rev, car, pulls); has[PartNotShown](got) {
		t.Fatalf("stock: %+v", got)
	}
	v := *m.vehicles[car]
	v.Hardware, v.HardwareDate = "larger-turbo", "2031-01-01"
	m.vehicles[car] = &v
	said, ok := reasonOf[PartNotShown](m.unshown(rev, car, pulls))
	if !ok || said.To != "larger-turbo" || !slices.Contains(said.Hazards, hazard.ChargeTemperature) {
		t.Errorf("from after the logs: %+v", said)
	}
	v.HardwareDate = "2001-01-01"
	if got := m.unshown(rev, car, pulls); has[PartNotShown](got) {
		t.Errorf("from before the logs: %+v", got)
	}
}

// A part that the parent ran with and the revision sets back to stock is a change: that vehicles.csv calls the car
// stock does not speak for logs whose own revision names another part.
func TestPartSetBackIsNotShown(t *testing.T) {
	dir := fleettest.Marlins(t)
	j := openJob(t, dir)
	rev, m, rows := learnt(t, j, mildProposal(t, dir).Revision)
	car := j.CarOf(rev.Vehicle)
	if v := m.vehicles[car]; v.Hardware != workspace.Stock {
		t.Fatalf("vehicles.csv: %q", v.Hardware)
	}
	parent, child := *m.ws.Revisions[rev.Parent], *rev
	parent.Hardware = map[string]string{"turbo": "larger"}
	child.Hardware = map[string]string{"turbo": workspace.Stock}
	ws := *m.ws
	ws.Revisions = maps.Clone(ws.Revisions)
	ws.Revisions[parent.ID], ws.Revisions[child.ID] = &parent, &child
	m.ws = &ws
	pulls := evidence.Filter(evidence.PullRows(rows), func(r *evidence.Row) bool {
		return r.Vehicle == car && r.Revision == parent.ID
	})
	if len(pulls) == 0 {
		t.Fatal("no pull of the parent")
	}
	said, ok := reasonOf[PartNotShown](m.unshown(&child, car, pulls))
	if !ok || said.Item != "turbo" || said.To != workspace.Stock || !slices.Equal(said.From, []string{"larger"}) {
		t.Errorf("%+v", said)
	}
}

// A crossing that is said to be measured is in the log: where a trailing probe would have settled past the limit, none
// is measured until it reads so.
func TestCrossingIsRead(t *testing.T) {
	dir := fleettest.Marlins(t)
	j := openJob(t, dir)
	_, m, rows := learnt(t, j, mildProposal(t, dir).Revision)
	own := slices.Clone(evidence.PullRows(rows)[:1])
	r := *own[0]
	limit, _ := m.LimitsFor(hazard.ExhaustTemperature)[0].At(r.RPM, r.Load)
	for _, over := range []float64{-10, 10} {
		r.ExhaustTemperature, r.ExhaustRate = limit+over, 30
		s := m.Read(&r)
		if settled := m.SettledExhaust(&s); settled < limit+20 {
			t.Fatalf("settles at %v, limit %v", settled, limit)
		}
		crossed := slices.ContainsFunc(m.measuredCrossings([]evidence.Row{r}), func(c MeasuredCrossing) bool {
			return c.Hazard == hazard.ExhaustTemperature
		})
		if crossed != (over > 0) {
			t.Errorf("%v K over the limit: measured crossing %v", over, crossed)
		}
	}
}

// Where five of the parent's pulls crossed the limit, a computed chance of a few in a hundred is not believed; where
// none did, nothing is said. All of n trials hitting, at least (1 − 0.95)^(1/n) do (analytic).
func TestRecordAgainst(t *testing.T) {
	dir := fleettest.Marlins(t)
	j := openJob(t, dir)
	id := mildProposal(t, dir).Revision
	knock, _ := hazard.Of(hazard.Knock)
	said := func(retard float64) *RecordAgainst {
		m, b := benchOn(t, j, id, func(r *evidence.Row) {
			if r.Kind == evidence.KindPull {
				r.RetardMax = retard
			}
		})
		evals, _, err := m.evaluations(b, knock)
		if err != nil {
			t.Fatal(err)
		}
		h := m.hazardSummary(knock, evals, nil, b)
		return h.parentsRecord
	}
	if got := said(0); got != nil {
		t.Errorf("no crossing: %+v", got)
	}
	got := said(9)
	if got == nil || got.Crossed != got.Of || got.Of < 3 || float64(got.Low) <= float64(got.High) {
		t.Fatalf("every pull crossed: %+v", got)
	}
	if want := math.Pow(1-knownSure, 1/float64(got.Of)); math.Abs(float64(got.Low)-want) > 1e-9 {
		t.Errorf("%d of %d: at least %g, want %g (analytic)", got.Crossed, got.Of, got.Low, want)
	}
}

// What the workspace's files say against each other is told, and air thinner than any log's keeps a release away.
func TestFilesAgainstEachOther(t *testing.T) {
	dir := fleettest.Marlins(t)
	j := openJob(t, dir)
	rev, m, _ := learnt(t, j, mildProposal(t, dir).Revision)
	car := j.CarOf(rev.Vehicle)
	if got := m.fileContradictions(rev, car); len(got) > 0 {
		t.Errorf("sound files: %+v", got)
	}
	made := *j.ws.Revisions[rev.Parent]
	ran := evidence.Row{Kind: evidence.KindPull, Date: made.Date, Run: "runs/a.csv"}
	filed := []logged{{state: state.State{Row: &ran}, on: &state.Calibration{ID: made.ID}}}
	if got := m.loggedBeforeMade(filed); len(got) > 0 {
		t.Errorf("logged on the day it was made: %+v", got)
	}
	ran.Date = "2001-01-01"
	if got := m.loggedBeforeMade(filed); !cmp.Equal(got, result.Reasons{LoggedBeforeRevision{Revision: made.ID,
		Date: made.Date, First: ran.Date, Pulls: 1}}) {
		t.Errorf("logged before it was made: %+v", got)
	}
	gone := *rev
	gone.Status = workspace.Withdrawn
	if got := m.fileContradictions(&gone, car); !cmp.Equal(got, result.Reasons{Withdrawn{rev.ID, true}}) {
		t.Errorf("withdrawn: %+v", got)
	}
	parent := *j.ws.Revisions[rev.Parent]
	parent.Status, parent.Date = workspace.Withdrawn, rev.Date
	was := j.ws.Revisions[rev.Parent]
	j.ws.Revisions[rev.Parent] = &parent
	if got := m.fileContradictions(rev, car); !cmp.Equal(got, result.Reasons{Withdrawn{parent.ID, false}}) {
		t.Errorf("made from a withdrawn one: %+v", got)
	}
	j.ws.Revisions[rev.Parent] = was
	undated := *m.vehicles[car]
	undated.Hardware, undated.HardwareDate = "turbo-large", ""
	m.vehicles[car] = &undated
	if got := m.fileContradictions(rev, car); !cmp.Equal(got, result.Reasons{HardwareUndated{rev.Vehicle,
		"turbo-large"}}) {
		t.Errorf("hardware without a date: %+v", got)
	}
	v, early := undated, *rev
	v.Fuel, early.Date = "blend-e30", "2001-01-01"
	m.vehicles[car] = &v
	if got := m.fileContradictions(&early, car); !has[CarOnOtherFuel](got) || !has[DatedBeforeParent](got) {
		t.Errorf("another fuel and an early date: %+v", got)
	}
	for _, c := range []struct {
		kPa  float64
		said bool
	}{{62, true}, {97, false}} {
		j.ws.Config.Climate = workspace.Climate{{Name: "a place", BaroKPa: c.kPa}}
		if got := has[HigherThanLogged](m.higherThanLogged()); got != c.said {
			t.Errorf("a climate of %g kPa: %v, lowest logged %v", c.kPa, got, m.Fit.Weather.Barometer.Values[:1])
		}
	}
}

// Of two cars whose charge lies as far below ambient the same one is told at every run.
func TestChargeBelowAmbientIsTheSameAgain(t *testing.T) {
	b := &bench{}
	for car, pulls := range map[string]int{"car-a": 2, "car-b": 3} {
		for k := range pulls {
			s := state.State{Car: car, Manifold: 180, Barometer: 100}
			s.Pull = fmt.Sprint(car, k)
			s.Row = &evidence.Row{Kind: evidence.KindPull, Ambient: 20, ChargeTemperature: 10}
			b.logged = append(b.logged, logged{state: s})
		}
	}
	for range 50 {
		want := ChargeBelowAmbient{By: 10, Pulls: 2}
		if got := chargeBelowAmbient(b); len(got) != 1 || got[0] != result.Reason(want) {
			t.Fatalf("%+v, want %+v", got, want)
		}
	}
}
