package report

import (
	"strings"
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
		{nil, "no sample of the fleet's 187\u00a0pulls"},
		{[]assess.Stress{hot}, "no sample of the fleet's 187\u00a0pulls; brought there by a hot day, +14\u00a0K"},
		{[]assess.Stress{hot, hot, hot}, "no sample of the fleet's 187\u00a0pulls; brought there by a hot day, " +
			"+14\u00a0K and 2 more"},
	} {
		if got := w.reached(&assess.UnvisitedPlace{OfPulls: 187, Brings: c.brings}); got != c.want {
			t.Errorf("said %q, want %q", got, c.want)
		}
	}
}

// Days to come say whose they are, what tells them and which seasons are among them.
func TestWeatherSaid(t *testing.T) {
	w := words{}
	d := assess.Weather{From: assess.FromCar, Cars: 14, Days: 61, Judged: result.Span{2, 27},
		Logged: result.Span{11, 14}}
	for _, c := range []struct {
		own  int
		year bool
		want []string
	}{
		{1, true, []string{"1\u00a0logged day of its own", "61\u00a0days of 14\u00a0cars", "all seasons"}},
		{3, false, []string{"3\u00a0logged days of its own", "in the seasons that the fleet logged and no other"}},
		{0, true, []string{"as those of other cars (61\u00a0days of 14\u00a0cars), for it logged none"}},
	} {
		d.Own, d.Year = c.own, c.year
		for _, want := range c.want {
			if got := w.weather(&d); !strings.Contains(got, want) {
				t.Errorf("said %q, want %q in it", got, want)
			}
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
