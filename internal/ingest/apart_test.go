package ingest

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/landmark"
	"headroom/internal/store"
	"headroom/models/channel"
	"headroom/models/unit"
)

// railLog is a minute of idle with rail pressure on a logger's scale.
func railLog(car int, scale float64) string {
	var b strings.Builder
	b.WriteString("Time (s),Engine Speed (rpm),Throttle Position (%),Rail Pressure (kPa),Coolant Temperature (C)\n")
	for i := range 120 {
		fmt.Fprintf(&b, "%.1f,%d,2.%d,%.1f,%d\n", 0.5*float64(i), 810+i%7, i%3, scale*(20000+float64(60*car+i%30)),
			90+i%2)
	}
	return b.String()
}

// A log whose rail pressure is in psi under a heading of kPa is named at ingest, with the line to write; what is named
// does not hang on what was ingested before, and goes once the line is written.
func TestALogOnAnotherScaleIsNamed(t *testing.T) {
	dir := fleet(t, "")
	vehicles := "vehicle,platform,fuel,hardware\n"
	for car := range 5 {
		vehicles += fmt.Sprintf("car-%d,lark,pump,stock\n", car+1)
	}
	write(t, dir, "vehicles.csv", vehicles)
	for car := range 4 {
		write(t, dir, fmt.Sprintf("runs/car-%d/base/2026-04-01-rail.csv", car+1), railLog(car, 1))
	}
	if s := ingest(t, dir, Options{}); len(s.Suspects) != 0 {
		t.Fatalf("of sound logs %+v", s.Suspects)
	}
	odd := "runs/car-5/base/2026-04-02-psi.csv"
	write(t, dir, odd, railLog(4, 1/6.894757))
	s := ingest(t, dir, Options{})
	if len(s.Suspects) != 1 {
		t.Fatalf("named: %+v", s.Suspects)
	}
	u := s.Suspects[0]
	if u.Vehicle != "car-5" || !slices.Equal(u.Logs, []string{odd}) || u.Channel != channel.RailPressure ||
		u.Column != "Rail Pressure (kPa)" || u.Cars != 5 || u.Cause.Unit != unit.PSIGauge {
		t.Errorf("named: %+v", u)
	}
	if again := ingest(t, dir, Options{}); again.Read != 0 || fmt.Sprint(again.Suspects) != fmt.Sprint(s.Suspects) {
		t.Errorf("unchanged logs say %+v", again.Suspects)
	}
	warm := kept(t, dir)
	if err := os.RemoveAll(StoreDir(dir)); err != nil {
		t.Fatal(err)
	}
	if cold := ingest(t, dir, Options{Jobs: 3}); fmt.Sprint(cold.Suspects) != fmt.Sprint(s.Suspects) ||
		!maps.Equal(warm, kept(t, dir)) {
		t.Errorf("all at once says %+v", cold.Suspects)
	}
	write(t, dir, "channels.yaml", fmt.Sprintf("files:\n  - pattern: \"*-psi.csv\"\n    columns:\n"+
		"      - {header: %q, channel: rail_pressure, unit: %s}\n", u.Column, u.Cause.Unit))
	if s := ingest(t, dir, Options{}); len(s.Suspects) != 0 {
		t.Errorf("with its unit stated %+v", s.Suspects)
	}
	if _, ok := landmark.Of(u.Landmark); !ok {
		t.Errorf("%s is no landmark", u.Landmark)
	}
}

// A car that the workspace no longer names, whose logs are kept because they are many, is named as the store has it.
func TestASuspectWhoseLogsAreGoneKeepsItsName(t *testing.T) {
	dir := fleet(t, "")
	names := func(cars int) {
		text := "vehicle,platform,fuel,hardware\n"
		for car := range cars {
			text += fmt.Sprintf("car-%d,lark,pump,stock\n", car+1)
		}
		write(t, dir, "vehicles.csv", text)
	}
	names(5)
	for car := range 5 {
		scale := 1.0
		if car == 4 {
			scale = 1 / 6.894757
		}
		write(t, dir, fmt.Sprintf("runs/car-%d/base/2026-04-01-rail.csv", car+1), railLog(car, scale))
	}
	ingest(t, dir, Options{})
	if err := os.RemoveAll(filepath.Join(dir, "runs", "car-5")); err != nil {
		t.Fatal(err)
	}
	names(4)
	if s := ingest(t, dir, Options{}); s.Gone != 1 || len(s.Suspects) != 1 || s.Suspects[0].Vehicle != "car-5" {
		t.Errorf("%d logs gone and kept, named: %+v", s.Gone, s.Suspects)
	}
}

