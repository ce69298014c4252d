package fleet

import (
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/workspace"
)

// A limit on lambda is read at the speed and load of the leanest mixture: a cell's mean load may lie where a limit that
// falls with load is looser than where the mixture was leanest. More charge moves both by the same factor.
func TestLeanestIsHeldAgainstItsOwnLoad(t *testing.T) {
	r := wholeRow()
	r.LeanestRPM, r.LeanestLoad = 4200, 158
	p := state.Preparer{Platform: platformWith(t, "direct", func(*workspace.Platform) {})}
	v := p.Logged(r)
	q := QuantityOf(metric.Lambda)
	place := func(s *state.State, rpm, load float64) {
		t.Helper()
		gotRPM, gotLoad := q.PlaceOf(s)
		close(t, "speed", gotRPM, rpm, 1e-9)
		close(t, "load", gotLoad, load, 1e-9)
	}
	place(&v.State, 4200, 158)
	moved := v.State
	moved.Logged, moved.Load = &v.State, 1.1*v.Load
	place(&moved, 4200, 1.1*158)
	edge := moved
	edge.Edge = true
	place(&edge, edge.RPM, edge.Load)

	falling := func(_, load float64) (float64, bool) { return 0.88 - 0.002*(load-150), true }
	close(t, "margin as measured", q.Margin(p.Platform, &v.State, falling), 0.88-0.016-0.87, 1e-9)
	r.LeanestLoad = r.Load
	close(t, "margin at the cell's load", q.Margin(p.Platform, &v.State, falling), 0.01, 1e-9)
}
