package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/gzip"
	"github.com/parquet-go/parquet-go"

	"headroom/internal/runlog/channelmap"
	"headroom/internal/runlog/source"
	"headroom/internal/runlog/timebase"
	"headroom/models/channel"
)

// circuit is one lap of an endless drive at 20 samples a second: 10 s at idle, a pull of 10 s, 10 s with the throttle
// closed.
const (
	lap      = 600
	lapSpeed = 20.0
)

// lapAt is what the channels hold at sample i, in stored units.
func lapAt(i int) (seconds, rpm, throttle, kpa, coolant, retard, lambda float64) {
	at, f := i%lap, float64(i%200)/199
	wob := float64(i*7919%13-6) / 6
	seconds, lambda = float64(i)/lapSpeed, 1+wob/100
	coolant = 90 + math.Sin(seconds/200)/2
	switch {
	case at < 200:
		return seconds, 800 + 10*wob, 8, 34 + wob, coolant, 0, lambda
	case at < 400:
		if at > 300 && at < 330 {
			retard = 1.5
		}
		return seconds, 2000 + 4400*f, 100, 98 + 90*math.Min(1, 3*f) + wob, coolant, retard, 0.88 - 0.06*f
	}
	return seconds, 6300 - 5000*f, 8, 28 + wob, coolant, 0, 1.5 + wob/100
}

// dialects of an endless log: each gives the header and a line of sample i. In all of them the reading needs decisions
// that have to be carried from the first part to the others.
var endless = map[string]struct {
	header string
	line   func(b *bytes.Buffer, i int)
}{
	"units written": {"Time (s),Engine Speed (rpm),Throttle Position (%),Manifold Absolute Pressure (kPa),Coolant " +
		"Temperature (°C),Knock Retard (deg),Lambda\n", func(b *bytes.Buffer, i int) {
		s, rpm, th, kpa, ect, kr, lam := lapAt(i)
		fmt.Fprintf(b, "%.2f,%.2f,%.1f,%.3f,%.3f,%.1f,%.4f\n", s, rpm, th, kpa, ect, kr, lam)
	}},
	"units to be found": {"Clock;Baro;RPM;TPS;Boost;ECT;Knock Retard Cyl 1;Knock Retard Cyl 2;AFR\n",
		func(b *bytes.Buffer, i int) {
			s, rpm, th, kpa, ect, kr, lam := lapAt(i)
			baro := 98.0
			day := math.Mod(s+23.99*3600, 86400)
			clock := fmt.Sprintf("%02d:%02d:%05.2f", int(day)/3600, int(day)/60%60, math.Mod(day, 60))
			b.WriteString(strings.ReplaceAll(fmt.Sprintf("%s;%.1f;%.2f;%.3f;%.5f;%.3f;%.1f;%.1f;%.4f\n", clock, baro,
				rpm,
				th/100, (kpa-baro)/6.894757, ect*1.8+32, -kr, -kr/2, 14.7*lam), ".", ","))
		}},
	"one reading a line": {"Time [ms],Name,Value,Unit\n", func(b *bytes.Buffer, i int) {
		s, rpm, th, kpa, ect, kr, lam := lapAt(i)
		for _, r := range []struct {
			name, unit string
			v          float64
		}{{"RPM", "rpm", rpm}, {"Throttle", "%", th}, {"MAP", "kPa", kpa}, {"Coolant Temp", "°C", ect},
			{"Knock Retard", "deg", kr}, {"Lambda", "lambda", lam}} {
			fmt.Fprintf(b, "%.0f,%s,%.4f,%s\n", s*1000, r.name, r.v, r.unit)
		}
	}},
}

// endlessLog is a log of a stated number of samples or bytes, made while it is read. It notes the largest heap it sees.
type endlessLog struct {
	line    func(b *bytes.Buffer, i int)
	samples int
	bytes   int64
	buf     bytes.Buffer
	i       int
	given   int64
	calls   int
	peak    uint64
}

func (l *endlessLog) Read(p []byte) (int, error) {
	if l.calls++; l.calls%64 == 0 {
		l.look()
	}
	for l.buf.Len() < len(p) && l.i < l.samples && (l.bytes == 0 || l.given+int64(l.buf.Len()) < l.bytes) {
		l.line(&l.buf, l.i)
		l.i++
	}
	n, err := l.buf.Read(p)
	l.given += int64(n)
	return n, err
}

