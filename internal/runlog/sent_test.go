package runlog

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"headroom/models/channel"
)

// sentLog is a log of 120 rows, ten a second: at idle, a fast opening of the throttle, a pull, idle again. cells gives
// the cells of the columns after time, engine speed, throttle and road speed.
func sentLog(head string, cells func(i int, kpa float64) string) string {
	var b strings.Builder
	b.WriteString("Time (s),RPM,Throttle (%),Vehicle Speed (km/h)," + head + "\n")
	for i := range 120 {
		rpm, throttle, road, kpa := 790.0, 3.0, 0.0, 57+float64(i%2)
		if i >= 40 && i < 90 {
			f := float64(i-40) / 49
			rpm, throttle, road, kpa = 1900+4000*f, 100, 40+60*f, math.Min(342, 57+40*float64(i-40))
		}
		fmt.Fprintf(&b, "%.1f,%.0f,%.0f,%.0f,%s\n", 0.1*float64(i), rpm, throttle, road, cells(i, kpa))
	}
	return b.String()
}

func readSent(t *testing.T, text string) *Run {
	t.Helper()
	runs, err := ReadFrom(strings.NewReader(text), "sent.csv", Options{})
	if err != nil || len(runs) != 1 {
		t.Fatalf("%v, %d runs", err, len(runs))
	}
	return runs[0]
}

// What was once read wrong and must never be again: each column comes out as said, or not at all.
func TestOnceReadWrong(t *testing.T) {
	for name, c := range map[string]struct {
		head  string
		cells func(i int, kpa float64) string
		id    channel.ID
		want  float64 // of the last sample; NaN: left out
		say   string  // part of the reason
	}{
		"manifold pressure without a unit, 57 to 342 kPa, with a barometer": {"MAP,Baro (kPa)",
			func(_ int, kpa float64) string { return fmt.Sprintf("%.0f,100", kpa) }, channel.ManifoldPressure, 58,
			"kPa fits"},
		"no unit that fits": {"MAP", func(i int, kpa float64) string { return fmt.Sprintf("%.1f", 1.7*kpa) },
			channel.ManifoldPressure, math.NaN(), "fit 0 units"},
		"throttle in degrees": {"Throttle Position (*)", func(int, float64) string { return "8" },
			channel.ThrottlePosition,
			3, ""},
		"torque of zeros": {"Torque (Nm)", func(int, float64) string { return "0" }, channel.Torque, math.NaN(),
			"stands at 0"},
		"estimated torque": {"Estimated torque (Nm)", func(i int, _ float64) string { return fmt.Sprint(100 + i) },
			channel.Torque, math.NaN(), "another quantity"},
		"intake air before the compressor": {"Intake air temp (°C),MAF (g/s),Boost target (kPa)",
			func(i int, _ float64) string { return fmt.Sprintf("%.1f,30,220", 40-float64(i)/40) },
			channel.ChargeTemperature, math.NaN(), "before the compressor"},
		"a correction of the battery": {"Batery Corection", func(i int,
			_ float64) string {
			return fmt.Sprint(12 + i%2)
		},
			channel.ModuleVoltage, math.NaN(), ""},
		"a display of 14.64": {"AFR,Target AFR", func(i int, _ float64) string {
			if i >= 40 && i < 90 {
				return "11.71,11.71"
			}
			return fmt.Sprintf("%.2f,14.64", 14.64+0.05*math.Sin(float64(i)))
		}, channel.Lambda, (14.64 + 0.05*math.Sin(119)) / 14.64, "divided by 14.64"},
		"unit in the cells": {"Manifold pressure", func(_ int, kpa float64) string {
			return fmt.Sprintf("%.0fkPa",
				kpa)
		},
			channel.ManifoldPressure, 58, "kPa as written"},
		"key-on of two samples": {"MAP (kPa)", func(_ int, kpa float64) string { return fmt.Sprintf("%.0f", kpa) },
			channel.ManifoldPressure, 58, "small throttle"},
	} {
		r := readSent(t, sentLog(c.head, c.cells))
		values := r.Values(c.id)
		switch {
		case math.IsNaN(c.want) && values != nil:
			t.Errorf("%s: read as %s: %+v", name, c.id, r.Columns)
		case !math.IsNaN(c.want) && (values == nil || math.Abs(values[119]-c.want) > 0.01*math.Max(1, c.want)):
			t.Errorf("%s: %v at the end, want %v: %+v", name, values, c.want, r.Columns)
		}
		said := false
		for _, col := range r.Columns {
			said = said || strings.Contains(col.Reason, c.say)
		}
		if !said {
			t.Errorf("%s: no reason says %q: %+v", name, c.say, r.Columns)
		}
	}
}

// A position by a misspelt name is dropped like any.
func TestMisspeltPlaceIsDropped(t *testing.T) {
	r := readSent(t, sentLog("Longtitude,Lattitude (deg)", func(int, float64) string { return "8.5417,47.3769" }))
	for _, c := range r.Columns[4:] {
		if !strings.Contains(c.Reason, "not read") {
			t.Errorf("%+v", c)
		}
	}
}

