package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"github.com/parquet-go/parquet-go"
	"golang.org/x/text/encoding/unicode"
	"pgregory.net/rapid"

	"headroom/internal/fault"
	"headroom/models/channel"
	"headroom/models/unit"
)

// The open logs of ../shared are read as SOURCE.md and SAE J1979 describe them; the test is skipped where they are
// absent.
func TestOpenLogs(t *testing.T) {
	files, err := filepath.Glob("../../../shared/data/obd/*.csv")
	if err != nil || len(files) == 0 {
		t.Skip("the open logs are not here")
	}
	want := map[string]channel.ID{
		"ENGINE_RPM ()": channel.EngineSpeed, "VEHICLE_SPEED ()": channel.VehicleSpeed,
		"THROTTLE ()":    channel.ThrottlePosition,
		"ENGINE_LOAD ()": channel.CalculatedLoad, "COOLANT_TEMPERATURE ()": channel.CoolantTemperature,
		"LONG_TERM_FUEL_TRIM_BANK_1 ()": channel.LongTermTrim, "SHORT_TERM_FUEL_TRIM_BANK_1 ()": channel.ShortTermTrim,
		"INTAKE_MANIFOLD_PRESSURE ()": channel.ManifoldPressure, "FUEL_TANK ()": channel.FuelLevel,
		"PEDAL_D ()":                      channel.PedalPosition,
		"ABSOLUTE_BAROMETRIC_PRESSURE ()": channel.BarometricPressure, "INTAKE_AIR_TEMP ()": channel.ChargeTemperature,
		"TIMING_ADVANCE ()": channel.SparkAdvance, "CATALYST_TEMPERATURE_BANK1_SENSOR1 ()": channel.CatalystTemperature,
		"CONTROL_MODULE_VOLTAGE ()": channel.ModuleVoltage,
	}
	for _, file := range files {
		runs, err := Read(file, Options{})
		if err != nil {
			t.Error(err)
			continue
		}
		for _, r := range runs {
			if r.TimeBase.Column != "ENGINE_RUN_TINE ()" || r.TimeBase.Unit != "run time (whole seconds)" {
				t.Errorf("%s: time base %+v", file, r.TimeBase)
			}
			for _, c := range r.Columns {
				if c.Channel != want[c.Header] || c.Reason == "" {
					t.Errorf("%s: %q is read as %q: %s", file, c.Header, c.Channel, c.Reason)
				}
				if c.Channel == channel.ManifoldPressure && !strings.Contains(c.Reason, "absolute") {
					t.Errorf("%s: manifold pressure: %s", file, c.Reason)
				}
			}
			for i := 1; i < len(r.Time); i++ {
				if !(r.Time[i] > r.Time[i-1]) {
					t.Fatalf("%s: time stands still at sample %d", file, i)
				}
			}
		}
	}
}

// dialect is one way of writing a run down.
type dialect struct {
	delimiter, decimal, encoding, packing, end, bracket string
	timeUnit                                            unit.Unit
	quote, trail, unitsRow, space                       bool
	preamble                                            int
}

func drawDialect(t *rapid.T) dialect {
	d := dialect{
		delimiter: rapid.SampledFrom([]string{",", ";", "\t", "|"}).Draw(t, "delimiter"),
		decimal:   rapid.SampledFrom([]string{".", ","}).Draw(t, "decimal"),
		encoding:  rapid.SampledFrom([]string{"utf8", "bom", "utf16le", "utf16be"}).Draw(t, "encoding"),
		packing:   rapid.SampledFrom([]string{"none", "gzip", "zstd"}).Draw(t, "packing"),
		end:       rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "end"),
		bracket:   rapid.SampledFrom([]string{"()", "[]", "{}"}).Draw(t, "bracket"),
		timeUnit:  rapid.SampledFrom([]unit.Unit{unit.Second, unit.Millisecond, unit.Minute}).Draw(t, "time unit"),
		quote:     rapid.Bool().Draw(t, "quote"),
		trail:     rapid.Bool().Draw(t, "trail"),
		unitsRow:  rapid.Bool().Draw(t, "units row"),
		space:     rapid.Bool().Draw(t, "space"),
		preamble:  rapid.IntRange(0, 3).Draw(t, "preamble"),
	}
	if d.delimiter == d.decimal {
		d.quote = true
	}
	return d
}

// written is a channel as it goes into the file: its header and unit.
type written struct {
	id     channel.ID
	header string
	unit   unit.Unit
}

