package evidence

import (
	"fmt"
	"math"
	"testing"

	"headroom/internal/runlog"
	"headroom/models/channel"
)

func TestPullIsTheRisingFullThrottleStretch(t *testing.T) {
	segments, _ := Segments(pullRun(nil), setup())
	pulls := pullsOf(segments)
	if len(pulls) != 1 {
		t.Fatalf("%d pulls, want 1: %+v", len(pulls), segments)
	}
	if s := pulls[0]; s.From != 20 || s.To != 101 {
		t.Errorf("pull is [%d, %d), want [20, 101)", s.From, s.To)
	}
	if !math.IsNaN(pulls[0].Gear) {
		t.Errorf("gear %v without a gear channel", pulls[0].Gear)
	}
}

// Full throttle half a second before speed leaves its lowest: the waiting is not part of the pull.
func TestPullStartsWhereSpeedStartsToRise(t *testing.T) {
	run := pullRun(map[channel.ID]shape{
		channel.ThrottlePosition: func(_ int, t float64) float64 {
			if t > 1.45 && t < 10.05 {
				return 100
			}
			return 15
		},
		channel.EngineSpeed: func(_ int, t float64) float64 {
			if t < 2 {
				return 2000 + 10*(2-t)
			}
			return 2000 + 500*(t-2)
		},
	})
	segments, _ := Segments(run, setup())
	if got := fmt.Sprint(bounds(pullsOf(segments))); got != "[[20 101]]" {
		t.Errorf("pulls are %s, want [[20 101]]", got)
	}
}

// Dropouts, spikes, noise and quantised speed do not cut a pull.
func TestPullSurvivesBadSamples(t *testing.T) {
	plain := pullShapes()
	for name, change := range map[string]map[channel.ID]shape{
		"speed dropout": {channel.EngineSpeed: func(i int, t float64) float64 {
			if i == 40 || i == 70 {
				return nan
			}
			return plain[channel.EngineSpeed](i, t)
		}},
		"speed spikes": {channel.EngineSpeed: func(i int, t float64) float64 {
			if i == 40 {
				return 0
			}
			if i == 70 {
				return 9000
			}
			return plain[channel.EngineSpeed](i, t)
		}},
		"speed noise": {channel.EngineSpeed: func(i int, t float64) float64 {
			return plain[channel.EngineSpeed](i, t) + 35*math.Sin(float64(i*i))
		}},
		"speed in steps of 64": {channel.EngineSpeed: func(i int, t float64) float64 {
			return 64 * math.Floor(plain[channel.EngineSpeed](i, t)/64)
		}},
		"throttle dip": {channel.ThrottlePosition: func(i int, t float64) float64 {
			if i == 50 {
				return 60
			}
			return plain[channel.ThrottlePosition](i, t)
		}},
		"throttle closed by the control unit": {
			channel.ThrottlePosition: func(i int, t float64) float64 {
				return math.Min(plain[channel.ThrottlePosition](i, t), 72)
			},
			channel.PedalPosition: plain[channel.ThrottlePosition],
		},
	} {
		segments, _ := Segments(pullRun(change), setup())
		pulls := pullsOf(segments)
		if len(pulls) != 1 {
			t.Errorf("%s: %d pulls, want 1: %+v", name, len(pulls), pulls)
			continue
		}
		if s := pulls[0]; s.From < 18 || s.From > 22 || s.To < 99 || s.To > 101 {
			t.Errorf("%s: pull is [%d, %d), want about [20, 101)", name, s.From, s.To)
		}
	}
}

func TestTwoBadSamplesEndAPull(t *testing.T) {
	plain := pullShapes()
	run := pullRun(map[channel.ID]shape{channel.ThrottlePosition: func(i int, t float64) float64 {
		if i == 60 || i == 61 {
			return 40
		}
		return plain[channel.ThrottlePosition](i, t)
	}})
	segments, _ := Segments(run, setup())
	if got := fmt.Sprint(bounds(pullsOf(segments))); got != "[[20 60] [62 101]]" {
		t.Errorf("pulls are %s", got)
	}
}

func bounds(segments []Segment) [][2]int {
	var out [][2]int
	for _, s := range segments {
		out = append(out, [2]int{s.From, s.To})
	}
	return out
}