// A reading one digit on is no step of the sensor: whole kPa of a barometer, whole °C of ambient air, ten rows a
// second.
func TestADigitIsNoStep(t *testing.T) {
	r := readSent(t, sentLog("Baro (kPa),Ambient temp (°C)", func(i int, _ float64) string {
		return fmt.Sprintf("%d,%d", 100+i/60, 20+(i/30)%2)
	}))
	for _, f := range r.Findings {
		if f.Kind == KindStep && (f.Channel == channel.BarometricPressure || f.Channel == channel.AmbientTemperature) {
			t.Errorf("%+v", f)
		}
	}
}

// Bytes behind the table that are no text are cut off with a note; the table is read.
func TestBinaryTail(t *testing.T) {
	text := sentLog("MAP (kPa)", func(_ int, kpa float64) string { return fmt.Sprintf("%.0f", kpa) })
	r := readSent(t, text+"\x01\x00\x02\x00PK\x03\x04\x00\x00\n"+strings.Repeat("\x00\xff\x10", 4000))
	if len(r.Time) != 120 {
		t.Errorf("%d rows, want 120", len(r.Time))
	}
	told := false
	for _, f := range r.Findings {
		told = told || strings.Contains(f.Detail, "no text")
	}
	if !told {
		t.Errorf("no note: %+v", r.Findings)
	}
}

// A long table may head its names with PID and the like; every name becomes a column.
func TestLongTableByPID(t *testing.T) {
	var b strings.Builder
	b.WriteString("\"SECONDS\";\"PID\";\"VALUE\";\"UNITS\";\n")
	for i := range 60 {
		fmt.Fprintf(&b, "\"%.2f\";\"Engine RPM\";\"%d\";\"rpm\";\n", 0.2*float64(i), 800+10*i)
		fmt.Fprintf(&b, "\"%.2f\";\"Intake air temperature\";\"84.2\";\"℉\";\n", 0.2*float64(i)+0.1)
	}
	r := readSent(t, b.String())
	if v := r.Values(channel.ChargeTemperature); v == nil || r.Values(channel.EngineSpeed) == nil {
		t.Errorf("%+v", r.Columns)
	}
}

// What cannot be read names the remedy: the column that advances, the column nearest to a channel.
func TestRefusalsNameTheRemedy(t *testing.T) {
	untimed, nothing := "Tick,RPM,Boost (psi)\n", "Time (s),Alpha,Gearbox oil temp (°C)\n"
	for i := range 50 {
		untimed += fmt.Sprintf("%d,%d,3\n", 100+5*i, 800+i)
		nothing += fmt.Sprintf("%d,%d,80\n", i, i%3)
	}
	for text, say := range map[string]string{untimed: `time: {header: "Tick", unit: s}`, nothing: "Gearbox oil temp"} {
		_, err := ReadFrom(strings.NewReader(text), "a.csv", Options{})
		if err == nil || !strings.Contains(err.Error(), say) || !strings.Contains(err.Error(), "channels.yaml") {
			t.Errorf("error %v, want one that says %q", err, say)
		}
	}
}

// BenchmarkRead is the reading of a long log, 20 columns of which half are channels.
// What would mend a column is the refusal's to say: it does not hang on the words of the reason, into which the file's
// own words go.
func TestARefusalHasItsRemedy(t *testing.T) {
	log := "Time,RPM,Coolant Temperature\ns,rpm,.yaml\n"
	for i := range 40 {
		log += fmt.Sprintf("%d,%d,90\n", i, 800+i)
	}
	runs, err := ReadFrom(strings.NewReader(log), "log.csv", Options{})
	if err != nil {
		t.Fatal(err)
	}
	c := runs[0].Columns[2]
	if c.Channel != "" || strings.Count(c.Reason, "channels.yaml can state its unit") != 1 {
		t.Errorf("%q as %q: %s", c.Header, c.Channel, c.Reason)
	}
}

func BenchmarkRead(b *testing.B) {
	var text strings.Builder
	text.WriteString("Time (s),RPM,Throttle (%),Vehicle Speed (km/h),MAP (kPa),ECT (°C),Spark Advance " +
		"(deg),Lambda,MAF (g/s)," +
		"IAT (°C)")
	for k := range 10 {
		fmt.Fprintf(&text, ",Aux %d", k)
	}
	text.WriteString("\n")
	for i := range 40000 {
		fmt.Fprintf(&text, "%.2f,%d,%.1f,%.1f,%.1f,90,%.1f,%.3f,%.2f,35", 0.1*float64(i), 800+i%5000, float64(i%100),
			float64(i%120), 30+float64(i%150), float64(i%40), 0.8+float64(i%30)/100, float64(i%200))
		for k := range 10 {
			fmt.Fprintf(&text, ",%d.%d", (i*k)%1000, k)
		}
		text.WriteString("\n")
	}
	b.SetBytes(int64(text.Len()))
	for b.Loop() {
		if err := EachFrom(strings.NewReader(text.String()), "long.csv", Options{},
			func(*Run) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}
