package ingest

import (
	"math"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/evidence"
	"headroom/internal/store"
)

// The invented fleet counts, while it drives, its own pulls, the cells visited at full pedal and those in which the
// engine knocked. Evidence has to find the same from the logs alone: every pull, and all but a few of the cells (a
// visit before speed rises or at a shift is no part of a pull; a step in such a visit is none of its events).
func TestEvidenceFindsWhatTheInventedFleetDid(t *testing.T) {
	dir := t.TempDir()
	if _, err := demo.Build(dir, demo.Options{Cars: 6, Seed: 3, TruthPulls: 10}); err != nil {
		t.Fatal(err)
	}
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	s := ingest(t, dir, Options{})
	if len(s.Failed) != 1 || s.Failed[0].Path != truth.Unreadable {
		t.Errorf("failed %+v, want only %s", s.Failed, truth.Unreadable)
	}
	if len(s.Suspects) != 0 {
		t.Errorf("loggers are sound, and %+v is named", s.Suspects)
	}
	pulls, cells, knocking := map[string]map[int32]bool{}, 0, 0
	for _, r := range rows(t, dir, store.Filter{}) {
		if r.Kind != evidence.KindPull {
			continue
		}
		if pulls[r.Run] == nil {
			pulls[r.Run] = map[int32]bool{}
		}
		pulls[r.Run][r.Segment] = true
		cells++
		if r.KnockEvents > 0 {
			knocking++
		}
	}
	wantCells, wantKnocking := 0, 0
	for _, car := range truth.Fleet {
		for _, l := range car.Logs {
			if len(pulls[l.Path]) != l.Pulls {
				t.Errorf("%s: %d pulls found, %d driven", l.Path, len(pulls[l.Path]), l.Pulls)
			}
			wantCells += l.PullCells
			wantKnocking += l.PullCellsWithKnock
		}
	}
	within := func(what string, got, want int, share float64) {
		if want == 0 || math.Abs(float64(got-want)) > share*float64(want) {
			t.Errorf("%s: %d found, %d in truth", what, got, want)
		}
	}
	within("cells", cells, wantCells, 0.05)
	within("cells with knock", knocking, wantKnocking, 0.05)
	t.Logf("%d of %d cells, %d of %d with knock", cells, wantCells, knocking, wantKnocking)
}
