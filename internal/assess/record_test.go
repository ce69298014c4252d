package assess

import (
	"maps"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
)

// A record is of what a fit without the left-out pulls says: with every one of these pulls made to knock past the
// tolerated retard nothing else is stated, and all of them have crossed.
func TestRecordHasNotSeenItsPulls(t *testing.T) {
	j := openJob(t, fleettest.Demo(t))
	rows, err := j.Evidence(fleettest.Marlin)
	if err != nil {
		t.Fatal(err)
	}
	held := j.heldOutOf(rows)
	if len(held) < 3 {
		t.Fatalf("%d cars", len(held))
	}
	last := map[string]string{}
	for _, h := range held {
		last[h.car] = h.revision
		for _, r := range h.before {
			if r.Revision == h.revision || r.Date > h.own[0].Date {
				t.Errorf("%s: a row of %s on %s is taken as before %s", h.car, r.Revision, r.Date, h.revision)
			}
		}
	}
	changed := slices.Clone(rows)
	var knocking []*evidence.Row
	for i := range changed {
		if r := &changed[i]; r.Kind == evidence.KindPull && r.KnockLogged && last[r.Vehicle] == r.Revision {
			r.RetardMax = 20
			knocking = append(knocking, r)
		}
	}
	before, err := j.recordOf(fleettest.Marlin, rows, held)
	if err != nil {
		t.Fatal(err)
	}
	after, err := j.recordOf(fleettest.Marlin, changed, j.heldOutOf(changed))
	if err != nil {
		t.Fatal(err)
	}
	was, is := before.Hazards[hazard.Knock], after.Hazards[hazard.Knock]
	if was.Stated != is.Stated || was.Pulls != is.Pulls || is.Crossed != is.Pulls || was.Crossed == was.Pulls {
		t.Errorf("knock %+v, with every pull past the limit %+v", was, is)
	}
	if n := evidence.CountPulls(knocking); is.Pulls == 0 || is.Pulls > n {
		t.Errorf("%d of %d pulls", is.Pulls, n)
	}
	if before.Trust[hazard.Knock].Shift >= after.Trust[hazard.Knock].Shift {
		t.Errorf("log odds shift by %.2f, and by %.2f where every pull crossed", before.Trust[hazard.Knock].Shift,
			after.Trust[hazard.Knock].Shift)
	}
}

// A review states no chance as impossible or certain, one a pull as well as one over each use, and the same cold and
// warm.
func TestReviewIsNeverCertain(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Demo(t))
	fleettest.RemoveFits(t, dir)
	j := openJob(t, dir)
	id := slices.Sorted(maps.Keys(j.ws.Revisions))[0]
	cold, err := j.Review(id)
	if err != nil {
		t.Fatal(err)
	}
	warm, err := openJob(t, dir).Review(id)
	if err != nil {
		t.Fatal(err)
	}
	for i, h := range cold.Hazards {
		if d := cmp.Diff(h.Record, warm.Hazards[i].Record); d != "" {
			t.Errorf("%s, cold and warm: %s", h.Hazard, d)
		}
		if h.Interval90 != warm.Hazards[i].Interval90 {
			t.Errorf("%s: %v cold, %v warm", h.Hazard, h.Interval90, warm.Hazards[i].Interval90)
		}
		if p := h.ProbabilityPerPull; p.Known() && (h.Interval90[1] == 0 || h.Interval90[0] == 1 || p == 0 || p == 1) {
			t.Errorf("%s: %v %v", h.Hazard, p, h.Interval90)
		}
		if h.ProbabilityPerPull.Known() && len(h.Uses) == 0 {
			t.Errorf("%s has no chance over a use", h.Hazard)
		}
		for _, u := range h.Uses {
			if float64(u.Probability) < float64(h.ProbabilityPerPull)*0.5 || u.Probability > 1 {
				t.Errorf("%s: %v a pull, %+v", h.Hazard, h.ProbabilityPerPull, u)
			}
		}
	}
}