// writable are channels with the units in which they may be written. Throttle stays away from full: the reader would
// rightly doubt an absolute manifold pressure that is low at full throttle.
var writable = []struct {
	id      channel.ID
	header  string
	units   []unit.Unit
	low, hi float64
}{
	{channel.EngineSpeed, "engine speed", []unit.Unit{unit.RPM, unit.RevPerSecond, unit.RadPerSecond}, 700, 7000},
	{channel.ThrottlePosition, "throttle position", []unit.Unit{unit.Percent, unit.Fraction}, 5, 75},
	{channel.CoolantTemperature, "coolant temperature",
		[]unit.Unit{unit.Celsius, unit.Fahrenheit, unit.Kelvin}, 75, 105},
	{channel.ChargeTemperature, "charge temperature", []unit.Unit{unit.Celsius, unit.Fahrenheit}, 20, 70},
	{channel.ManifoldPressure, "manifold absolute pressure",
		[]unit.Unit{unit.Kilopascal, unit.PSI, unit.Bar, unit.Millibar, unit.InchHg}, 30, 240},
	{channel.SparkAdvance, "spark advance", []unit.Unit{unit.Degree}, -5, 40},
	{channel.MassAirFlow, "mass air flow", []unit.Unit{unit.GramPerSecond, unit.KgPerHour, unit.LbPerMinute}, 2, 300},
	{channel.VehicleSpeed, "vehicle speed",
		[]unit.Unit{unit.KmPerHour, unit.MilePerHour, unit.MetrePerSecond}, 10, 200},
	{channel.InjectorPulse, "injector pulse width", []unit.Unit{unit.Millisecond, unit.Microsecond}, 1, 20},
	{channel.Torque, "brake torque", []unit.Unit{unit.NewtonMetre, unit.PoundFoot}, 20, 500},
}

// TestRoundTrip writes a random run in a random dialect and reads it back equal.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDialect(t)
		n := rapid.IntRange(20, 60).Draw(t, "rows")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		seconds, series, cols := randomRun(rng, n)
		data := d.write(seconds, series, cols)
		runs, err := ReadFrom(bytes.NewReader(data), "random.csv", Options{})
		if err != nil {
			t.Fatalf("%+v: %v\n%s", d, err, clip(data))
		}
		if len(runs) != 1 || len(runs[0].Time) != n || len(runs[0].Series) != len(cols) {
			t.Fatalf("%+v: %d runs, %d series, want %d: %+v", d, len(runs), len(runs[0].Series), len(cols),
				runs[0].Columns)
		}
		for i, want := range seconds {
			if math.Abs(runs[0].Time[i]-want) > 1e-3 {
				t.Fatalf("%+v: time[%d] = %v, want %v", d, i, runs[0].Time[i], want)
			}
		}
		for k, c := range cols {
			got := runs[0].Values(c.id)
			for i, want := range series[k] {
				if math.IsNaN(got[i]) || math.Abs(got[i]-want) > 1e-3*math.Max(1, math.Abs(want)) {
					t.Fatalf("%+v: %s (%s)[%d] = %v, want %v: %+v", d, c.id, c.unit, i, got[i], want, runs[0].Findings)
				}
			}
		}
	})
}

func clip(b []byte) string { return string(b[:min(len(b), 600)]) }

// randomRun draws smooth channels on an even time axis.
func randomRun(rng *rand.Rand, n int) (seconds []float64, series [][]float64, cols []written) {
	step := []float64{0.05, 0.1, 0.25}[rng.IntN(3)]
	for i := range n {
		seconds = append(seconds, step*float64(i))
	}
	for k, w := range writable {
		if k > 0 && rng.IntN(3) == 0 {
			continue
		}
		phase, values := 6.28*rng.Float64(), make([]float64, n)
		for i := range values {
			values[i] = w.low + (w.hi-w.low)*(0.5+0.45*math.Sin(phase+float64(i)*step*0.15))
		}
		series = append(series, values)
		cols = append(cols, written{w.id, w.header, w.units[rng.IntN(len(w.units))]})
	}
	rng.Shuffle(len(cols), func(i, j int) {
		cols[i], cols[j] = cols[j], cols[i]
		series[i], series[j] = series[j],
			series[i]
	})
	return seconds, series, cols
}

// write puts a run into bytes.
func (d dialect) write(seconds []float64, series [][]float64, cols []written) []byte {
	var b strings.Builder
	line := func(cells []string, data bool) {
		for i, c := range cells {
			if i > 0 {
				b.WriteString(d.delimiter)
				if d.space && data && d.delimiter != "\t" {
					b.WriteByte(' ')
				}
			}
			if d.quote {
				c = "\"" + c + "\""
			}
			b.WriteString(c)
		}
		if d.trail && data {
			b.WriteString(d.delimiter)
		}
		b.WriteString(d.end)
	}
	for i := range d.preamble {
		fmt.Fprintf(&b, "note %d%s", i, d.end)
	}
	names, units := []string{"time"}, []string{string(d.timeUnit)}
	for _, c := range cols {
		names, units = append(names, c.header), append(units, string(c.unit))
	}
	if d.unitsRow {
		line(names, false)
		line(units, false)
	} else {
		for i := range names {
			names[i] += " " + d.bracket[:1] + units[i] + d.bracket[1:]
		}
		line(names, false)
	}
	for i, at := range seconds {
		v, _ := unit.Convert(at, unit.Second, d.timeUnit)
		cells := []string{d.number(v)}
		for k, c := range cols {
			def, _ := channel.Lookup(c.id)
			v, _ := unit.Convert(series[k][i], def.Unit, c.unit)
			cells = append(cells, d.number(v))
		}
		line(cells, true)
	}
	return d.pack(b.String())
}

