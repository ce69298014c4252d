package assess

import (
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
)

// A pull whose samples skip cells of speed between its first and last has each visit stand for what was skipped, so
// that visits times what they stand for are the cells passed; one without a hole has each visit stand for itself, as
// has every state that was put where no log was.
func TestPassed(t *testing.T) {
	b := &bench{}
	visit := func(pull string, rpms ...float64) {
		for _, rpm := range rpms {
			b.visits = append(b.visits, state.Visit{State: state.State{Pull: pull, Row: &evidence.Row{RPMLow: rpm}}})
		}
	}
	visit("fast", 2000, 2500, 2500, 3000, 3500) // one speed at two loads
	visit("slow", 2000, 3000, 4500)
	want := []float64{1, 1, 1, 1, 1, 2, 2, 2}
	for i, got := range b.passed(500) {
		if got != want[i] {
			t.Errorf("visit %d of %s stands for %g, want %g", i, b.visits[i].Pull, got, want[i])
		}
	}
	b.placed = true
	for i, got := range b.passed(500) {
		if got != 1 {
			t.Errorf("placed state %d stands for %g", i, got)
		}
	}
}
