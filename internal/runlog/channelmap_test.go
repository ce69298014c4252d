package runlog

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/fault"
)

func TestMapErrorsNameTheLine(t *testing.T) {
	cases := []struct {
		text string
		line int
		say  string
	}{
		{"files:\n  - pattern: \"*\"\n    colums: []\n", 3, "files[0].colums: unknown key; did you mean columns?"},
		{"files:\n  - pattern: &all \"*\"\n  - pattern: *all\n", 3, "alias"},
		{"files: []\n---\nfiles: []\n", 0, "several YAML documents"},
		{"files:\n  - pattern: \"*\"\n   rate: 5\n", 3, ""},
		{"files:\n  - rate: 5\n", 2, "no pattern"},
		{"files:\n  - pattern: \"[\"\n", 2, "malformed"},
		{"files:\n  - pattern: \"*\"\n    rate: -1\n", 3, "rate"},
		{"files:\n  - pattern: \"*\"\n    rate: fast\n", 3, ""},
		{"files:\n  - pattern: \"*\"\n    time: {unit: s}\n", 3, "no header"},
		{"files:\n  - pattern: \"*\"\n    time: {header: t, unit: kPa}\n", 3, "not a unit of time"},
		{"files:\n  - pattern: \"*\"\n    columns:\n      - {header: a, channel: engine_speed}\n      - {header: b, " +
			"channel: revs}\n", 5, "\"revs\""},
		{"files:\n  - pattern: \"*\"\n    columns:\n      - {header: a, channel: engine_speed, unit: kPa}\n", 4,
			"does not fit"},
		{"files:\n  - pattern: \"*\"\n    columns:\n      - {header: a, channel: engine_speed, unit: furlong}\n", 4,
			"furlong"},
		{"files:\n  - pattern: \"*\"\n    columns:\n      - {header: a, channel: lambda, lag: -1}\n", 4, "lag"},
		{"files:\n  - pattern: \"*\"\n    columns:\n      - {header: A b, channel: lambda}\n      - {header: \"a  " +
			"B\", channel: none}\n", 5, "twice"},
		{"files:\n  - pattern: \"*\"\n    columns:\n      - {channel: lambda}\n", 4, "no header"},
	}
	for _, c := range cases {
		file := filepath.Join(t.TempDir(), "channels.yaml")
		if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := LoadMap(file)
		var fe *fault.Fault
		if !errors.As(err, &fe) || fe.Line != c.line || fe.File != file || fe.Remedy == "" ||
			!strings.Contains(err.Error(), c.say) {
			t.Errorf("%q: %v, want line %d and %q", c.text, err, c.line, c.say)
		}
	}
	if _, err := LoadMap("no_such.yaml"); err == nil {
		t.Error("a map that is not there was read")
	}
}

func TestEmptyMap(t *testing.T) {
	for _, text := range []string{"", "# nothing yet\n", "files: []\n"} {
		if m, err := parseMap("channels.yaml", []byte(text)); err != nil || len(m.Files) != 0 {
			t.Errorf("%q: %+v, %v", text, m, err)
		}
	}
}

func TestPatterns(t *testing.T) {
	cases := []struct {
		pattern, source string
		want            bool
	}{
		{"*", "runs/car/rev/a.csv", true}, {"*.csv", "a.csv", true}, {"*.csv", "a.csv.gz", false},
		{"car-1/*/*.csv", "runs/car-1/rev/a.csv", true}, {"car-1/*/*.csv", "runs/car-2/rev/a.csv", false},
		{"x/y/z", "z", false},
	}
	for _, c := range cases {
		if got := (FileRule{Pattern: c.pattern}).fits(c.source); got != c.want {
			t.Errorf("%q fits %q: %v", c.pattern, c.source, got)
		}
	}
}

// A written map, read back, must lead to the same reading: every file of the corpus that reads.
func TestWriteMapReadsTheSame(t *testing.T) {
	files, _ := filepath.Glob(filepath.Join(corpusDir, "*.csv"))
	checked := 0
	for _, file := range files {
		first, err := Read(file, Options{Barometer: 98})
		if err != nil {
			continue
		}
		var b bytes.Buffer
		if err := WriteMap(&b, first[0]); err != nil {
			t.Fatal(err)
		}
		m, err := parseMap("channels.yaml", b.Bytes())
		if err != nil {
			t.Errorf("%s: %v\n%s", file, err, b.String())
			continue
		}
		second, err := Read(file, Options{Barometer: 98, ChannelMap: m})
		if err != nil {
			t.Errorf("%s: %v", file, err)
			continue
		}
		checked++
		for i := range first {
			if diff := cmp.Diff(first[i].Channels(), second[i].Channels()); diff != "" {
				t.Errorf("%s: %s\n%s", file, diff, b.String())
				break
			}
			for _, s := range first[i].Series {
				if !agree(s.Values, second[i].Values(s.Channel)) && len(finite(s.Values)) > 0 {
					t.Errorf("%s: %s reads differently by the written map\n%s", file, s.Channel, b.String())
				}
			}
		}
	}
	if checked < 40 {
		t.Errorf("only %d files were compared", checked)
	}
}
