package report

import (
	"regexp"
	"strings"
	"testing"

	"headroom/internal/report/show"
)

// imperial are the display units in which no other may appear.
var imperial = show.Units{Pressure: "psi", Temperature: "F", Torque: "lbfft"}

// foreignUnit is a unit that an imperial workspace does not use, in a text: pressure, temperature, torque, power. K and
// bar are words or letters too, so they count behind a number, an opening bracket, a comma, "in" or "per" only.
var foreignUnit = regexp.MustCompile(`\b[kM]Pa\b|\bmbar\b|°C|\bN·m\b|\bNm\b|\bk?W\b|` +
	`(?:[0-9]|\bin|\bper|\(|,)[ \x{00a0}](?:K|bar|C)\b`)

// foreign fails where a text has a foreign unit.
func foreign(t *testing.T, where, text string) {
	t.Helper()
	for _, line := range strings.Split(text, "\n") {
		if at := foreignUnit.FindStringIndex(line); at != nil {
			t.Errorf("%s has %q: …%s…", where, line[at[0]:at[1]], line[max(0, at[0]-60):min(len(line), at[1]+30)])
		}
	}
}

// markup is what of a page no reader sees.
var markup = regexp.MustCompile(`(?s)<style>.*?</style>`)

// TestNoForeignUnit renders every result for people under imperial units.
func TestNoForeignUnit(t *testing.T) {
	for _, r := range renderings {
		if notConverted[r.name] {
			continue
		}
		for _, f := range []Format{Table, Markdown, HTML} {
			for _, brief := range []bool{false, true} {
				out := render(t, r.name, f, Options{Width: 160, Units: imperial, Brief: brief})
				foreign(t, r.name+" as "+string(f), markup.ReplaceAllString(out, ""))
			}
		}
	}
}

// notConverted are the results that say what a log or file holds in its own units.
var notConverted = map[string]bool{"inspect": true, "ingest": true, "verify": true}

// TestForeignUnitIsSeen: the check sees what it is for, and no words of the trade.
func TestForeignUnitIsSeen(t *testing.T) {
	for _, s := range []string{"85 kPa", "1.2\u00a0bar", "limit 70 °C", "+20 K", "412 → 438 N·m", "400 Nm", "140 kW",
		"Charge temperature, K", "Power (kW)", "slope per K"} {
		if !foreignUnit.MatchString(s) {
			t.Errorf("%q is not seen", s)
		}
	}
	for _, s := range []string{"14.7 psi", "the bar holds 90 of 100 pulls", "rail pressure", "295 lbf·ft", "K means",
		"Knock", "200 hp", "158 °F", "bars"} {
		if foreignUnit.MatchString(s) {
			t.Errorf("%q is taken for a foreign unit", s)
		}
	}
}
