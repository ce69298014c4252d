package evidence

import (
	"math"
	"testing"

	"headroom/internal/runlog"
	"headroom/models/channel"
)

// noisyPull is a pull at 20 Hz in which what has an extreme wanders: no two samples are alike.
func noisyPull() *runlog.Run {
	shapes := pullShapes()
	wave := func(mean, by, seconds float64) shape {
		return func(_ int, t float64) float64 { return mean + by*math.Sin(t/seconds) + by*math.Sin(7.3*t/seconds)/3 }
	}
	shapes[channel.Lambda] = wave(0.85, 0.03, 0.31)
	shapes[channel.ChargeTemperature] = wave(45, 3, 0.7)
	shapes[channel.ExhaustTemperature] = func(i int, t float64) float64 { return 600 + 20*t + wave(0, 5, 0.4)(i, t) }
	shapes[channel.InjectorDuty] = wave(60, 5, 0.5)
	shapes[channel.RailPressure] = wave(15000, 200, 0.37)
	shapes[channel.RailPressureTarget] = constant(15000)
	shapes[channel.ManifoldPressure] = wave(180, 6, 0.45)
	shapes[channel.ManifoldPressureTarget] = constant(180)
	return trace(241, 0.05, shapes)
}

// What a row says a slower log would have shown is what that log, made of the same samples, shows: extreme by extreme,
// in all cells but those at the ends of the pull, where the slower log's pull begins and ends elsewhere.
func TestThinnedIsTheSlowerLog(t *testing.T) {
	run := noisyPull()
	met := map[float64]bool{}
	for _, name := range []string{"a", "b", "c", "d", "e", "f", "g", "h", "i", "j"} {
		set := setup()
		set.Run, set.Lags = name, map[channel.ID]float64{channel.Lambda: 0}
		rows, _ := Rows(run, set)
		every := int(math.Round(rows[len(rows)/2].Thinned.Interval / 0.05))
		met[float64(every)] = true
		matched := false
		for phase := range every {
			slow := everyNth(run, phase, every)
			slowRows, _ := Rows(slow, set)
			matched = matched || sameExtremes(rows, slowRows)
		}
		if !matched {
			t.Errorf("run %s: no log of every %d shows what its thinned extremes say", name, every)
		}
		for i := range rows {
			c, ok := rows[i].AsThinned()
			if !ok {
				continue
			}
			if c.ExhaustTemperature > rows[i].ExhaustTemperature || c.InjectorDuty > rows[i].InjectorDuty ||
				c.RailShortfall > rows[i].RailShortfall || c.SampleInterval < 0.1-1e-9 {
				t.Errorf("run %s: a slower log shows more: %+v", name, c.Thinned)
			}
		}
	}
	if len(met) < 3 {
		t.Errorf("ten runs are thinned to %v only", met)
	}
	slow, _ := Rows(everyNth(run, 0, 20), setup())
	for i := range slow {
		if _, ok := slow[i].AsThinned(); ok {
			t.Error("a log of one sample a second is thinned")
		}
	}
}

// everyNth is every so many samples of a run from one on.
func everyNth(run *runlog.Run, from, every int) *runlog.Run {
	out := *run
	out.Time, out.Series, out.SampleInterval = nil, nil, run.SampleInterval*float64(every)
	for i := from; i < len(run.Time); i += every {
		out.Time = append(out.Time, run.Time[i])
	}
	for _, s := range run.Series {
		thin := runlog.Series{Channel: s.Channel}
		for i := from; i < len(s.Values); i += every {
			thin.Values = append(thin.Values, s.Values[i])
		}
		out.Series = append(out.Series, thin)
	}
	return &out
}

// sameExtremes reports whether the middle rows' thinned extremes are those of a slower log's rows.
func sameExtremes(rows, slow []Row) bool {
	compared := 0
	for i := 2; i < len(rows)-2; i++ {
		for j := range slow {
			a, b := rows[i].Thinned, &slow[j]
			if b.RPMLow != rows[i].RPMLow || b.LoadLow != rows[i].LoadLow {
				continue
			}
			compared++
			if a.LambdaLeanest != b.LambdaLeanest || a.InjectorDuty != b.InjectorDuty ||
				a.ExhaustTemperature != b.ExhaustTemperature || a.RailShortfall != b.RailShortfall ||
				a.BoostOvershoot != b.BoostOvershoot || a.ChargeTemperatureMax != b.ChargeTemperatureMax {
				return false
			}
		}
	}
	return compared > 2
}
