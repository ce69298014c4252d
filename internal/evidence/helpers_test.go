package evidence

import (
	"math"
	"strings"
	"testing"

	"headroom/internal/runlog"
	"headroom/models/channel"
)

var nan = math.NaN()

// shape gives a channel's value at sample i, t seconds into the run.
type shape func(i int, t float64) float64

func constant(v float64) shape { return func(int, float64) float64 { return v } }

// trace builds a run sampled every interval seconds. Channels are written in a fixed order.
func trace(n int, interval float64, shapes map[channel.ID]shape) *runlog.Run {
	run := &runlog.Run{Source: "test", SampleInterval: interval, Rows: n}
	for i := range n {
		run.Time = append(run.Time, float64(i)*interval)
	}
	for _, id := range sortedKeys(shapes) {
		s := runlog.Series{Channel: id, Values: make([]float64, n)}
		for i, t := range run.Time {
			s.Values[i] = shapes[id](i, t)
		}
		run.Series = append(run.Series, s)
	}
	return run
}

func sortedKeys(shapes map[channel.ID]shape) []channel.ID {
	lags := map[channel.ID]float64{}
	for id := range shapes {
		lags[id] = 0
	}
	return sortedLags(lags)
}

func setup() *Setup {
	return &Setup{
		Platform: "p", Vehicle: "v", Revision: "r", Fuel: "f", Run: "runs/v/r/x.csv", Date: "2026-03-04",
		DisplacementL: 2, Cylinders: 4, RPMStep: 500, LoadStep: 20,
		Pulls:   PullRules{ThrottleMin: 90, MinSeconds: 2, MinSpanRPM: 1000, SteadySeconds: 5, WarmCoolant: 70},
		Knock:   &KnockControl{StepDeg: 3, RecoveryDegPerSecond: 0.5},
		Ambient: nan, Barometer: nan,
	}
}

// pull is 10 Hz: 2 s at 2000 rpm part throttle, 8 s full throttle from 2000 to 6000 rpm, 2 s lift. Samples 20–100 are
// the pull (20 is the last at 2000 rpm).
func pullShapes() map[channel.ID]shape {
	return map[channel.ID]shape{
		channel.EngineSpeed: func(_ int, t float64) float64 {
			switch {
			case t <= 2:
				return 2000
			case t <= 10:
				return 2000 + 500*(t-2)
			}
			return 6000 - 1500*(t-10)
		},
		channel.ThrottlePosition: func(_ int, t float64) float64 {
			if t >= 2 && t <= 10+1e-9 {
				return 100
			}
			return 15
		},
		channel.AbsoluteLoad:       constant(150),
		channel.CoolantTemperature: constant(90),
		channel.SparkAdvance:       constant(15),
		channel.KnockRetard:        constant(0),
	}
}

func pullRun(change map[channel.ID]shape) *runlog.Run {
	shapes := pullShapes()
	for id, s := range change {
		shapes[id] = s
	}
	for id, s := range change {
		if s == nil {
			delete(shapes, id)
		}
	}
	return trace(121, 0.1, shapes)
}

func pullsOf(segments []Segment) []Segment {
	var out []Segment
	for _, s := range segments {
		if s.Kind == KindPull {
			out = append(out, s)
		}
	}
	return out
}

func wantKind(t *testing.T, findings []runlog.Finding, kind string) {
	t.Helper()
	for _, f := range findings {
		if f.Kind == kind {
			if f.Detail == "" || strings.HasSuffix(f.Detail, ".") {
				t.Errorf("finding %s reads %q", kind, f.Detail)
			}
			return
		}
	}
	t.Errorf("no finding of kind %s in %v", kind, findings)
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

// rowAt returns the row of the cell that starts at the speed.
func rowAt(t *testing.T, rows []Row, rpmLow float64) Row {
	t.Helper()
	for _, r := range rows {
		if r.RPMLow == rpmLow {
			return r
		}
	}
	t.Fatalf("no row at %v rpm", rpmLow)
	return Row{}
}
