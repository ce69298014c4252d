package runlog

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"headroom/models/channel"
)

// torqueLog is a log of pulls whose torque is what the function makes of speed, load and air flow, as its columns show
// them.
func torqueLog(t *testing.T, torque func(rpm, load, flow float64) float64) *Run {
	t.Helper()
	var b bytes.Buffer
	b.WriteString("Time (s),Engine Speed (rpm),Absolute Load (%),Mass Air Flow (g/s),Throttle Position (%)," +
		"Torque (Nm)\n")
	for i := range 400 {
		at := float64(i%200) / 199
		rpm := math.Round(1800 + 4600*at)
		load := math.Round(10*(70+90*math.Min(1, 2*at)-20*at*at)) / 10
		flow := math.Round(100*load/100*1.184*2*rpm/120) / 100
		fmt.Fprintf(&b, "%.2f,%.0f,%.1f,%.2f,%.0f,%.1f\n", float64(i)*0.06, rpm, load, flow, 100.0,
			torque(rpm, load, flow))
	}
	path := filepath.Join(t.TempDir(), "log.csv")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	runs, err := Read(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return runs[0]
}

// Torque made from another channel is no measurement, whatever line it was made by; a dynamometer's, which scatters by
// half a percent and knows friction, is kept. All-zero torque is stuck.
func TestComputedTorque(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct {
		name, kind string
		torque     func(rpm, load, flow float64) float64
	}{
		{"load times a constant", KindComputed, func(_, load, _ float64) float64 { return 2.1 * load }},
		{"a line in load, whole newton metres", KindComputed,
			func(_, load, _ float64) float64 { return math.Round(2.4*load - 20) }},
		{"air a revolution", KindComputed, func(rpm, _, flow float64) float64 { return 8500 * flow / rpm }},
		{"air flow", KindComputed, func(_, _, flow float64) float64 { return 2 * flow }},
		{"measured", "", func(rpm, load, _ float64) float64 {
			friction := 15 + 4e-7*rpm*rpm
			return (2.4*load - friction) * (1 + 0.005*rng.NormFloat64())
		}},
		{"measured without scatter", "", func(rpm, load, _ float64) float64 { return 2.4*load - 15 - 6e-7*rpm*rpm }},
	} {
		r := torqueLog(t, c.torque)
		kind := ""
		for _, f := range r.Findings {
			if f.Channel == channel.Torque && f.Removed {
				kind = f.Kind
			}
		}
		if kind != c.kind {
			t.Errorf("%s: finding %q, want %q", c.name, kind, c.kind)
		}
		kept := slices.ContainsFunc(r.Values(channel.Torque), func(v float64) bool { return !math.IsNaN(v) })
		if kept != (c.kind == "") {
			t.Errorf("%s: kept %v", c.name, kept)
		}
	}
}

// A torque column of zeros is no measured torque: it is left out, with the reason.
func TestTorqueOfZeros(t *testing.T) {
	r := torqueLog(t, func(_, _, _ float64) float64 { return 0 })
	if r.Values(channel.Torque) != nil {
		t.Errorf("torque of zeros is read: %+v", r.Columns)
	}
}