func TestNoSegmentCrossesAGapInTime(t *testing.T) {
	run := pullRun(nil)
	for i := 60; i < len(run.Time); i++ {
		run.Time[i] += 0.5
	}
	segments, _ := Segments(run, setup())
	if got := fmt.Sprint(bounds(pullsOf(segments))); got != "[[20 60] [60 101]]" {
		t.Errorf("pulls are %s", got)
	}
}

// gears is a run through three gears at full throttle, 10 Hz: 4 s each, ratio 120, 80, 60 rpm per km/h; road speed
// rises by 6 km/h a second from 20. An upshift takes three samples without a gear.
func gears(with ...channel.ID) *runlog.Run {
	ratio := []float64{120, 80, 60}
	gear := func(i int) int { return min(i/40, 2) }
	speed := func(t float64) float64 { return 20 + 6*t }
	all := map[channel.ID]shape{
		channel.EngineSpeed:      func(i int, t float64) float64 { return ratio[gear(i)] * speed(t) },
		channel.ThrottlePosition: constant(100),
		channel.VehicleSpeed:     func(_ int, t float64) float64 { return math.Round(speed(t)) },
		channel.Gear: func(i int, _ float64) float64 {
			if i%40 < 3 && i > 3 {
				return 0
			}
			return float64(gear(i) + 2)
		},
	}
	shapes := map[channel.ID]shape{channel.EngineSpeed: all[channel.EngineSpeed],
		channel.ThrottlePosition: all[channel.ThrottlePosition]}
	for _, id := range with {
		shapes[id] = all[id]
	}
	return trace(120, 0.1, shapes)
}

func TestUpshiftsSplitARun(t *testing.T) {
	for name, with := range map[string][]channel.ID{
		"gear":  {channel.Gear, channel.VehicleSpeed},
		"ratio": {channel.VehicleSpeed},
		"slope": nil,
	} {
		segments, _ := Segments(gears(with...), setup())
		if len(segments) != 3 {
			t.Errorf("%s: %d pulls, want 3: %+v", name, len(segments), segments)
			continue
		}
		for k, s := range segments {
			if s.From < 40*k || s.From > 40*k+3 || s.To > 40*(k+1) || s.To < 40*(k+1)-1 {
				t.Errorf("%s: pull %d is [%d, %d), want about [%d, %d)", name, k, s.From, s.To, 40*k, 40*(k+1))
			}
			if name == "gear" && s.Gear != float64(k+2) {
				t.Errorf("pull %d in gear %v, want %d", k, s.Gear, k+2)
			}
		}
	}
}

// A downshift at full throttle lets speed rise throughout: only gear, ratio or slope can tell.
func TestDownshiftSplitsARun(t *testing.T) {
	speed := func(t float64) float64 { return 60 + 4*t }
	rpm := func(i int, t float64) float64 {
		if i < 40 {
			return 30 * speed(t)
		}
		return 45 * speed(t)
	}
	base := map[channel.ID]shape{channel.EngineSpeed: rpm, channel.ThrottlePosition: constant(100)}
	for name, add := range map[string]map[channel.ID]shape{
		"gear": {channel.Gear: func(i int, _ float64) float64 {
			if i < 40 {
				return 5
			}
			return 3
		}},
		"ratio": {channel.VehicleSpeed: func(_ int, t float64) float64 { return math.Round(speed(t)) }},
		"slope": nil,
	} {
		shapes := map[channel.ID]shape{}
		for _, m := range []map[channel.ID]shape{base, add} {
			for id, s := range m {
				shapes[id] = s
			}
		}
		rules := setup()
		rules.Pulls.MinSpanRPM = 400
		segments, _ := Segments(trace(80, 0.1, shapes), rules)
		if got := fmt.Sprint(bounds(segments)); got != "[[0 40] [40 80]]" {
			t.Errorf("%s: pulls are %s", name, got)
		}
	}
}

// One sample of a wrong gear is a glitch, not a shift.
func TestGearGlitchDoesNotSplit(t *testing.T) {
	run := pullRun(map[channel.ID]shape{channel.Gear: func(i int, _ float64) float64 {
		if i == 50 {
			return 6
		}
		return 4
	}})
	segments, _ := Segments(run, setup())
	if pulls := pullsOf(segments); len(pulls) != 1 || pulls[0].Gear != 4 {
		t.Errorf("pulls %+v, want one in gear 4", pulls)
	}
}