func (l *endlessLog) look() {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	l.peak = max(l.peak, m.HeapAlloc)
}

func newEndless(name string, samples int, size int64) *endlessLog {
	l := &endlessLog{line: endless[name].line, samples: samples, bytes: size}
	l.buf.WriteString(endless[name].header)
	return l
}

// TestEachReadsTheSameInParts: a log read in small parts gives the samples that it gives as a whole, no pull is cut,
// and each cut is said on both sides.
func TestEachReadsTheSameInParts(t *testing.T) {
	for name := range endless {
		t.Run(name, func(t *testing.T) {
			const samples = 8000
			whole, err := ReadFrom(newEndless(name, samples, 0), "x.csv", Options{})
			if err != nil || len(whole) != 1 || len(whole[0].Time) != samples {
				t.Fatalf("%v, %d runs", err, len(whole))
			}
			if len(whole[0].Series) < 6 {
				t.Fatalf("only %v was read: %+v", whole[0].Channels(), whole[0].Columns)
			}
			var runs []*Run
			if err := EachFrom(newEndless(name, samples, 0), "x.csv", Options{MaxCells: 1500 * 9}, func(r *Run) error {
				runs = append(runs, r)
				return nil
			}); err != nil {
				t.Fatal(err)
			}
			if len(runs) < 5 {
				t.Fatalf("%d parts", len(runs))
			}
			row := 0
			for k, r := range runs {
				if len(r.Time) > 2100 {
					t.Errorf("part %d has %d rows", k, len(r.Time))
				}
				cuts := 0
				for _, f := range r.Findings {
					if f.Kind == KindCut {
						cuts++
					}
				}
				if want := min(k, 1) + min(len(runs)-1-k, 1); cuts != want {
					t.Errorf("part %d has %d findings of a cut, want %d", k, cuts, want)
				}
				if at := row % lap; at > 200 && at < 400 {
					t.Errorf("part %d starts within a pull, at row %d of the lap", k, at)
				}
				for i, at := range r.Time {
					if got := at + r.Offset; math.Abs(got-whole[0].Time[row]) > 1e-6 {
						t.Fatalf("part %d: sample %d at %v s, want %v", k, i, got, whole[0].Time[row])
					}
					for _, s := range whole[0].Series {
						if got := r.Values(s.Channel)[i]; got != s.Values[row] &&
							!(math.IsNaN(got) && math.IsNaN(s.Values[row])) {
							t.Fatalf("part %d: %s[%d] = %v, want %v", k, s.Channel, i, got, s.Values[row])
						}
					}
					row++
				}
			}
			if row != samples {
				t.Errorf("%d samples, want %d", row, samples)
			}
		})
	}
}

// TestEachIsReadBelowTheBound: a log that fits is read exactly as Read does; so are the runs of a log that has several,
// each of which fits.
func TestEachIsReadBelowTheBound(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(corpusDir, "*.csv"))
	if err != nil || len(files) < 50 {
		t.Fatal(len(files), err)
	}
	for _, file := range files {
		whole, wantErr := Read(file, Options{Barometer: 98})
		var runs []*Run
		err := Each(file, Options{Barometer: 98}, func(r *Run) error {
			runs = append(runs, r)
			return nil
		})
		if fmt.Sprint(err) != fmt.Sprint(wantErr) {
			t.Errorf("%s: %v, want %v", file, err, wantErr)
		}
		if got, want := fmt.Sprintf("%+v", derefs(runs)), fmt.Sprintf("%+v", derefs(whole)); got != want {
			t.Errorf("%s: Each reads otherwise than Read", file)
		}
	}
	header, line := endless["units written"].header, endless["units written"].line
	var b bytes.Buffer
	for range 5 {
		b.WriteString(header)
		for i := range 900 {
			line(&b, i)
		}
	}
	n := 0
	if err := EachFrom(&b, "x.csv", Options{MaxCells: 1000 * 7}, func(r *Run) error {
		n++
		for _, f := range r.Findings {
			if f.Kind == KindCut {
				t.Errorf("run %d: %s", n, f.Detail)
			}
		}
		if len(r.Time) != 900 {
			t.Errorf("run %d has %d samples", n, len(r.Time))
		}
		return nil
	}); err != nil || n != 5 {
		t.Errorf("%d runs, %v", n, err)
	}
}

