package metric

import (
	"math"
	"strings"
	"testing"

	"headroom/models/channel"
	"headroom/models/unit"
)

// Every row is whole: a unit that is known, words, inputs that exist, and a limit range that holds its own example.
func TestRowsAreWhole(t *testing.T) {
	seen := map[ID]bool{}
	for _, m := range All() {
		if got, ok := Of(m.ID); !ok || got.ID != m.ID || seen[m.ID] {
			t.Errorf("%s is not found by its name, or stands twice", m.ID)
		}
		seen[m.ID] = true
		if _, err := unit.Parse(m.Unit); err != nil {
			t.Errorf("%s: %v", m.ID, err)
		}
		if m.Spoken == "" || m.Meaning == "" || strings.Contains(m.Spoken, "_") {
			t.Errorf("%s is called %q, meaning %q", m.ID, m.Spoken, m.Meaning)
		}
		if m.Side != Upper && m.Side != Lower {
			t.Errorf("%s: side %q", m.ID, m.Side)
		}
		if m.Limited() && (!(m.Limit.Low < m.Limit.High) || m.Limit.Meaning == "" || m.Limit.Example == "") {
			t.Errorf("%s: limits %+v", m.ID, m.Limit)
		}
		if len(m.Shown)+len(m.Computed) == 0 {
			t.Errorf("%s rests on nothing", m.ID)
		}
		for _, in := range append(append([]Input{}, m.Shown...), m.Computed...) {
			if (in.Key == "") == (len(in.Channels) == 0) {
				t.Errorf("%s: input %+v is neither a channel nor a key, or both", m.ID, in)
			}
			for _, c := range in.Channels {
				if _, ok := channel.Lookup(c); !ok {
					t.Errorf("%s: channel %s does not exist", m.ID, c)
				}
			}
		}
	}
	if _, ok := Of("luck"); ok {
		t.Error("an unknown metric is found")
	}
}

func TestSides(t *testing.T) {
	up, down := Info{Side: Upper}, Info{Side: Lower}
	if !up.Worse(2, 1) || up.Worse(1, 2) || !down.Worse(1, 2) || down.Worse(2, 1) || up.Worse(1, 1) {
		t.Error("the worse of two values is not the one nearer the hazard")
	}
	if up.Worse(math.NaN(), 1) || up.Worse(1, math.NaN()) {
		t.Error("what is not known is worse than something")
	}
}
