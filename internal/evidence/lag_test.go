package evidence

import (
	"math"
	"testing"

	"headroom/internal/runlog"
	"headroom/models/channel"
)

// commandedAt is a commanded mixture that moves up and down through a pull and about it.
func commandedAt(t float64) float64 { return 0.9 + 0.05*math.Sin(1.7*t) + 0.02*math.Sin(4.1*t) }

// Lambda without a stated lag is moved back by what it trails commanded lambda in the log, so that its error is none
// where none was; where the log does not tell it, by the usual lag. A stated lag stands, zero too. Each says so.
func TestLambdaLagOfTheLog(t *testing.T) {
	late := pullRun(map[channel.ID]shape{
		channel.LambdaCommanded: func(_ int, t float64) float64 { return commandedAt(t) },
		channel.Lambda:          func(_ int, t float64) float64 { return commandedAt(t - 0.3) },
	})
	late = repeated(late, 3)
	rows, findings := Rows(late, setup())
	wantKind(t, findings, KindLagTold)
	for _, r := range rows {
		near(t, "error", r.LambdaError, 0, 1e-9)
	}
	set := setup()
	set.Lags = map[channel.ID]float64{channel.Lambda: 0}
	as, findings := Rows(late, set)
	if r := rowAt(t, as, 3000); math.Abs(r.LambdaError) < 0.005 {
		t.Errorf("a stated lag of 0 is not kept: error %v", r.LambdaError)
	}
	for _, f := range findings {
		if f.Kind == KindLagTold {
			t.Errorf("a stated lag is told otherwise: %v", f)
		}
	}
	alone := pullRun(map[channel.ID]shape{
		channel.Lambda: func(i int, _ float64) float64 { return 0.8 + 0.001*float64(i) },
	})
	rows, findings = Rows(alone, setup())
	wantKind(t, findings, KindLagTold)
	near(t, "usual lag", rowAt(t, rows, 3000).Lambda, 0.8+0.001*(44.5+10*usualLambdaLag), 1e-9)
}

// repeated is a run several times over, one after the other.
func repeated(run *runlog.Run, times int) *runlog.Run {
	out, n := *run, len(run.Time)
	out.Time, out.Series = nil, nil
	for k := range times {
		for _, t := range run.Time {
			out.Time = append(out.Time, t+float64(k*n)*run.SampleInterval)
		}
	}
	for _, s := range run.Series {
		again := runlog.Series{Channel: s.Channel}
		for range times {
			again.Values = append(again.Values, s.Values...)
		}
		out.Series = append(out.Series, again)
	}
	return &out
}
