package assess

import (
	"math"
	"slices"
	"testing"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/demo"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// coldDay is a proposal of the demo whose car logs ambient temperature, the evidence of its platform without all of the
// car's days but the coldest on the proposal's parent, and the ambient temperatures of those left out.
func coldDay(t *testing.T, j *Job) (rev *workspace.Revision, rows []evidence.Row, others []float64) {
	t.Helper()
	truth, err := demo.ReadTruth(j.ws.Dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range truth.Proposed {
		all, err := j.Evidence(p.Platform)
		if err != nil {
			t.Fatal(err)
		}
		coldest, date := math.Inf(1), ""
		byDay := map[string]float64{}
		for i := range all {
			r := &all[i]
			if r.Vehicle != p.Vehicle || r.Kind != evidence.KindPull || r.Revision != p.Parent {
				continue
			}
			byDay[r.Date] = r.Ambient
			if r.Ambient < coldest {
				coldest, date = r.Ambient, r.Date
			}
		}
		if len(byDay) < 4 || slices.ContainsFunc(all, func(r evidence.Row) bool {
			return r.Vehicle == p.Vehicle && r.Kind == evidence.KindPull && !value.Known(r.Ambient)
		}) {
			continue
		}
		for day, ambient := range byDay {
			if day != date {
				others = append(others, ambient)
			}
		}
		rows = slices.DeleteFunc(slices.Clone(all), func(r evidence.Row) bool {
			return r.Vehicle == p.Vehicle && (r.Date != date || r.Revision != p.Parent)
		})
		return j.ws.Revisions[p.Revision], rows, others
	}
	t.Fatal("no proposal's car logs ambient temperature")
	return nil, nil, nil
}

// A car of which one cold day was logged is judged over the days that it will meet: those of its other logs, which the
// judgement did not see, lie among them, knock gets likelier, and the hot day is a day of the same place. Without a
// climate it was once judged as if every day were as cold.
func TestOneColdDay(t *testing.T) {
	j := openJob(t, fleettest.Demo(t))
	rev, rows, others := coldDay(t, j)
	m, err := j.Fit(rev.Platform, rows)
	if err != nil {
		t.Fatal(err)
	}
	b, err := m.benchFor(rows, rev, rev.Vehicle, "")
	if err != nil {
		t.Fatal(err)
	}
	w := b.days.said(b.visits)
	if w.From != FromCar || w.Own != 1 || !w.Year || w.Logged[0] != w.Logged[1] {
		t.Fatalf("judged over %+v", w)
	}
	logged := float64(w.Logged[0])
	low, high := float64(w.Judged[0]), float64(w.Judged[1])
	warmest := slices.Max(others)
	if warmest < logged+5 {
		t.Fatalf("logged at %.1f °C, the other days at %.1f: nothing is tested", logged, others)
	}
	if slices.Min(others) < low || warmest > high {
		t.Errorf("judged over %.1f to %.1f °C, the car met %.1f", low, high, others)
	}
	var ambient, hotter []float64
	for i := range b.visits {
		ambient = append(ambient, b.visits[i].Ambient)
		hotter = append(hotter, b.visits[i].Charge-b.visits[i].Root().Charge)
	}
	if got := value.Median(ambient); got < logged+2 || math.Abs(got-(low+high)/2) > 3 {
		t.Errorf("half of the judged states are below %.1f °C, of days from %.1f to %.1f", got, low, high)
	}
	if got := value.Median(hotter); got < 2 {
		t.Errorf("charge is %.1f K hotter than on the cold day", got)
	}
	met := m.met(b)
	if math.Abs(met.HotDay-float64(w.Hot)) > 1e-9 || met.CommonDay < low || met.CommonDay > high ||
		met.HotDay < high {
		t.Errorf("hot day %.1f, common day %.1f °C, of days from %.1f to %.1f, hot %.1f", met.HotDay, met.CommonDay,
			low, high, w.Hot)
	}
	knock, _ := hazard.Of(hazard.Knock)
	asLogged := *b
	asLogged.days, asLogged.visits, asLogged.parent = nil, nil, nil
	for _, l := range b.logged {
		if v := m.As(l.state.Row, b.car); l.state.Row.Kind == evidence.KindPull {
			next, _ := m.Move(&v, l.on, b.child)
			asLogged.visits = append(asLogged.visits, next)
		}
	}
	if is, was := chance(t, m, b, knock), chance(t, m, &asLogged, knock); is <= was {
		t.Errorf("knock in %.3f of pulls over the days to come, in %.3f on the cold day", is, was)
	}
}

func chance(t *testing.T, m *Model, b *bench, h hazard.Info) float64 {
	t.Helper()
	evals, _, err := m.evaluations(b, h)
	if err != nil || len(evals) == 0 {
		t.Fatalf("%s: %d evaluations, %v", h.ID, len(evals), err)
	}
	return evals[0].result.Probability
}

// Where ambient temperature says how warm a day is, charge temperature follows it: the other, warmer days of the car,
// which the fit did not see, lie where it is expected on days like them. A kelvin of air is about one of charge
// (isentropic compression scales the intake's absolute temperature: T₂ = T₁(1 + rise), of which the intercooler takes
// its share back).
func TestChargeFollowsTheDay(t *testing.T) {
	j := openJob(t, fleettest.Demo(t))
	rev, rows, _ := coldDay(t, j)
	m, err := j.Fit(rev.Platform, rows)
	if err != nil {
		t.Fatal(err)
	}
	if share := m.AmbientShare(); share < 0.8 || share > 1.3 {
		t.Errorf("a kelvin of air is %.2f K of charge", share)
	}
	fit, plain := m.ChargeByAmbient, m.Margins[metric.ChargeTemperature]
	if fit.Model.DayVar > 0.5*plain.Model.DayVar {
		t.Errorf("days differ by %.2f K where ambient temperature is known, by %.2f K where not",
			math.Sqrt(fit.Model.DayVar), math.Sqrt(plain.Model.DayVar))
	}
}

// Which days a revision is judged over: a climate that is given, else those of its car's place, of the fleet for a
// fleet's; by charge where not every pull says how warm its day was.
func TestWhichDays(t *testing.T) {
	j := openJob(t, fleettest.Demo(t))
	rev := j.ws.Revisions[mildProposal(t, fleettest.Demo(t)).Revision]
	kept, err := j.Model(rev.Platform)
	if err != nil {
		t.Fatal(err)
	}
	all, err := j.Evidence(rev.Platform)
	if err != nil {
		t.Fatal(err)
	}
	m, ws := *kept, *j.ws
	m.ws = &ws
	var warm []state.Visit
	for i := range all {
		if all[i].Kind == evidence.KindPull && value.Known(all[i].Ambient) {
			warm = append(warm, m.Logged(&all[i]))
		}
	}
	from := func(car string, visits []state.Visit) *days {
		t.Helper()
		d, err := m.daysFor(visits, car)
		if err != nil || d == nil {
			t.Fatalf("%q: %+v, %v", car, d, err)
		}
		return d
	}
	fleets, own, another := from("", warm), from(rev.Vehicle, warm), from("car that nobody logged", warm)
	if fleets.from != FromAmbient || fleets.quantile(0.3) != m.Fit.Weather.Ambient.Quantile(0.3) {
		t.Errorf("for the fleet: %+v", fleets)
	}
	if own.from != FromCar || own.own == 0 || !own.year || another.from != FromCar || another.own != 0 {
		t.Errorf("for a car %+v, for one without logs %+v", own, another)
	}
	if spread := func(d *days) float64 { return d.quantile(0.95) - d.quantile(0.05) }; spread(another) <= spread(own) {
		t.Errorf("nine days in ten of a place that is not known span %.1f K, of one that is %.1f K", spread(another),
			spread(own))
	}
	untold := slices.Clone(warm)
	untold[0].Ambient = math.NaN()
	if d := from(rev.Vehicle, untold); d.from != FromCharge || d.byAmbient() {
		t.Errorf("where one pull does not say: %+v", d)
	}
	ws.Config.Climate = workspace.Climate{{Name: "valley", Ambient: slices.Repeat([]float64{30}, 12), DayToDay: 2}}
	if d := from(rev.Vehicle, warm); d.from != FromClimate || math.Abs(d.quantile(0.5)-30) > 0.1 || !d.byAmbient() {
		t.Errorf("with a climate: %+v", d)
	}
	few := *m.Fit
	few.Weather.Places = nil
	m.Fleet = fleet.New(m.Platform, &few)
	ws.Config.Climate = nil
	if d, err := m.daysFor(warm, rev.Vehicle); d != nil || err != nil || d.said(warm).From != FromLogs {
		t.Errorf("of too few days: %+v, %v", d, err)
	}
}
