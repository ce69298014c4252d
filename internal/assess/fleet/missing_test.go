package fleet

import (
	"math"
	"slices"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/channel"
	"headroom/models/value"
)

// platformWith is a platform of the workspace reader's example with a change made to its file.
func platformWith(t *testing.T, injection string, change func(p *workspace.Platform)) *state.Platform {
	t.Helper()
	ws, err := workspace.Open("../../workspace/testdata/good")
	if err != nil {
		t.Fatal(err)
	}
	p := ws.Platforms["kestrel-20t"]
	p.Engine.Injection = injection
	if injection == "port" {
		p.FuelSystem.RatedPressureKPa = 300
	}
	change(p)
	return state.NewPlatform(ws, p)
}

// wholeRow is a row of a pull in which everything was logged that any metric rests on.
func wholeRow() *evidence.Row {
	r := fleettest.BlankRow()
	r.Vehicle, r.Fuel, r.Run, r.Revision = "car", "pump-91", "run", "rev"
	r.RPM, r.Load, r.Duration, r.Cycles, r.SampleInterval = 4000, 150, 0.8, 25, 0.05
	r.Lambda, r.LambdaLeanest, r.LeanestRPM, r.LambdaCommanded = 0.86, 0.87, 4000, 0.86
	r.SparkCommanded, r.SparkDelivered, r.SparkMax, r.KnockLogged, r.RetardMax = 10, 10, 10, true, 0
	r.ManifoldPressure, r.ManifoldPressureTarget, r.BoostOvershoot, r.TargetRate = 180, 180, 2, -5
	r.SpeedRate, r.Barometer, r.Ambient, r.Ethanol, r.Gear = 600, 100, 20, 10, 4
	r.MassAirFlow, r.WastegateDuty, r.IntakeCam, r.ExhaustCam = 150, 55, 20, 10
	r.ChargeTemperature, r.ChargeTemperatureMax, r.CoolantTemperature, r.OilTemperature = 40, 41, 90, 100
	r.ExhaustTemperature, r.InjectorDuty, r.InjectorPulse = 850, 60, 5
	r.RailPressure, r.RailShortfall, r.ShortTermTrim, r.LongTermTrim = 15000, 50, 1, 1
	at := evidence.Sample{RPM: 4000, Load: 150, Delivered: 10, Commanded: 10, Manifold: 180, Target: 180, Charge: 40,
		Torque: 380}
	r.Bound, r.Entry, r.Exit, r.Peak = at, at, at, at
	return &r
}

// forget takes a channel out of a row, as if it had not been logged.
func forget(r *evidence.Row, id channel.ID) {
	nan := math.NaN()
	samples := func(f func(s *evidence.Sample)) {
		for _, s := range r.Kept() {
			f(s)
		}
	}
	switch id {
	case channel.AbsoluteLoad, channel.MassAirFlow:
		r.Load, r.MassAirFlow = nan, nan
		samples(func(s *evidence.Sample) { s.Load = nan })
	case channel.Lambda:
		r.Lambda, r.LambdaLeanest = nan, nan
	case channel.LambdaCommanded:
		r.LambdaCommanded = nan
	case channel.SparkAdvance, channel.SparkCommanded:
		r.SparkCommanded, r.SparkDelivered, r.SparkMax = nan, nan, nan
		samples(func(s *evidence.Sample) { s.Commanded, s.Delivered = nan, nan })
	case channel.ChargeTemperature:
		r.ChargeTemperature, r.ChargeTemperatureMax = nan, nan
		samples(func(s *evidence.Sample) { s.Charge = nan })
	case channel.CoolantTemperature:
		r.CoolantTemperature = nan
	case channel.OilTemperature:
		r.OilTemperature = nan
	case channel.ExhaustTemperature:
		r.ExhaustTemperature = nan
	case channel.InjectorDuty:
		r.InjectorDuty = nan
	case channel.InjectorPulse:
		r.InjectorPulse = nan
	case channel.RailPressure:
		r.RailPressure, r.RailShortfall = nan, nan
	case channel.RailPressureTarget:
		r.RailShortfall = nan
	case channel.ManifoldPressure:
		r.ManifoldPressure, r.BoostOvershoot = nan, nan
		samples(func(s *evidence.Sample) { s.Manifold = nan })
	case channel.ManifoldPressureTarget:
		r.ManifoldPressureTarget, r.BoostOvershoot, r.TargetRate = nan, nan, nan
		samples(func(s *evidence.Sample) { s.Target = nan })
	case channel.EngineSpeed:
		r.RPM = nan
	case channel.WastegateDuty:
		r.WastegateDuty = nan
	case channel.BarometricPressure:
		r.Barometer = nan
	case channel.AmbientTemperature:
		r.Ambient = nan
	case channel.EthanolShare:
		r.Ethanol = nan
	case channel.IntakeCam:
		r.IntakeCam = nan
	case channel.ExhaustCam:
		r.ExhaustCam = nan
	case channel.Gear:
		r.Gear = nan
	case channel.Torque:
		samples(func(s *evidence.Sample) { s.Torque = nan })
	case channel.KnockRetard, channel.KnockRetardLearned:
		r.KnockLogged = false
	case channel.ShortTermTrim:
		r.ShortTermTrim = nan
	case channel.LongTermTrim:
		r.LongTermTrim = nan
	default:
		panic("this test does not know how to forget " + string(id))
	}
}