func (d dialect) number(v float64) string {
	return strings.Replace(fmt.Sprintf("%.6f", v), ".", d.decimal, 1)
}

func (d dialect) pack(text string) []byte {
	data := []byte(text)
	switch d.encoding {
	case "bom":
		data = append([]byte{0xef, 0xbb, 0xbf}, data...)
	case "utf16le":
		data, _ = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().Bytes(data)
	case "utf16be":
		data, _ = unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewEncoder().Bytes(data)
	}
	var b bytes.Buffer
	switch d.packing {
	case "gzip":
		z := gzip.NewWriter(&b)
		_, _ = z.Write(data)
		_ = z.Close()
		return b.Bytes()
	case "zstd":
		z, _ := zstd.NewWriter(&b, zstd.WithEncoderConcurrency(1))
		_, _ = z.Write(data)
		_ = z.Close()
		return b.Bytes()
	}
	return data
}

func TestParquet(t *testing.T) {
	type row struct {
		Time   int64    `parquet:"timestamp"` // microseconds since 1970
		Speed  float64  `parquet:"Engine Speed (rpm)"`
		Charge *float32 `parquet:"Charge Temperature (°F),optional"`
		Place  float64  `parquet:"latitude"`
		Car    string   `parquet:"Car"`
		Note   string   `parquet:"Note"`
	}
	var rows []row
	for i := range 600 {
		r := row{Time: 1772622000000000 + int64(i)*100000, Speed: 900 + float64(i), Place: 48.123456,
			Car: "ZZZTE5T0000000017", Note: "n"}
		if i%7 != 3 {
			f := float32(104)
			r.Charge = &f
		}
		rows = append(rows, r)
	}
	var b bytes.Buffer
	if err := parquet.Write(&b, rows); err != nil {
		t.Fatal(err)
	}
	whole := b.Bytes()
	runs, err := ReadFrom(bytes.NewReader(whole), "x.parquet", Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := runs[0]
	if len(runs) != 1 || len(r.Time) != 600 || math.Abs(r.Duration()-59.9) > 1e-3 || len(r.Series) != 2 {
		t.Fatalf("%d runs, %d samples, %v s, series %v", len(runs), len(r.Time), r.Duration(), r.Channels())
	}
	if v := r.Values(channel.ChargeTemperature); math.Abs(v[0]-40) > 1e-6 || !math.IsNaN(v[3]) ||
		r.Values(channel.EngineSpeed)[599] != 1499 {
		t.Errorf("values %v", v[:5])
	}
	if s := fmt.Sprintf("%+v", *r); strings.Contains(s, "ZZZTE5") || strings.Contains(s, "48.123") {
		t.Error("place or identity is kept")
	}
	for _, cut := range []int{4, 50, len(whole) / 2, len(whole) - 1} {
		if _, err := ReadFrom(bytes.NewReader(whole[:cut]), "x.parquet", Options{}); err == nil ||
			!strings.Contains(err.Error(), "Parquet") {
			t.Errorf("cut at %d: %v", cut, err)
		}
	}
	rng := rand.New(rand.NewPCG(5, 5))
	for range 200 { // damaged files give an error or a reading, never a panic
		bad := bytes.Clone(whole)
		for range 3 {
			bad[rng.IntN(len(bad))] = byte(rng.Uint32())
		}
		_, _ = ReadFrom(bytes.NewReader(bad), "x.parquet", Options{})
	}
}

func TestErrorsOfTheFileSystem(t *testing.T) {
	dir := t.TempDir()
	loop := filepath.Join(dir, "loop")
	if err := os.Symlink(loop, loop); err != nil {
		t.Skip(err)
	}
	for path, say := range map[string]string{dir: "is a directory", loop: "lead in a circle",
		filepath.Join(dir, "none.csv"): "cannot be opened", os.DevNull: "not a regular file"} {
		_, err := Read(path, Options{})
		var fe *fault.Fault
		if !errors.As(err, &fe) || !strings.Contains(err.Error(), say) || fe.File != path || fe.Remedy == "" {
			t.Errorf("%s: %v, want %q", path, err, say)
		}
	}
}

func TestLimits(t *testing.T) {
	var wide strings.Builder
	for i := range 10000 {
		fmt.Fprintf(&wide, "name %d;", i)
	}
	wide.WriteString("\n")
	for range 3 {
		wide.WriteString(strings.Repeat("1.5;", 10000) + "\n")
	}
	cases := []struct{ name, text, say string }{
		{"wide", wide.String(), "10000 columns"},
		{"long line", "time,rpm\n0,800\n" + strings.Repeat("1234567,", 50<<20/8), ":3: line is longer"},
	}
	for _, c := range cases {
		if _, err := ReadFrom(strings.NewReader(c.text), "x.csv", Options{}); err == nil ||
			!strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: %v, want %q", c.name, err, c.say)
		}
	}
	var bomb bytes.Buffer
	z := gzip.NewWriter(&bomb)
	_, _ = z.Write(bytes.Repeat([]byte("0,0,0,0\n"), 1<<20))
	_ = z.Close()
	if _, err := ReadFrom(&bomb, "x.csv", Options{MaxBytes: 1 << 20}); err == nil {
		t.Error("a packed file larger than the limit was read")
	}
}

