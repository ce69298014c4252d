package runlog

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/runlog/channelmap"
	"headroom/models/channel"
)

const corpusDir = "../../testdata/logs"

// wanted is the reading that is expected of a log, as testdata/logs/make.py states it.
type wanted struct {
	Error       string                 `json:"error"`
	Columns     map[string]string      `json:"columns"` // header → channel, "" when it must not be used
	Truth       map[string]string      `json:"truth"`   // what a column left out really is, "" when no channel
	Reasons     map[string]string      `json:"reasons"` // part of the reason
	Runs        []wantedRun            `json:"runs"`
	Findings    []string               `json:"findings"`
	Removed     map[channel.ID][]int   `json:"removed"`
	Lags        map[channel.ID]float64 `json:"lags"`
	Absent      []string               `json:"absent"` // text that must appear nowhere in the reading
	Delimiter   string                 `json:"delimiter"`
	Decimal     string                 `json:"decimal"`
	Encoding    string                 `json:"encoding"`
	Compression string                 `json:"compression"`
	HeaderLine  int                    `json:"header_line"`
	UnitsLine   int                    `json:"units_line"`
	TimeUnit    string                 `json:"time_unit"`
	Map         string                 `json:"map"`
	Barometer   float64                `json:"barometer"`
	Stoich      float64                `json:"stoich"`
	Tolerance   float64                `json:"tolerance"`

	Displacement float64 `json:"displacement"`
}

type wantedRun struct {
	Rows     int                               `json:"rows"`
	Duration float64                           `json:"duration"`
	Values   map[channel.ID]map[string]float64 `json:"values"`
}

// score counts how columns were mapped.
type score struct{ right, leftOut, wrong int }

func TestCorpus(t *testing.T) {
	wants, err := filepath.Glob(filepath.Join(corpusDir, "*.want.json"))
	if err != nil || len(wants) < 60 {
		t.Fatalf("corpus: %d files, %v", len(wants), err)
	}
	var total score
	for _, wantFile := range wants {
		file := strings.TrimSuffix(wantFile, ".want.json")
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(wantFile)
			if err != nil {
				t.Fatal(err)
			}
			var w wanted
			decoder := json.NewDecoder(strings.NewReader(string(data)))
			decoder.DisallowUnknownFields()
			if err := decoder.Decode(&w); err != nil {
				t.Fatal(err)
			}
			total.add(checkLog(t, file, w))
		})
	}
	columns := total.right + total.leftOut + total.wrong
	t.Logf("of %d columns that are a channel: %d mapped right (%.1f %%), %d left out, %d wrong", columns, total.right,
		100*float64(total.right)/float64(columns), total.leftOut, total.wrong)
	if total.wrong != 0 {
		t.Errorf("%d columns were mapped wrong; none may be", total.wrong)
	}
}

func (s *score) add(o score) {
	s.right, s.leftOut, s.wrong = s.right+o.right, s.leftOut+o.leftOut, s.wrong+o.wrong
}

func checkLog(t *testing.T, file string, w wanted) score {
	t.Helper()
	opts := Options{Barometer: w.Barometer, Stoich: w.Stoich, Displacement: w.Displacement}
	if w.Map != "" {
		m, err := channelmap.Load(filepath.Join(corpusDir, w.Map))
		if err != nil {
			t.Fatal(err)
		}
		opts.ChannelMap = m
	}
	runs, err := Read(file, opts)
	if w.Error != "" {
		if err == nil || !strings.Contains(err.Error(), w.Error) || !strings.Contains(err.Error(), file) ||
			!strings.Contains(err.Error(), "; ") {
			t.Errorf("error %v, want one that names the file, says %q and gives a remedy", err, w.Error)
		}
		return score{}
	}
	if err != nil {
		t.Fatal(err)
	}
	if len(runs) != len(w.Runs) {
		t.Fatalf("%d runs, want %d", len(runs), len(w.Runs))
	}
	checkDialect(t, runs[0], w)
	for i, run := range runs {
		checkRun(t, run, w.Runs[i], w.Tolerance)
	}
	checkFindings(t, runs, w)
	return checkColumns(t, runs[0], w)
}

