package workspace

import (
	"os"
	"strings"
	"testing"
)

// Each section says for itself how it is known, and one that does not is left for the reader of the number to decide.
func TestKnown(t *testing.T) {
	good, err := os.ReadFile("testdata/good/platforms/kestrel-20t.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(good)
	for section, known := range map[string]Known{"engine": Measured, "burn": Handbook, "friction": Guess,
		"air_path": Guess, "fuel_system": Measured} {
		head := "\n" + section + ":\n"
		if !strings.Contains(text, head) {
			t.Fatalf("no section %s", section)
		}
		text = strings.Replace(text, head, head+"  known: "+string(known)+"\n", 1)
	}
	text += "octane_index_known: measured\n"
	p, problems := readPlatform("platforms/kestrel-20t.yaml", "kestrel-20t", []byte(text), Defaults())
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if p.Engine.Known != Measured || p.Burn.Known != Handbook || p.Friction.Known != Guess ||
		p.AirPath.Known != Guess || p.FuelSystem.Known != Measured || p.OctaneKnown != Measured {
		t.Errorf("%+v %+v", p.Engine, p.Burn)
	}
	p, _ = readPlatform("platforms/kestrel-20t.yaml", "kestrel-20t", good, Defaults())
	if p.Burn.Known != "" || p.Burn.Known.Or(Guess) != Guess || Known(Handbook).Or(Guess) != Handbook {
		t.Errorf("a section that does not say: %q", p.Burn.Known)
	}
}