// TestMaxBytes: a log of exactly the limit is read, one byte more is an error, for the file as it is and for what comes
// out of it, from a path and from a stream.
func TestMaxBytes(t *testing.T) {
	var b bytes.Buffer
	b.WriteString("time,rpm\n")
	for i := range 1000 {
		fmt.Fprintf(&b, "%d,%d\n", i, 800+i%7)
	}
	text := b.Bytes()
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, _ = z.Write(text)
	_ = z.Close()
	for name, data := range map[string][]byte{"x.csv": text, "x.csv.gz": packed.Bytes()} {
		file := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(file, data, 0o600); err != nil {
			t.Fatal(err)
		}
		for _, limit := range []int64{int64(len(text)), int64(len(text)) - 1, int64(len(data)), int64(len(data)) - 1} {
			_, fromPath := Read(file, Options{MaxBytes: limit})
			_, fromStream := ReadFrom(bytes.NewReader(data), file, Options{MaxBytes: limit})
			fits := limit >= int64(len(text)) && limit >= int64(len(data))
			for _, err := range []error{fromPath, fromStream} {
				if fits && err != nil || !fits &&
					(err == nil || !strings.Contains(err.Error(), fmt.Sprintf("limit of %d bytes", limit)) ||
						!strings.Contains(err.Error(), file)) {
					t.Errorf("%s of %d bytes, %d unpacked, limit %d: %v", name, len(data), len(text), limit, err)
				}
			}
		}
	}
}

// FuzzRead: whatever the bytes, no panic, and a run that comes out is in order.
func FuzzRead(f *testing.F) {
	files, _ := filepath.Glob(filepath.Join(corpusDir, "*"))
	for _, file := range files {
		if strings.HasSuffix(file, ".json") || strings.HasSuffix(file, ".py") {
			continue
		}
		if data, err := os.ReadFile(file); err == nil {
			f.Add(data[:min(len(data), 2000)])
		}
	}
	f.Add([]byte("time,rpm\n0,\n1,\n"))
	f.Add([]byte("t;\"a\n0;1\n\"\";2\n"))
	f.Add([]byte("clock,rpm\n23:59:59,1\n00:00:00,2\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		opts := Options{MaxBytes: 1 << 20, Rate: 10, MaxCells: 600}
		runs, err := ReadFrom(bytes.NewReader(data), "fuzz", opts)
		var parts []*Run
		if partsErr := EachFrom(bytes.NewReader(data), "fuzz", opts,
			func(r *Run) error { parts = append(parts, r); return nil }); err == nil && partsErr == nil {
			runs = append(runs, parts...)
		}
		if err != nil {
			if runs != nil {
				t.Fatal("runs beside an error")
			}
			var fe *fault.Fault
			if !errors.As(err, &fe) || fe.File != "fuzz" {
				t.Fatalf("error without a file: %v", err)
			}
			return
		}
		for _, r := range runs {
			for i := 1; i < len(r.Time); i++ {
				if !(r.Time[i] > r.Time[i-1]) {
					t.Fatalf("time %v then %v", r.Time[i-1], r.Time[i])
				}
			}
			for _, s := range r.Series {
				if len(s.Values) != len(r.Time) {
					t.Fatalf("%s has %d values for %d times", s.Channel, len(s.Values), len(r.Time))
				}
				for _, v := range s.Values {
					if math.IsInf(v, 0) || !math.IsNaN(v) && !s.Channel.Plausible(v) {
						t.Fatalf("%s holds %v", s.Channel, v)
					}
				}
			}
		}
	})
}
