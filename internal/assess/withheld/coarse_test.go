package withheld

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/worlds"
)

// dataRow is a line of a log that begins with a time.
var dataRow = regexp.MustCompile(`^([0-9]+(?:[.,][0-9]+)?)[,;\t]`)

// thinLogs leaves about so many rows a second in each text log of a workspace, as a slower logger would have written.
func thinLogs(t *testing.T, dir string, hertz float64) {
	t.Helper()
	logs, err := filepath.Glob(filepath.Join(dir, "runs", "*", "*", "*.csv"))
	if err != nil || len(logs) == 0 {
		t.Fatal("no logs", err)
	}
	for _, name := range logs {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, thinned(b, hertz), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func thinned(log []byte, hertz float64) []byte {
	var out bytes.Buffer
	var times []float64
	var rows []string
	for line := range strings.Lines(string(log)) {
		m := dataRow.FindStringSubmatch(line)
		if m == nil {
			out.WriteString(line)
			continue
		}
		at, err := strconv.ParseFloat(strings.ReplaceAll(m[1], ",", "."), 64)
		if err != nil {
			return log
		}
		times, rows = append(times, at), append(rows, line)
	}
	if len(times) < 10 {
		return log
	}
	step := (times[9] - times[0]) / 9
	if step > 5 { // milliseconds
		step /= 1000
	}
	every := max(1, int(math.Round(1/hertz/step)))
	for i := 0; i < len(rows); i += every {
		out.WriteString(rows[i])
	}
	return out.Bytes()
}

// eased says how a review of thinned logs is milder than that of all rows; empty where it is not. An upper bound may
// lie lower by coarseTolerance and a fifth of itself, for draws and for which samples of a car's few pulls are left.
// Knock has a page of its own (models/knock).
func eased(before, after *assess.Review) (out []string) {
	order := map[assess.Verdict]int{assess.VerdictRelease: 0, assess.VerdictConditions: 1,
		assess.VerdictUndecided: 2, assess.VerdictHold: 2}
	if order[after.Verdict] < order[before.Verdict] {
		out = append(out, fmt.Sprintf("%s, was %s", after.Verdict, before.Verdict))
	}
	for i := range before.Hazards {
		was, is := &before.Hazards[i], &after.Hazards[i]
		if was.Hazard == hazard.Knock || was.Status == result.NotAssessed || is.Status == result.NotAssessed {
			continue
		}
		if high, now := float64(was.Interval90[1]), float64(is.Interval90[1]); now < 0.8*high-coarseTolerance {
			out = append(out, fmt.Sprintf("%s at most %.3f, was %.3f", was.Hazard, now, high))
		}
	}
	return out
}

const coarseTolerance = 0.03

// Logs of a drawn world thinned to two rows a second make no review milder. HEADROOM_PROOF=1 thins more of its cars'
// logs to ten and five as well.
func TestThinningNeverEases(t *testing.T) {
	if testing.Short() {
		t.Skip("fits a fleet twice")
	}
	cars, proposals, rates := 6, 4, []float64{2}
	if os.Getenv("HEADROOM_PROOF") != "" {
		cars, proposals, rates = 8, 8, []float64{10, 5, 2}
	}
	dir := filepath.Join(t.TempDir(), "ws")
	if _, err := worlds.Build(dir, worlds.Options{Seed: 3, Cars: cars}); err != nil {
		t.Fatal(err)
	}
	graded, err := worlds.Propose(dir, proposals, worldSeed)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, g := range graded {
		ids = append(ids, g.Revision)
	}
	if err := fleettest.Ingest(dir); err != nil {
		t.Fatal(err)
	}
	full := reviewsOf(t, dir, ids)
	for _, hertz := range rates {
		slow := fleettest.Copy(t, dir)
		thinLogs(t, slow, hertz)
		if err := fleettest.Ingest(slow); err != nil {
			t.Fatal(err)
		}
		after := reviewsOf(t, slow, ids)
		for _, id := range ids {
			for _, what := range eased(full[id], after[id]) {
				t.Errorf("%g Hz, %s: %s", hertz, id, what)
			}
		}
	}
}
