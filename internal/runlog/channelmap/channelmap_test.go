package channelmap

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

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
		{"files:\n  - rate: 5\n", 2, "neither pattern nor match"},
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
		_, err := Load(file)
		var fe *fault.Fault
		if !errors.As(err, &fe) || fe.Line != c.line || fe.File != file || fe.Remedy == "" ||
			!strings.Contains(err.Error(), c.say) {
			t.Errorf("%q: %v, want line %d and %q", c.text, err, c.line, c.say)
		}
	}
	if _, err := Load("no_such.yaml"); err == nil {
		t.Error("a map that is not there was read")
	}
}

func TestEmptyMap(t *testing.T) {
	for _, text := range []string{"", "# nothing yet\n", "files: []\n"} {
		if m, err := parse("channels.yaml", []byte(text)); err != nil || len(m.Files) != 0 {
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

// Of several rules that fit a log the first to name something wins, and lines are those of the file.
func TestRulesOfALog(t *testing.T) {
	file := filepath.Join(t.TempDir(), "channels.yaml")
	text := `files:
  - pattern: "car-1/*/*.csv"
    rate: 20
    columns:
      - {header: "Sensor A", channel: engine_speed, unit: rpm, scale: 2}
  - pattern: "*.csv"
    rate: 10
    time: {header: Tick, unit: ms}
    columns:
      - {header: "SENSOR  a", channel: none}
      - header: Sensor B
        channel: lambda
        lag: 0.3
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	m, err := Load(file)
	if err != nil {
		t.Fatal(err)
	}
	r := m.For("runs/car-1/rev/a.csv", nil)
	a, okA := r.Find("sensor a")
	b, okB := r.Find("Sensor B")
	if r.Rate != 20 || r.Time == nil || r.Time.Header != "Tick" || !okA || a.Channel != "engine_speed" ||
		a.Scale != 2 ||
		a.Line != 5 || !okB || b.Lag != 0.3 || b.Line != 11 {
		t.Errorf("%+v", r)
	}
	if r := m.For("runs/car-2/rev/a.csv", nil); r.Rate != 10 {
		t.Errorf("%+v", r)
	} else if a, ok := r.Find("Sensor A"); !ok || a.Channel != "none" {
		t.Errorf("%+v", a)
	}
	if _, ok := r.Find("Sensor C"); ok {
		t.Error("a header that no rule names has one")
	}
	if r := (*Map)(nil).For("a.csv", nil); r.Rate != 0 || r.Time != nil || r.Columns != nil {
		t.Errorf("no map, but %+v", r)
	}
}