// without is a platform file without a key that a metric rests on.
func without(t *testing.T, injection string, key metric.Key) *state.Platform {
	t.Helper()
	return platformWith(t, injection, func(p *workspace.Platform) {
		switch key {
		case metric.FuelSystem:
			p.FuelSystem = nil
		case metric.PumpCapacity:
			p.FuelSystem.PumpCapacity = workspace.Curve{}
		case metric.KnockControl:
			p.KnockControl = nil
		case metric.PortInjection:
			p.Engine.Injection = "direct"
		case metric.DirectInjection:
			p.Engine.Injection = "port"
		default:
			t.Fatalf("this test does not know how to leave out %q", key)
		}
	})
}

// injectionOf is the kind of engine that has a metric.
func injectionOf(m metric.Info) string {
	if slices.ContainsFunc(m.Computed, func(in metric.Input) bool { return in.Key == metric.PortInjection }) {
		return "port"
	}
	return "direct"
}

// judgeable reports whether a metric can be judged on a visit: measured or computed as its row of this package says.
func judgeable(f *Fleet, m metric.Info, v *state.Visit) bool {
	if m.ID == metric.KnockMargin {
		return f.KnockControl != nil && f.Cycle != nil && knockable(v.Row)
	}
	q := QuantityOf(m.ID)
	computed := value.Known(q.Predictor(f.Platform, &v.State))
	if q.Stands {
		return computed
	}
	return computed && value.Known(q.Measured(f.Platform, &v.State))
}

// Each limited metric can be judged where all is there, and taking any one thing that the catalogue says it rests on
// makes it not judgeable and is named, alone: a reason never names the wrong missing thing, and the catalogue lists
// neither too much nor too little.
func TestWhatIsMissingIsNamed(t *testing.T) {
	for _, m := range metric.All() {
		if !m.Limited() && m.ID != metric.KnockMargin {
			continue
		}
		injection := injectionOf(m)
		visit := func(f *Fleet, r *evidence.Row) *state.Visit { v := f.Logged(r); return &v }
		whole := New(platformWith(t, injection, func(*workspace.Platform) {}), &Fit{})
		if v := visit(whole, wholeRow()); !judgeable(whole, m, v) {
			t.Errorf("%s cannot be judged although all is there", m.ID)
			continue
		}
		needs := append(slices.Clone(m.Shown), m.Computed...)
		if q := QuantityOf(m.ID); q != nil && q.Stands {
			needs = m.Computed
		}
		for _, in := range needs {
			f, r := whole, wholeRow()
			if in.Key != "" {
				f = New(without(t, injection, in.Key), &Fit{})
			}
			for _, id := range in.Channels {
				forget(r, id)
			}
			v := visit(f, r)
			if judgeable(f, m, v) {
				t.Errorf("%s does not rest on %+v", m.ID, in)
			}
			lack := f.Lacking(m, []*state.Visit{v})
			named := slices.ContainsFunc(lack.Missing, func(o result.Missing) bool {
				return o.Key == in.Key && slices.Equal(o.Channels, in.Channels) && !o.Together
			})
			if !named || lack.Unusable {
				t.Errorf("%s without %+v: %+v", m.ID, in, lack)
			}
			for _, o := range lack.Missing {
				if o.Key == "" && !touches(o.Channels, in.Channels) || o.Key != "" && !under(o.Key, in.Key) {
					t.Errorf("%s without %+v names %+v, which is there", m.ID, in, o)
				}
				if (o.File == "") != (o.Key == "") {
					t.Errorf("%s: %+v names the wrong file", m.ID, o)
				}
			}
		}
	}
}

// touches reports whether two lists of channels share one, or one that stands in for it.
func touches(a, b []channel.ID) bool {
	return slices.ContainsFunc(a, func(id channel.ID) bool { return slices.Contains(b, id) })
}

// under reports whether a key goes with another one.
func under(key, with metric.Key) bool {
	return key == with || with == metric.FuelSystem && key == metric.PumpCapacity
}

// Where each thing is logged in some pull and never all in one, that is said; where all is there and nothing can be
// judged, that is said too.
func TestNeverTogether(t *testing.T) {
	f := New(platformWith(t, "direct", func(*workspace.Platform) {}), &Fit{})
	exhaust, _ := metric.Of(metric.ExhaustTemperature)
	a, b := wholeRow(), wholeRow()
	forget(a, channel.SparkAdvance)
	forget(b, channel.ExhaustTemperature)
	va, vb := f.Logged(a), f.Logged(b)
	lack := f.Lacking(exhaust, []*state.Visit{&va, &vb})
	if len(lack.Missing) != 1 || !lack.Missing[0].Together ||
		!slices.Contains(lack.Missing[0].Channels, channel.ExhaustTemperature) ||
		!slices.Contains(lack.Missing[0].Channels, channel.SparkAdvance) {
		t.Errorf("never together: %+v", lack)
	}
	spooling := wholeRow()
	spooling.BoostOvershoot = -60
	v := f.Logged(spooling)
	for _, id := range []metric.ID{metric.BoostOvershoot, metric.WastegateDuty} {
		boost, _ := metric.Of(id)
		lack := f.Lacking(boost, []*state.Visit{&v})
		if judgeable(f, boost, &v) || !lack.Unusable || len(lack.Missing) > 0 {
			t.Errorf("%s of a turbocharger that still spools: %+v", id, lack)
		}
	}
}