// TestConversionsAreTheReadings: in every log of the corpus, what is kept of a column's reading for later parts gives
// the very values that were settled.
func TestConversionsAreTheReadings(t *testing.T) {
	files, _ := filepath.Glob(filepath.Join(corpusDir, "*"))
	m, err := channelmap.Load(filepath.Join(corpusDir, "user_map.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	checked := map[channel.ID]int{}
	for _, file := range files {
		for _, opts := range []Options{{}, {Barometer: 98, Stoich: 14.2, Displacement: 2, ChannelMap: m, Rate: 5}} {
			f, err := os.Open(file)
			if err != nil {
				t.Fatal(err)
			}
			p := &parts{name: file, fn: func(*Run) error { return nil }}
			err = p.read(source.Input{Reader: f}, opts, math.MaxInt/2)
			_ = f.Close()
			if err != nil {
				continue
			}
			f, _ = os.Open(file)
			rows, err := source.Open(source.Input{Reader: f}, source.Limits{Bytes: 1 << 30, Cells: math.MaxInt})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := rows.Fill(); err != nil {
				t.Fatal(err)
			}
			tb, rule := rows.Table(), opts.ChannelMap.For(file, headersOf(rows.Table()))
			axis, err := timebase.Settle(tb, rule, opts.Rate)
			if err != nil {
				t.Fatal(err)
			}
			mapped := mapColumns(tb, rule, opts, axis)
			for id, b := range mapped.series {
				again, _ := b.values(tb, mapped.ctx)
				for i, v := range again {
					if want := b.reading.Values[i]; math.Float64bits(v) != math.Float64bits(want) &&
						!(math.IsNaN(v) && math.IsNaN(want)) {
						t.Fatalf("%s: %s[%d] = %v, settled as %v (%s)", file, id, i, v, want, b.reading.Why)
					}
				}
				checked[id]++
			}
			_ = f.Close()
		}
	}
	if len(checked) < 25 {
		t.Errorf("only %d channels were checked", len(checked))
	}
}

// Columns that appear or fill up only after the part on which channels were settled are left out, and said so; so is an
// identification number that turns up late.
func TestEachSaysWhatComesTooLate(t *testing.T) {
	var b strings.Builder
	b.WriteString("Time (s),Engine Speed (rpm),Throttle (%),Oil Temperature (°C),Battery Voltage (V)\n")
	for i := range 3000 {
		s, rpm, th, _, _, _, _ := lapAt(i)
		oil, volts := "", fmt.Sprintf("%.2f", 13.9+float64(i%7)/10)
		if i > 2000 {
			oil = "95.5"
		}
		if i == 2500 {
			volts = "ZZZTE5T0000000017"
		}
		fmt.Fprintf(&b, "%.2f,%.2f,%.1f,%s,%s\n", s, rpm, th, oil, volts)
	}
	var details []string
	if err := EachFrom(strings.NewReader(b.String()), "x.csv", Options{MaxCells: 5000}, func(r *Run) error {
		for _, f := range r.Findings {
			details = append(details, f.Kind+" "+f.Detail)
		}
		if strings.Contains(fmt.Sprintf("%+v", *r), "ZZZTE5") {
			t.Error("an identification number is kept")
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	all := strings.Join(details, "\n")
	for _, want := range []string{`missing column "Oil Temperature (°C)" has readings only after`,
		"privacy column 5 was dropped from here on"} {
		if strings.Count(all, want) != 1 {
			t.Errorf("%q is said %d times in\n%s", want, strings.Count(all, want), all)
		}
	}
	b.Reset()
	b.WriteString("time (s),name,value\n")
	for i := range 3000 {
		s, rpm, th, _, _, _, _ := lapAt(i)
		fmt.Fprintf(&b, "%.2f,RPM,%.2f\n%.2f,Throttle (%%),%.1f\n", s, rpm, s, th)
		if i > 2000 {
			fmt.Fprintf(&b, "%.2f,late %d,1\n", s, i%400)
		}
	}
	details = nil
	if err := EachFrom(strings.NewReader(b.String()), "x.csv", Options{MaxCells: 5000}, func(r *Run) error {
		for _, f := range r.Findings {
			details = append(details, f.Detail)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if all := strings.Join(details, "\n"); strings.Count(all, "appears only after the first") != 400 {
		t.Errorf("new names: %s", all)
	}
}

// TestEachErrors: the caller's error comes back as it is and stops the reading; a log that turns out bad gives its
// error after the runs before.
func TestEachErrors(t *testing.T) {
	enough := errors.New("enough")
	n := 0
	err := EachFrom(newEndless("units written", 5000, 0), "x.csv", Options{MaxCells: 7000},
		func(*Run) error { n++; return enough })
	if err != enough || n != 1 {
		t.Errorf("%v after %d runs", err, n)
	}
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := io.Copy(z, newEndless("units written", 20000, 0)); err != nil {
		t.Fatal(err)
	}
	_ = z.Close()
	n = 0
	err = EachFrom(bytes.NewReader(b.Bytes()[:b.Len()*3/4]), "cut.csv.gz", Options{MaxCells: 7000},
		func(*Run) error { n++; return nil })
	if err == nil || n == 0 || !strings.Contains(err.Error(), "cut.csv.gz: cannot be unpacked to the end") {
		t.Errorf("%v after %d runs", err, n)
	}
}

// TestEachReadsParquetInParts: pages of any size, from a file and from a stream.
func TestEachReadsParquetInParts(t *testing.T) {
	type row struct {
		Time  float64 `parquet:"time (s)"`
		Speed float64 `parquet:"engine speed (rpm)"`
		Valve float64 `parquet:"throttle (%)"`
	}
	var rows []row
	for i := range 5000 {
		s, rpm, th, _, _, _, _ := lapAt(i)
		rows = append(rows, row{s, rpm, th})
	}
	file := filepath.Join(t.TempDir(), "log.parquet")
	var b bytes.Buffer
	if err := parquet.Write(&b, rows, parquet.PageBufferSize(3000), parquet.MaxRowsPerRowGroup(1700)); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, read := range map[string]func(func(*Run) error) error{
		"file": func(fn func(*Run) error) error { return Each(file, Options{MaxCells: 3 * 1000}, fn) },
		"stream": func(fn func(*Run) error) error {
			return EachFrom(&b, "log.parquet", Options{MaxCells: 3 * 1000}, fn)
		},
	} {
		row, parts := 0, 0
		if err := read(func(r *Run) error {
			parts++
			for i, v := range r.Values(channel.EngineSpeed) {
				if v != rows[row].Speed || math.Abs(r.Time[i]+r.Offset-rows[row].Time) > 1e-6 {
					t.Fatalf("%s: row %d: %v at %v", name, row, v, r.Time[i])
				}
				row++
			}
			return nil
		}); err != nil || row != len(rows) || parts < 5 {
			t.Errorf("%s: %d rows in %d parts, %v", name, row, parts, err)
		}
	}
}

// TestBoundedMemory reads a log many times larger than the bound and watches the heap. HEADROOM_PROOF=1 reads 2 GiB
// with the default bound.
func TestBoundedMemory(t *testing.T) {
	size, cells := int64(12<<20), 50_000
	if os.Getenv("HEADROOM_PROOF") == "1" {
		size, cells = 2<<30, DefaultMaxCells
	}
	for _, name := range []string{"units written", "one reading a line"} {
		runtime.GC()
		l := newEndless(name, math.MaxInt, size)
		l.look()
		before := l.peak
		var samples, runs int
		start := time.Now()
		if err := EachFrom(l, "endless.csv", Options{MaxCells: cells}, func(r *Run) error {
			l.look()
			samples, runs = samples+len(r.Time), runs+1
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		peak := l.peak - before
		bound := uint64(80*cells + 8<<20) // live memory is some 40 bytes a cell; the garbage collector lets it double
		t.Logf("%s: %d MB, %d samples in %d runs: largest heap %.1f MB, bound %.1f MB; %.0f MB/s", name, l.given>>20,
			samples, runs, float64(peak)/1e6, float64(bound)/1e6, float64(l.given)/1e6/time.Since(start).Seconds())
		if peak > bound {
			t.Errorf("%s: the heap grew by %d bytes, more than %d", name, peak, bound)
		}
		if samples != l.i {
			t.Errorf("%s: %d samples of %d", name, samples, l.i)
		}
	}
}