func checkDialect(t *testing.T, run *Run, w wanted) {
	t.Helper()
	d := run.Dialect
	for _, c := range []struct{ what, got, want string }{
		{"delimiter", d.Delimiter, w.Delimiter}, {"decimal", d.Decimal, w.Decimal},
		{"encoding", d.Encoding, w.Encoding},
		{"compression", d.Compression, w.Compression}, {"time unit", run.TimeBase.Unit, w.TimeUnit},
	} {
		if c.want != "" && c.got != c.want {
			t.Errorf("%s %q, want %q", c.what, c.got, c.want)
		}
	}
	if w.HeaderLine != 0 && d.HeaderLine != w.HeaderLine {
		t.Errorf("header on line %d, want %d", d.HeaderLine, w.HeaderLine)
	}
	if w.UnitsLine != 0 && d.UnitsLine != w.UnitsLine {
		t.Errorf("units on line %d, want %d", d.UnitsLine, w.UnitsLine)
	}
}

func checkRun(t *testing.T, run *Run, w wantedRun, tolerance float64) {
	t.Helper()
	if tolerance == 0 {
		tolerance = 0.002
	}
	if len(run.Time) != w.Rows || run.Rows != w.Rows {
		t.Errorf("%d samples, want %d", len(run.Time), w.Rows)
	}
	if math.Abs(run.Duration()-w.Duration) > 0.01*math.Max(1, w.Duration) {
		t.Errorf("lasts %v s, want %v", run.Duration(), w.Duration)
	}
	for i := 1; i < len(run.Time); i++ {
		if !(run.Time[i] > run.Time[i-1]) {
			t.Fatalf("time is not strictly increasing at sample %d: %v, %v", i, run.Time[i-1], run.Time[i])
		}
	}
	for id, points := range w.Values {
		values := run.Values(id)
		for at, want := range points {
			var i int
			if _, err := fmt.Sscan(at, &i); err != nil {
				t.Fatal(err)
			}
			if i >= len(values) {
				t.Errorf("%s has %d samples, want more than %d", id, len(values), i)
				continue
			}
			if math.IsNaN(values[i]) || math.Abs(values[i]-want) > tolerance*math.Max(1, math.Abs(want)) {
				t.Errorf("%s[%d] = %v, want %v", id, i, values[i], want)
			}
		}
	}
}

func checkFindings(t *testing.T, runs []*Run, w wanted) {
	t.Helper()
	var kinds []string
	for _, r := range runs {
		for _, f := range r.Findings {
			kinds = append(kinds, f.Kind)
		}
		for id, lag := range w.Lags {
			if s := r.series(id); s == nil || s.Lag != lag {
				t.Errorf("lag of %s: %+v, want %v", id, s, lag)
			}
		}
		for id, samples := range w.Removed {
			values := r.Values(id)
			for _, i := range samples {
				if i >= len(values) || !math.IsNaN(values[i]) {
					t.Errorf("%s[%d] was kept", id, i)
				}
			}
		}
	}
	for _, k := range w.Findings {
		if !slices.Contains(kinds, k) {
			t.Errorf("no finding of kind %q among %v", k, kinds)
		}
	}
	for _, k := range kinds {
		faults := []string{KindStuck, KindFrozen, KindStep, KindOutOfRange, KindClipped, KindCrossed, KindTimeBackwards}
		if slices.Contains(faults, k) && !slices.Contains(w.Findings, k) {
			t.Errorf("a finding of kind %q although the log has no such fault", k)
		}
	}
	text := fmt.Sprintf("%+v", derefs(runs))
	for _, a := range w.Absent {
		if strings.Contains(text, a) {
			t.Errorf("%q is kept in the reading", a)
		}
	}
}

func derefs(runs []*Run) []Run {
	out := make([]Run, len(runs))
	for i, r := range runs {
		out[i] = *r
	}
	return out
}

func checkColumns(t *testing.T, run *Run, w wanted) score {
	t.Helper()
	var s score
	for header, want := range w.Columns {
		i := slices.IndexFunc(run.Columns, func(c Column) bool { return c.Header == header })
		if i < 0 {
			t.Errorf("column %q is not recorded", header)
			continue
		}
		c := run.Columns[i]
		if string(c.Channel) != want {
			t.Errorf("column %q is read as %q, want %q: %s", header, c.Channel, want, c.Reason)
		}
		if c.Reason == "" {
			t.Errorf("column %q has no reason", header)
		}
		if part := w.Reasons[header]; !strings.Contains(c.Reason, part) {
			t.Errorf("column %q: reason %q does not say %q", header, c.Reason, part)
		}
		truth, known := w.Truth[header]
		if !known {
			truth = want
		}
		switch {
		case c.Channel != "" && string(c.Channel) != truth:
			s.wrong++
		case truth == "":
		case c.Channel == "":
			s.leftOut++
		default:
			s.right++
		}
	}
	return s
}