// A log of boost that tells nothing of its place is read, counted, and its rows say by how much the air may have been
// denser; one line settles it.
func TestAssumedAirIsSaid(t *testing.T) {
	text := strings.Replace(logText(1000), "Spark Advance (deg)", "Boost (psi gauge)", 1)
	for state, more := range map[string]float64{"": 5, "logs: {altitude_m: 450}\n": 0} {
		dir := fleet(t, state)
		name := "runs/car-1/base/2026-05-01-boost.csv"
		write(t, dir, name, text)
		s := ingest(t, dir, Options{})
		if said := slices.Contains(s.AssumedAir, name); said != (more > 0) || len(s.AssumedAir) > 1 {
			t.Errorf("%q: %v", state, s.AssumedAir)
		}
		n := 0
		for _, r := range rows(t, dir, store.Filter{Vehicle: "car-1"}) {
			if r.Run == name {
				n++
				if r.BarometerMore != more || !(r.ManifoldPressure > 95) {
					t.Errorf("%q: %g kPa more, %g", state, r.BarometerMore, r.ManifoldPressure)
				}
			}
		}
		if n == 0 {
			t.Errorf("%q: no rows", state)
		}
	}
}

// A platform's limits stand on the channels that show what is limited, in their unit: one on mean effective pressure is
// none on torque, and one on a shortfall hangs on the target.
func TestLimitsOnChannels(t *testing.T) {
	dir := fleet(t, "")
	write(t, dir, "platforms/lark.yaml", platform+
		"  - {hazard: low_speed_load, metric: bmep, unit: kPa, value: 2000, rpm_range: [1000, 2500], source: test}\n"+
		"  - {hazard: driveline, metric: torque, unit: Nm, value: 400, source: test}\n"+
		"  - {hazard: rail_pressure, metric: rail_shortfall, unit: kPa, value: 1000, source: test}\n")
	text := "Time (s),Engine Speed (rpm),Throttle Position (%),Torque (Nm),Charge Temp (C),Rail Pressure (kPa abs)," +
		"Rail Pressure Target (kPa abs),GPS Speed,Mystery\n"
	for i := range 60 {
		text += fmt.Sprintf("%d,%d,%d,%d,%d,%d,%d,%d,%d\n", i, 2000+i, 10+i%3, 100+i%7, 30+i%3, 9000+i, 10000+10*i,
			i, 2*i)
	}
	write(t, dir, "runs/car-1/base/2026-06-01-limits.csv", text)
	seen, err := Inspect([]string{dir + "/runs/car-1/base/2026-06-01-limits.csv"}, openWorkspace(t, dir))
	if err != nil || len(seen) != 1 || seen[0].Run == nil {
		t.Fatalf("%+v, %v", seen, err)
	}
	at := map[channel.ID][]float64{}
	for _, l := range seen[0].Limits {
		at[l.Channel] = append(at[l.Channel], l.At(5))
	}
	for id, want := range map[channel.ID]float64{channel.Torque: 400, channel.ChargeTemperature: 65,
		channel.RailPressure: 10050 - 1000, channel.KnockRetard: 4} {
		if len(at[id]) != 1 || at[id][0] != want {
			t.Errorf("%s: limits %v, want %g", id, at[id], want)
		}
	}
	// what is left out is kept to be shown, but for what tells the place
	if u := seen[0].Run.Unread; len(u) != 1 || u[0].Column != 8 || u[0].Values[7] != 14 {
		t.Errorf("columns left out: %+v", u)
	}
}
