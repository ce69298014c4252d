package evidence

import (
	"slices"
	"testing"
)

// Two cars, three pulls over two runs, one of them without a date: each row lies in its own car and pull, in the order
// met, and counts agree with the nest.
func TestGrouping(t *testing.T) {
	all := []Row{
		{Vehicle: "b", Run: "r1", Segment: 0, Kind: KindPull, Date: "2025-01-01"},
		{Vehicle: "b", Run: "r1", Segment: 0, Kind: KindPull, Date: "2025-01-01"},
		{Vehicle: "b", Run: "r1", Segment: 1, Kind: KindSteady, Date: "2025-01-01"},
		{Vehicle: "b", Run: "r1", Segment: 2, Kind: KindPull, Date: "2025-01-01"},
		{Vehicle: "a", Run: "r2", Segment: 0, Kind: KindPull},
	}
	pulls := PullRows(all)
	if len(pulls) != 4 || pulls[3] != &all[4] || CountCars(pulls) != 2 || CountPulls(pulls) != 3 {
		t.Errorf("%d rows, %d cars, %d pulls", len(pulls), CountCars(pulls), CountPulls(pulls))
	}
	if only := Filter(pulls, func(r *Row) bool { return r.Vehicle == "a" }); len(only) != 1 || only[0] != &all[4] {
		t.Errorf("rows of a: %v", only)
	}
	n := NewNest[int]()
	for i, r := range pulls {
		n.Add(r, i)
	}
	if n.Pulls != 3 || !slices.Equal(n.IDs(), []string{"a", "b"}) || n.Cars[0].ID != "b" {
		t.Fatalf("%d pulls of %v", n.Pulls, n.IDs())
	}
	b, a := n.Cars[0].Pulls, n.Cars[1].Pulls
	if len(b) != 2 || !slices.Equal(b[0].Rows, []int{0, 1}) || !slices.Equal(b[1].Rows, []int{2}) ||
		b[1].Day != "2025-01-01" {
		t.Errorf("pulls of b: %+v, %+v", b[0], b[1])
	}
	if len(a) != 1 || a[0].Day != "r2" {
		t.Errorf("a run without a date is a day of its own: %+v", a[0])
	}
}

// Keys are numbered in the order met, and a key keeps its number.
func TestIndex(t *testing.T) {
	x := NewIndex[string]()
	for i, k := range []string{"b", "a", "b", "c", "a"} {
		if got, want := x.Of(k), []int{0, 1, 0, 2, 1}[i]; got != want {
			t.Errorf("%s is number %d, want %d", k, got, want)
		}
	}
	if !slices.Equal(x.Keys, []string{"b", "a", "c"}) {
		t.Errorf("keys %v", x.Keys)
	}
}

// A cell spools while its highest boost stays well below target; without boost or target nothing is said of it.
func TestSpooling(t *testing.T) {
	for overshoot, want := range map[float64]bool{-40: true, -10: false, 0: false, 12: false} {
		if Spooling(overshoot) != want {
			t.Errorf("an overshoot of %g kPa: spooling is %v", overshoot, !want)
		}
	}
	if Spooling(nan) {
		t.Error("an unknown overshoot spools")
	}
}

// The four samples kept of a cell are the row's own, so that a change made through them is one of the row.
func TestKeptSamplesAreTheRows(t *testing.T) {
	var r Row
	for i, s := range r.Kept() {
		s.RPM = float64(i + 1)
	}
	if sum := r.Bound.RPM + r.Entry.RPM + r.Exit.RPM + r.Peak.RPM; sum != 1+2+3+4 {
		t.Errorf("samples %+v %+v %+v %+v", r.Bound, r.Entry, r.Exit, r.Peak)
	}
}
