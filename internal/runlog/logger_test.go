package runlog

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"headroom/internal/runlog/channelmap"
	"headroom/models/channel"
)

// boostLog is a log of a boost gauge and an air–fuel display, at idle and then in one pull.
func boostLog() string {
	var b strings.Builder
	b.WriteString("Time (s),RPM,Throttle (%),Boost (psi),AFR\n")
	for i := range 80 {
		rpm, throttle, boost, afr := 800.0, 3.0, -9.5, 14.64+0.02*math.Sin(float64(i))
		if i >= 40 {
			rpm, throttle, boost, afr = 2000+100*float64(i-40), 100, 14, 12.2
		}
		fmt.Fprintf(&b, "%.1f,%.0f,%.0f,%.2f,%.3f\n", 0.1*float64(i), rpm, throttle, boost, afr)
	}
	return b.String()
}

// What is stated of loggers and places reaches the reading, the nearer before the farther; the standard atmosphere at
// 1000 m is 89.87 kPa (ISO 2533, table 1).
func TestStatedLogger(t *testing.T) {
	high, sea := 1000.0, 0.0
	for name, c := range map[string]struct {
		opts   Options
		yaml   string
		baro   float64 // kPa
		stoich float64
		lag    float64
		assume string
	}{
		"nothing":   {stoich: 14.7, baro: 99, assume: "99 kPa was taken"},
		"barometer": {opts: Options{Logger: channelmap.Logger{Barometer: 97}}, baro: 97, stoich: 14.7},
		"altitude": {opts: Options{Logger: channelmap.Logger{Altitude: &high}}, baro: 89.87, stoich: 14.7,
			assume: "1000 m"},
		"of the log": {opts: Options{Barometer: 95, Logger: channelmap.Logger{Barometer: 97}}, baro: 95,
			stoich: 14.7},
		"scale and lag": {opts: Options{Logger: channelmap.Logger{Stoich: 14.64, LambdaLag: 0.4}}, baro: 99,
			stoich: 14.64, lag: 0.4, assume: "may be 78 to 104 kPa"},
		"channels.yaml before the shop": {opts: Options{Logger: channelmap.Logger{Altitude: &sea, Stoich: 9}},
			yaml: "files:\n  - pattern: \"*\"\n    barometer_kpa: 93\n    afr_stoich: 14.64\n    lambda_lag_s: 0.2\n",
			baro: 93, stoich: 14.64, lag: 0.2},
	} {
		if c.yaml != "" {
			file := filepath.Join(t.TempDir(), "channels.yaml")
			if err := os.WriteFile(file, []byte(c.yaml), 0o600); err != nil {
				t.Fatal(err)
			}
			m, err := channelmap.Load(file)
			if err != nil {
				t.Fatal(err)
			}
			c.opts.ChannelMap = m
		}
		runs, err := ReadFrom(strings.NewReader(boostLog()), "a.csv", c.opts)
		if err != nil {
			t.Fatal(err)
		}
		kpa := runs[0].Values(channel.ManifoldPressure)
		if want := c.baro - 9.5*6.894757; kpa == nil || math.Abs(kpa[0]-want) > 0.02 {
			t.Errorf("%s: manifold pressure %v, want %.2f kPa at the start", name, kpa, want)
		}
		if lambda := runs[0].Values(channel.Lambda); math.Abs(lambda[79]-12.2/c.stoich) > 1e-3 {
			t.Errorf("%s: lambda %v, want %v", name, lambda[79], 12.2/c.stoich)
		}
		if s := runs[0].series(channel.Lambda); s.Lag != c.lag {
			t.Errorf("%s: lag %v, want %v", name, s.Lag, c.lag)
		}
		said := false
		for _, f := range runs[0].Findings {
			said = said || f.Kind == KindAssumption && f.Channel == channel.ManifoldPressure &&
				strings.Contains(f.Detail, cmp.Or(c.assume, "kPa"))
		}
		if said != (c.assume != "") {
			t.Errorf("%s: an assumption about the barometer: %v", name, said)
		}
	}
}

// A rule that matches by headers is of a logger: it fits its logs under any name, also with a column more or one less
// in five, and no other.
func TestRuleMatchesByHeaders(t *testing.T) {
	file := filepath.Join(t.TempDir(), "channels.yaml")
	yaml := "files:\n  - match: headers\n    time: {header: Tick, unit: s}\n    columns:\n"
	for k, id := range []string{"engine_speed", "throttle_position", "none", "none"} {
		yaml += fmt.Sprintf("      - {header: \"S%d\", channel: %s}\n", k, id)
	}
	if err := os.WriteFile(file, []byte(yaml), 0o600); err != nil {
		t.Fatal(err)
	}
	m, err := channelmap.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	for headers, fits := range map[string]bool{"Tick S0 S1 S2 S3": true, "Tick S0 S1 S2 S3 More": true,
		"tick s0 s1 s2": true, "Tick S0 S1": false, "RPM TPS": false} {
		if got := m.For("any.csv", strings.Fields(headers)); (got.Time != nil) != fits {
			t.Errorf("headers %q fit: %v, want %v", headers, !fits, fits)
		}
	}
}
