package report

import (
	"testing"

	"headroom/internal/assess"
	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/result"
)

// A cell that concerns two limits is one cell.
func TestCellsAreCountedOnce(t *testing.T) {
	a, b := cellAt(3500, 160), cellAt(4000, 160)
	if got, want := cellsBetween([]result.Cell{a, b, a}), "2\u00a0cells between 3500 and 4500 rpm"; got != want {
		t.Errorf("said %q, want %q", got, want)
	}
}

// One stress that brings a pull to a place is named, of several the first.
func TestReached(t *testing.T) {
	hot := assess.Stress{Kind: state.HotCharge, Size: 14, From: state.SizeOfFleet}
	w := words{}
	for _, c := range []struct {
		brings []assess.Stress
		want   string
	}{
		{nil, "none of 187\u00a0pulls of the fleet"},
		{[]assess.Stress{hot}, "none of 187\u00a0pulls of the fleet; brought there by a hot day, +14\u00a0K"},
		{[]assess.Stress{hot, hot, hot}, "none of 187\u00a0pulls of the fleet; brought there by a hot day, " +
			"+14\u00a0K and 2\u00a0stresses more"},
	} {
		if got := w.reached(&assess.UnvisitedPlace{OfPulls: 187, Brings: c.brings}); got != c.want {
			t.Errorf("said %q, want %q", got, c.want)
		}
	}
}

// What logs show without settling it is not what no log tells.
func TestCheckResult(t *testing.T) {
	shown := fleet.FileCheck{Status: fleet.NotTold, Shown: 1.01}
	none := fleet.FileCheck{Status: fleet.NotTold, Shown: result.Unknown()}
	if got := checkResult(&shown); got != "not settled by logs" {
		t.Errorf("shown: %q", got)
	}
	if got := checkResult(&none); got != "not told by any log" {
		t.Errorf("not shown: %q", got)
	}
}