func TestShortAndFlatStretchesAreNotPulls(t *testing.T) {
	for name, rpm := range map[string]shape{
		"limiter": constant(6800),
		"short":   func(i int, _ float64) float64 { return math.Min(2000+800*float64(i), 5000) },
		"narrow":  func(_ int, t float64) float64 { return 2000 + 60*t },
		"falling": func(_ int, t float64) float64 { return 6000 - 400*t },
	} {
		run := trace(60, 0.1, map[channel.ID]shape{channel.EngineSpeed: rpm, channel.ThrottlePosition: constant(100)})
		if segments, _ := Segments(run, setup()); len(segments) != 0 {
			t.Errorf("%s: %+v", name, segments)
		}
	}
}

func TestColdPullIsLeftOut(t *testing.T) {
	run := pullRun(map[channel.ID]shape{channel.CoolantTemperature: constant(55)})
	segments, findings := Segments(run, setup())
	if len(segments) != 0 {
		t.Errorf("cold engine: %+v", segments)
	}
	wantKind(t, findings, "cold")
	run = pullRun(map[channel.ID]shape{channel.CoolantTemperature: nil})
	segments, findings = Segments(run, setup())
	if len(pullsOf(segments)) != 1 {
		t.Error("a pull without coolant temperature is not counted")
	}
	wantKind(t, findings, "warmth_unknown")
}

func TestMissingChannelsAreNamed(t *testing.T) {
	for kind, missing := range map[string]channel.ID{"no_speed": channel.EngineSpeed,
		"no_throttle": channel.ThrottlePosition} {
		segments, findings := Segments(pullRun(map[channel.ID]shape{missing: nil}), setup())
		if len(segments) != 0 {
			t.Errorf("without %s: %+v", missing, segments)
		}
		wantKind(t, findings, kind)
	}
	low := pullRun(map[channel.ID]shape{channel.ThrottlePosition: func(_ int, t float64) float64 {
		if t >= 2 && t <= 10 {
			return 83
		}
		return 15
	}})
	_, findings := Segments(low, setup())
	wantKind(t, findings, "no_full_throttle")
}

// 10 s of cruise, a lift, 10 s of another cruise, then a slow change of load that is not steady.
func TestSteadyStretches(t *testing.T) {
	run := trace(400, 0.1, map[channel.ID]shape{
		channel.EngineSpeed: func(_ int, t float64) float64 {
			switch {
			case t < 10:
				return 2000 + 20*math.Sin(t)
			case t < 12:
				return 1200
			case t < 22:
				return 2600
			}
			return 2600 + 100*(t-22)
		},
		channel.ThrottlePosition:   constant(20),
		channel.CoolantTemperature: constant(88),
		channel.AbsoluteLoad: func(_ int, t float64) float64 {
			if t < 22 {
				return 35 + 2*math.Cos(t)
			}
			return 60
		},
	})
	segments, _ := Segments(run, setup())
	if got := fmt.Sprint(bounds(segments)); got != "[[0 100] [120 220]]" {
		t.Errorf("steady stretches are %s", got)
	}
	rows, _ := Rows(run, setup())
	for _, r := range rows {
		if r.Kind != KindSteady || r.Order != 0 {
			t.Errorf("row %+v", r)
		}
	}
}

// A 1 Hz log of a 4 s pull still shows its whole span.
func TestSlowLogKeepsItsSpan(t *testing.T) {
	rpm := []float64{1500, 1500, 2500, 3500, 4500, 5500, 4000, 1500}
	throttle := []float64{10, 95, 95, 95, 95, 95, 10, 10}
	run := trace(len(rpm), 1, map[channel.ID]shape{
		channel.EngineSpeed:      func(i int, _ float64) float64 { return rpm[i] },
		channel.ThrottlePosition: func(i int, _ float64) float64 { return throttle[i] },
	})
	rules := setup()
	rules.Pulls.MinSpanRPM = 4000
	segments, _ := Segments(run, rules)
	if got := fmt.Sprint(bounds(segments)); got != "[[1 6]]" {
		t.Errorf("pulls are %s, want [[1 6]]", got)
	}
}
