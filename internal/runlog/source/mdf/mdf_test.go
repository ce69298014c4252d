package mdf

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// wantedGroup is a channel group as testdata/make.py states it.
type wantedGroup struct {
	Left     string                   `json:"left"` // how its reason begins, "" when it is read or nothing is stated
	Time     []string                 `json:"time"`
	Channels map[string]wantedChannel `json:"channels"`
}

type wantedChannel struct {
	Unit   string   `json:"unit"`
	Left   string   `json:"left"`
	Values []string `json:"values"`
}

func wants(t *testing.T) map[string][]wantedGroup {
	t.Helper()
	out := map[string][]wantedGroup{}
	for _, name := range []string{"want.json", "want_columns.json"} { // a second file adds to the first
		data, err := os.ReadFile(filepath.Join("testdata", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(data, &out); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

func openFile(t *testing.T, name string) (*File, error) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return Open(bytes.NewReader(data), int64(len(data)), 1<<30)
}

// Every file reads back to the last bit as the scripts in testdata say it does: by another library's writing and
// reading, or by the standard where that library has no say.
func TestFixtures(t *testing.T) {
	all := wants(t)
	files, err := filepath.Glob(filepath.Join("testdata", "*.mf4"))
	if err != nil || len(files) < 12 || len(files) != len(all) {
		t.Fatalf("%d files, %d wanted, %v", len(files), len(all), err)
	}
	for name, want := range all {
		t.Run(name, func(t *testing.T) {
			file, err := openFile(t, name)
			if err != nil {
				t.Fatal(err)
			}
			if len(file.Groups) != len(want) {
				t.Fatalf("%d groups, want %d", len(file.Groups), len(want))
			}
			records := file.Records()
			for i, g := range file.Groups {
				var r *Records
				if g.Left == "" {
					r, records = records[0], records[1:]
				}
				checkGroup(t, g, r, want[i])
			}
		})
	}
}

// Mixed records read the same where few may wait, so that groups go on alone.
func TestMixedAlone(t *testing.T) {
	whole := maxWaiting
	t.Cleanup(func() { maxWaiting = whole })
	for _, maxWaiting = range []int{0, 11, 60, 300} {
		for _, name := range []string{"mixed.mf4", "mixed_deflated.mf4"} {
			file, err := openFile(t, name)
			if err != nil {
				t.Fatal(err)
			}
			want, records := wants(t)[name], file.Records()
			for _, turn := range []int{1, 0} { // the slower group first
				checkGroup(t, file.Groups[turn], records[turn], want[turn])
			}
		}
	}
}

func checkGroup(t *testing.T, g *Group, records *Records, want wantedGroup) {
	t.Helper()
	if !strings.HasPrefix(g.Left, want.Left) || (g.Left == "") != (len(want.Time) > 0) {
		t.Errorf("group %s: left out as %q, want %q and %d records", g.Name, g.Left, want.Left, len(want.Time))
	}
	if g.Left != "" {
		return
	}
	if len(g.Channels) != len(want.Channels) || g.Records != uint64(len(want.Time)) {
		t.Fatalf("group %s: %d channels, %d records, want %d, %d", g.Name, len(g.Channels), g.Records,
			len(want.Channels), len(want.Time))
	}
	for row, stamp := range want.Time {
		if more, err := records.Next(); !more || err != nil {
			t.Fatalf("group %s ends at %d: %v", g.Name, row, err)
		}
		same(t, records.Seconds(), stamp, "time", row)
		for _, c := range g.Channels {
			w, ok := want.Channels[c.Name]
			if !ok || c.Unit != w.Unit || !strings.HasPrefix(c.Left, w.Left) || (c.Left == "") != (len(w.Values) > 0) {
				t.Fatalf("channel %q in %q, left out as %q; want %+v", c.Name, c.Unit, c.Left, w)
			}
			if c.Left == "" {
				v, _, _ := records.Value(c)
				same(t, v, w.Values[row], c.Name, row)
			}
		}
	}
	if more, err := records.Next(); more || err != nil {
		t.Errorf("group %s goes on: %v, %v", g.Name, more, err)
	}
}

// same compares to the last bit.
func same(t *testing.T, got float64, want, what string, row int) {
	t.Helper()
	w, err := strconv.ParseFloat(want, 64)
	if err != nil {
		t.Fatal(err)
	}
	if math.Float64bits(got) != math.Float64bits(w) && !(math.IsNaN(got) && math.IsNaN(w)) {
		t.Errorf("%s[%d] = %v, want %v", what, row, got, w)
	}
}
