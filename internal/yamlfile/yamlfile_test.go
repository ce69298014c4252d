package yamlfile

import (
	"strings"
	"testing"
)

// recipe is a file as people write one: keys, blocks and lists.
type recipe struct {
	Name  string   `yaml:"name"`
	Seed  uint64   `yaml:"seed"`
	Oven  oven     `yaml:"oven"`
	Steps []step   `yaml:"steps"`
	Notes []string `yaml:"notes"`
	Spice *float64 `yaml:"spice"`
}

type oven struct {
	Minutes int     `yaml:"minutes"`
	Celsius float64 `yaml:"celsius"`
}

type step struct {
	Say string `yaml:"say"`
}

const good = `# a comment
name: bread
oven:
  minutes: 40
  celsius: 230.5
steps:
  - say: knead
  - {say: bake}
spice:
`

// Lines and keys as an editor shows them.
func TestPositions(t *testing.T) {
	var r recipe
	f, broken := Decode("bread.yaml", []byte(good), &r)
	if broken != nil || r.Oven != (oven{40, 230.5}) || len(r.Steps) != 2 || f.Name != "bread.yaml" {
		t.Fatalf("%v, %+v", broken, r)
	}
	for key, line := range map[string]int{"name": 2, "oven": 3, "oven.minutes": 4, "oven.celsius": 5, "steps": 6,
		"steps[0].say": 7, "steps[1]": 8, "steps[1].say": 8, "spice": 9,
		"oven.rack": 3, "steps[1].heat.unit": 8, "steps[7].say": 6, "salt": 0, "": 0} {
		if got := f.Line(key); got != line {
			t.Errorf("%s is on line %d, want %d", key, got, line)
		}
	}
	for key, given := range map[string]bool{"name": true, "oven.celsius": true, "seed": false, "oven.rack": false,
		"spice": false} {
		if f.Has(key) != given {
			t.Errorf("%s given: %v", key, !given)
		}
	}
}

func TestNothingWritten(t *testing.T) {
	for _, text := range []string{"", "\n\n", "# nothing yet\n", "\xef\xbb\xbf# nothing yet\n", "---\n"} {
		r := recipe{Name: "kept"}
		if f, broken := Decode("x.yaml", []byte(text), &r); broken != nil || r.Name != "kept" || f.Line("name") != 0 {
			t.Errorf("%q: %v, %+v", text, broken, r)
		}
	}
}

// Every fault names its line and its key and says what would be right.
func TestFaults(t *testing.T) {
	for _, c := range []struct{ text, say string }{
		{"name: a\nsed: 3\n", "x.yaml:2: sed: unknown key; did you mean seed?"},
		{"name: a\noven:\n  humidity: 3\n", "x.yaml:3: oven.humidity: unknown key; remove it or correct its spelling"},
		{"oven: {minutes: long}\n", `x.yaml:1: oven.minutes: "long" is not a whole number; write a whole number`},
		{"oven: {celsius: hot}\n", `x.yaml:1: oven.celsius: "hot" is not a number; write a number`},
		{"oven:\n  minutes: 4.5\n", "x.yaml:2: oven.minutes: 4.5 is not a whole number; write a whole number"},
		{"seed: 1.5\noven:\n  minutes: 4.5\n", "x.yaml:1: seed: 1.5 is not a whole number"},
		{"seed: -1\n", "x.yaml:1: seed: -1 is not a whole number, zero or more"},
		{"name: &n a\nnotes:\n  - *n\n", "x.yaml:3: notes[0]: refers to another place of the file by an alias; write"},
		{"name: a\n---\nname: b\n", "x.yaml: holds several YAML documents; keep one"},
		{"name: a\nname: b\n", "x.yaml:2: "},
		{"name: a\n  seed: 1\n", "x.yaml:"},
		{"oven: [1\n", "x.yaml:1: "},
	} {
		var r recipe
		_, broken := Decode("x.yaml", []byte(c.text), &r)
		if broken == nil || !strings.HasPrefix(broken.Error(), c.say) || broken.Remedy == "" {
			t.Errorf("%q: %v, want %q", c.text, broken, c.say)
		}
	}
}
