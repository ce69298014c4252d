package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"headroom/internal/fleettest"
)

// foreignUnit is a unit that no report of an imperial workspace may have; K, C and bar are words or letters too, so
// they count behind a number, an opening bracket, a comma, "in" or "per" only.
var foreignUnit = regexp.MustCompile(`\b[kM]Pa\b|°C|\bN·m\b|\bNm\b|\bk?W\b|` +
	`(?:[0-9]|\bin|\bper|\(|,)[ \x{00a0}](?:K|bar|C)\b`)

// style is what of a page no reader sees.
var style = regexp.MustCompile(`(?s)<style>.*?</style>`)

// TestNoForeignUnit runs the commands on an invented fleet whose workspace shows imperial units. Every format for
// people is made from one document, which internal/report tests; here the page, which has most in it.
func TestNoForeignUnit(t *testing.T) {
	ws := fleettest.Copy(t, fleettest.Marlins(t))
	config := filepath.Join(ws, "headroom.yaml")
	text, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	metric := "display: {pressure: kPa, temperature: C, torque: Nm}"
	imperial := strings.Replace(string(text), metric, "display: {pressure: psi, temperature: F, torque: lbfft}", 1)
	if imperial == string(text) {
		t.Fatalf("%s has no line %q", config, metric)
	}
	if err := os.WriteFile(config, []byte(imperial), 0o644); err != nil {
		t.Fatal(err)
	}
	for command, shows := range map[string]string{
		"review rev-0106-b":                      "psi °F lbf·ft hp",
		"review rev-0106-b --across fleet":       "cars",
		"review rev-0106-b --against rev-0106-a": "lbf·ft",
		"audit --by author":                      "pulls",
		"envelope":                               "psi °F lbf·ft",
		"backtest":                               "pulls",
		"fleet":                                  "cars",
	} {
		var out, problems bytes.Buffer
		args := append(strings.Fields(command), "-C", ws, "--format", "html", "--quiet", "--progress", "never")
		if strings.HasPrefix(command, "review") {
			args = append(args, "--exit-zero")
		}
		if status := Main(args, &out, &problems); status != 0 {
			t.Fatalf("%s: status %d, %s", command, status, problems.String())
		}
		said := style.ReplaceAllString(out.String(), "")
		if found := foreignUnit.FindStringIndex(said); found != nil {
			t.Errorf("%s: …%s…", command, said[max(0, found[0]-60):min(len(said), found[1]+20)])
		}
		for _, unit := range strings.Fields(shows) {
			if !strings.Contains(said, unit) {
				t.Errorf("%s shows no %s", command, unit)
			}
		}
	}
}
