package assess

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/fleettest"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// A revision scored across the fleet: every car of the platform is there once, the expected number of crossing cars
// lies in its interval and between none and all, and its own car gets the very review it gets alone.
func TestAcross(t *testing.T) {
	j := openJob(t, fleettest.Marlins(t))
	id := mildProposal(t, fleettest.Marlins(t)).Revision
	one, err := j.Across(id, 1, func(int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	two, err := j.Across(id, 2, func(int, int) {})
	if err != nil {
		t.Fatal(err)
	}
	a, _ := json.Marshal(one)
	b, _ := json.Marshal(two)
	if !bytes.Equal(a, b) {
		t.Error("the result depends on the number of workers")
	}
	cars := 0
	for _, v := range j.ws.Vehicles {
		if v.Platform == one.Platform {
			cars++
		}
	}
	if len(one.Cars)+len(one.Failed) != cars {
		t.Errorf("%d scored and %d failed of %d cars", len(one.Cars), len(one.Failed), cars)
	}
	for _, h := range one.Hazards {
		if h.Assessed == 0 {
			continue
		}
		e, lo, hi := float64(h.Expected), float64(h.Interval90[0]), float64(h.Interval90[1])
		if !(e >= 0) || e > float64(h.Assessed) || lo > hi || lo < 0 || hi > float64(h.Assessed) ||
			len(h.Likely) > h.Assessed {
			t.Errorf("%s: %+v", h.Hazard, h)
		}
	}
	alone := reviewed(t, fleettest.Marlins(t), id)
	for _, c := range one.Cars {
		if c.Vehicle == alone.Vehicle && c.Verdict != alone.Verdict {
			t.Errorf("%s gets %s across the fleet and %s alone", c.Vehicle, c.Verdict, alone.Verdict)
		}
	}
	if _, err := j.Across("nothing", 1, func(int, int) {}); err == nil {
		t.Error("an unknown revision was scored")
	}
}

// A revision against itself differs in nothing; against its more dangerous sibling the change has the right sign.
func TestAgainst(t *testing.T) {
	j := openJob(t, fleettest.Marlins(t))
	id := mildProposal(t, fleettest.Marlins(t)).Revision
	same, err := j.Against(id, id)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range same.Hazards {
		if h.Change.Known() && h.Change != 0 || h.Worse.Known() && h.Worse != 0 {
			t.Errorf("%s differs from itself: %+v", h.Hazard, h)
		}
	}
	parent := j.ws.Revisions[id].Parent
	r, err := j.Against(parent, id)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range r.Hazards {
		if d := h.Right.ProbabilityPerPull - h.Left.ProbabilityPerPull; d.Known() &&
			math.Abs(float64(d-h.Change)) > 1e-12 {
			t.Errorf("%s: change %v, sides differ by %v", h.Hazard, h.Change, d)
		}
	}
	if _, err := openJob(t, fleettest.Small(t)).Against("marlin-25t-base", "kestrel-20t-base"); err == nil {
		t.Error("revisions of two platforms were compared")
	}
}

// Own logs: released revisions with logs have expected and measured values that agree for healthy cars: over the small
// fleet fewer than one metric in ten is a surprise at a chance of one in a hundred each, planted sensor faults
// included. HEADROOM_PROOF=1 adds the calibrations that several cars ran; without it one of them stands for them.
func TestOwnLogs(t *testing.T) {
	j := openJob(t, fleettest.Small(t))
	logged := map[string]bool{}
	for _, run := range j.ws.Runs {
		if rev := j.ws.Revisions[run.Revision]; rev.Vehicle != workspace.Fleet ||
			rev.ID == "marlin-25t-pump-91-s1" || os.Getenv("HEADROOM_PROOF") != "" {
			logged[rev.ID] = true
		}
	}
	metrics, surprises := 0, 0
	for id := range logged {
		r := reviewed(t, j.ws.Dir, id)
		for _, o := range r.OwnLogs {
			metrics++
			if o.Surprise {
				surprises++
			}
			if o.Cells < o.Pulls || o.Pulls == 0 || o.Outside > o.Pulls || len(o.Logs) == 0 ||
				o.PullsCrossed > o.Pulls || !o.Expected.Known() ||
				!o.Measured.Known() {
				t.Errorf("%s: %+v", id, o)
			}
		}
	}
	if metrics == 0 || 10*surprises > metrics {
		t.Errorf("%d surprises in %d metrics", surprises, metrics)
	}
}

// Gains: the change is that of the torques, its interval holds it, and power follows from torque and speed.
func TestGains(t *testing.T) {
	r := reviewed(t, fleettest.Demo(t), "rev-0103-b") // the demo's rise of low-speed torque
	if len(r.Gains) == 0 {
		t.Fatal("no gains")
	}
	spent := 0
	for _, g := range r.Gains {
		change := 100 * (float64(g.TorqueNm[1])/float64(g.TorqueNm[0]) - 1)
		close(t, "change", float64(g.ChangePct), change, 1e-9)
		if g.Change90[0] > g.ChangePct || g.Change90[1] < g.ChangePct {
			t.Errorf("%v rpm: %v lies outside %v", g.RPM, g.ChangePct, g.Change90)
		}
		// power and torque curves cross at 5252 rpm in hp and lbf·ft (common practice): 5252 lbf·ft·rpm = 1 hp.
		hp := float64(g.PowerKW[1]) * 1000 / 745.6999
		close(t, "power", hp, float64(g.TorqueNm[1])/1.355818*float64(g.RPM)/5252.113, 1e-3*hp)
		if g.SpentHazard != "" {
			spent++
			if !(g.SpentMargin > 0) || !(g.SpentSD > 0) {
				t.Errorf("%v rpm: spends %v %s of %s", g.RPM, g.SpentMargin, g.SpentUnit, g.SpentHazard)
			}
		}
	}
	if spent == 0 {
		t.Error("a rise of low-speed torque costs no margin anywhere")
	}
}

// A car's logs from before its hardware change show another car: they are left out of its review and said so.
func TestLogsBeforeAHardwareChange(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Small(t))
	mild := mildProposal(t, dir)
	path := filepath.Join(dir, "vehicles.csv")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(b), "\n")
	if !strings.Contains(lines[0], "hardware_date") {
		t.Fatalf("vehicles.csv has no hardware_date: %s", lines[0])
	}
	column := slices.Index(strings.Split(lines[0], ","), "hardware_date")
	for i, l := range lines {
		if cells := strings.Split(l, ","); cells[0] == mild.Vehicle {
			cells[column] = "2030-01-01"
			lines[i] = strings.Join(cells, ",")
		}
	}
	if err := os.WriteFile(path, []byte(strings.Join(lines, "\n")), 0o644); err != nil {
		t.Fatal(err)
	}
	j := openJob(t, dir)
	r, err := j.Review(mild.Revision)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(r.Notes, func(n result.Reason) bool {
		old, ok := n.(BeforeHardware)
		return ok && old.Date == "2030-01-01" && old.Pulls > 0
	}) {
		t.Errorf("nothing is said of the logs before the hardware change: %v", r.Notes)
	}
	if r.Verdict == VerdictRelease {
		t.Error("released without a log of the car as it is now")
	}
}
