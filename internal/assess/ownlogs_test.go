package assess

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/fleettest"
	"headroom/internal/workspace"
)

// strangerLogs copies a car's logs of a revision under another car and removes them from the first: the revision's own
// logs then come from a car that it is not meant for. It returns the revision and the other car.
func strangerLogs(t *testing.T, dir string) (revision, stranger string) {
	t.Helper()
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, run := range ws.Runs {
		rev := ws.Revisions[run.Revision]
		if rev.Vehicle == workspace.Fleet || rev.Vehicle != run.Vehicle || rev.Status != "released" {
			continue
		}
		for id, v := range ws.Vehicles {
			if id != run.Vehicle && v.Platform == rev.Platform {
				moveLogs(t, dir, ws, rev, id)
				return rev.ID, id
			}
		}
	}
	t.Fatal("no car's own revision was logged")
	return "", ""
}

// moveLogs moves the logs of a revision to another car, and their rows of runs.csv.
func moveLogs(t *testing.T, dir string, ws *workspace.Workspace, rev *workspace.Revision, to string) {
	t.Helper()
	list := filepath.Join(dir, "runs.csv")
	rows, err := os.ReadFile(list)
	if err != nil {
		t.Fatal(err)
	}
	for _, run := range ws.Runs {
		if run.Revision != rev.ID {
			continue
		}
		moved := fmt.Sprintf("runs/%s/%s/%s", to, rev.ID, filepath.Base(run.Path))
		target := filepath.Join(dir, filepath.FromSlash(moved))
		if err := os.MkdirAll(filepath.Dir(target), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(filepath.Join(dir, filepath.FromSlash(run.Path)), target); err != nil {
			t.Fatal(err)
		}
		rows = bytes.ReplaceAll(rows, []byte(run.Path+","+run.Vehicle+","), []byte(moved+","+to+","))
		rows = bytes.ReplaceAll(rows, []byte(run.Path+","), []byte(moved+","))
	}
	if err := os.WriteFile(list, rows, 0o644); err != nil {
		t.Fatal(err)
	}
}

// lowerTolerance makes the platform tolerate next to no retard, so that a pull with any crosses.
func lowerTolerance(t *testing.T, dir, platform string) {
	t.Helper()
	file := filepath.Join(dir, "platforms", platform+".yaml")
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(b), "\n")
	for i, l := range lines {
		if at := strings.Index(l, "tolerated_retard_deg:"); at >= 0 {
			lines[i] = l[:at] + "tolerated_retard_deg: 0.01"
		}
	}
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")), 0o644); err != nil {
		t.Fatal(err)
	}
}

// The kept fit may never change a byte: a revision whose own logs came from another car gets the same review by a job
// that fits and by one that reads the kept fit, with those logs in it and their car and files named. Across the fleet
// a car is given the pulls it made and no others.
func TestOwnLogsOfAnotherCar(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Marlins(t))
	id, stranger := strangerLogs(t, dir)
	lowerTolerance(t, dir, fleettest.Marlin)
	if err := fleettest.Ingest(dir); err != nil {
		t.Fatal(err)
	}
	review := func() *Review {
		r, err := openJob(t, dir).Review(id)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	cold, warm := review(), review()
	a, _ := json.Marshal(cold)
	b, _ := json.Marshal(warm)
	if !bytes.Equal(a, b) {
		t.Errorf("cold and warm differ:\n%s\n%s", a, b)
	}
	if len(warm.OwnLogs) == 0 {
		t.Fatal("own logs made on another car are passed over")
	}
	for _, o := range warm.OwnLogs {
		pulls := 0
		for _, l := range o.Logs {
			pulls += l.Pulls
			if l.Vehicle != stranger || !strings.Contains(l.Run, stranger) {
				t.Errorf("%s: own log of %s in %s, want %s's", o.Metric, l.Vehicle, l.Run, stranger)
			}
		}
		if pulls != o.Pulls || o.Outside > o.Pulls {
			t.Errorf("%s: %d pulls in the logs of %d, %d outside", o.Metric, pulls, o.Pulls, o.Outside)
		}
	}
	crossed := func(reasons []MeasuredCrossing) MeasuredCrossing {
		if len(reasons) == 0 {
			t.Fatalf("no pull with retard crosses a tolerance of next to nothing: %v", warm.Reasons)
		}
		return reasons[0]
	}(crossings(warm))
	if crossed.Pulls > crossed.Of || !slices.Equal(crossed.Cars, []string{stranger}) || len(crossed.Runs) == 0 {
		t.Errorf("%+v, want pulls of %s", crossed, stranger)
	}
	across, err := openJob(t, dir).Across(id, 1, func(int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range across.Cars {
		for _, r := range c.Reasons {
			if m, ok := r.(MeasuredCrossing); ok && c.Vehicle != stranger {
				t.Errorf("%s never ran the revision and is given %+v", c.Vehicle, m)
			}
		}
	}
}

func crossings(r *Review) []MeasuredCrossing {
	var out []MeasuredCrossing
	for _, why := range r.Reasons {
		if m, ok := why.(MeasuredCrossing); ok {
			out = append(out, m)
		}
	}
	return out
}

// Steady stretches are not pulls: a platform's knock fit counts no more pulls than the platform has.
func TestKnockCountsPulls(t *testing.T) {
	e, err := openJob(t, fleettest.Small(t)).Envelopes()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range e.Platforms {
		if p.Knock.Pulls == 0 || p.Knock.Pulls > p.Pulls || p.Knock.Steady == 0 {
			t.Errorf("%s: knock on %d pulls and %d steady stretches of %d pulls", p.Platform, p.Knock.Pulls,
				p.Knock.Steady, p.Pulls)
		}
	}
}