// Every metric of the catalogue has a row here: one that logs can show is measured, one that physics moves is computed.
func TestEveryMetricHasARow(t *testing.T) {
	for _, m := range metric.All() {
		if !m.Limited() {
			continue
		}
		q := QuantityOf(m.ID)
		if q == nil {
			t.Errorf("%s has no row in this package", m.ID)
			continue
		}
		if (q.Measured != nil) != m.Measurable() {
			t.Errorf("%s: logs can show it: %v, measured here: %v", m.ID, m.Measurable(), q.Measured != nil)
		}
		if q.Predictor == nil || q.ChangeSD <= 0 {
			t.Errorf("%s has no predictor, or a change of it no error", m.ID)
		}
		if q.sample != nil && !q.Moves || q.Stands != (q.bias > 0) || q.Measured == nil && !q.Stands {
			t.Errorf("%s: its row contradicts itself", m.ID)
		}
	}
	if QuantityOf("luck") != nil {
		t.Error("an unknown metric has a row")
	}
}

// Each channel that a row keeps can be told missing: forgetting it, and only that, makes its reading unknown. So a
// metric that comes to rest on it needs no row for the channel.
func TestEveryKeptChannelIsRead(t *testing.T) {
	f := New(platformWith(t, "direct", func(*workspace.Platform) {}), &Fit{})
	for id, read := range readings {
		whole, r := wholeRow(), wholeRow()
		forget(r, id)
		with, without := f.Logged(whole), f.Logged(r)
		if !value.Known(read(&with.State)) || value.Known(read(&without.State)) {
			t.Errorf("%s reads %v, and %v where it was not logged", id, read(&with.State), read(&without.State))
		}
	}
}

// Spark before knock retard is what the engine is computed with. Where only delivered spark was logged, it takes the
// retard to know it, and that is what is named.
func TestDeliveredSparkNeedsTheRetard(t *testing.T) {
	f := New(platformWith(t, "direct", func(*workspace.Platform) {}), &Fit{})
	r := wholeRow()
	r.KnockLogged, r.SparkCommanded = false, math.NaN()
	for _, s := range r.Kept() {
		s.Commanded = math.NaN()
	}
	v := f.Logged(r)
	for _, id := range []metric.ID{metric.ExhaustTemperature, metric.PeakPressure, metric.BMEP, metric.Torque} {
		m, _ := metric.Of(id)
		lack := f.Lacking(m, []*state.Visit{&v})
		if judgeable(f, m, &v) || len(lack.Missing) != 1 ||
			!slices.Equal(lack.Missing[0].Channels, []channel.ID{channel.KnockRetard, channel.KnockRetardLearned,
				channel.SparkCommanded}) {
			t.Errorf("%s: %+v", id, lack)
		}
	}
}

// What a calibration's tables say of a log is not in the log.
func TestLookedUpIsNotLogged(t *testing.T) {
	f := New(platformWith(t, "direct", func(*workspace.Platform) {}), &Fit{})
	r := wholeRow()
	forget(r, channel.LambdaCommanded)
	forget(r, channel.ManifoldPressureTarget)
	v := f.Logged(r)
	asLogged := v.State
	v.LambdaCommanded, v.Target, v.State.Logged = 0.86, 180, &asLogged
	lambda, _ := metric.Of(metric.Lambda)
	boost, _ := metric.Of(metric.BoostOvershoot)
	for m, id := range map[*metric.Info]channel.ID{&lambda: channel.LambdaCommanded,
		&boost: channel.ManifoldPressureTarget} {
		lack := f.Lacking(*m, []*state.Visit{&v})
		if len(lack.Missing) != 1 || !slices.Equal(lack.Missing[0].Channels, []channel.ID{id}) {
			t.Errorf("%s: %+v", m.ID, lack)
		}
	}
}

// Without the whole fuel system the section is named, not a key of it.
func TestTheSectionIsNamedBeforeItsKeys(t *testing.T) {
	f := New(platformWith(t, "direct", func(p *workspace.Platform) { p.FuelSystem = nil }), &Fit{})
	v := f.Logged(wholeRow())
	pump, _ := metric.Of(metric.PumpUse)
	if lack := f.Lacking(pump, []*state.Visit{&v}); len(lack.Missing) != 1 || lack.Missing[0].Key != metric.FuelSystem {
		t.Errorf("%+v", lack)
	}
}
