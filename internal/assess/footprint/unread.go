package footprint

import (
	"math"

	"headroom/internal/assess/state"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// readShare is the share that a value of a table must have in what some judged pull read for the pull to speak for it;
// common practice, no source.
const readShare = 0.75

// ChangedValue is a place where a table of the revision differs from the parent's.
type ChangedValue struct {
	state.Place
	Role string
	By   float64     // revision minus parent, in Unit
	Unit string      // that tables of the role are kept in
	Axes []AxisValue // the place in words for a report
}

// Unread are the breakpoints at which a modelled table that the revision lists differs from its parent's, and that no
// visit reads: nothing that was logged says what the change does there. Tables that cannot be compared have none; the
// footprint says so. Less boost is left out: it takes the engine to where the parent runs with less throttle.
func Unread(ws *workspace.Workspace, rev *workspace.Revision, visits []state.Visit) []ChangedValue {
	if rev.Parent == "" {
		return nil
	}
	var out []ChangedValue
	for _, t := range pairsOf(ws, rev) {
		if !t.modelled || t.diff == nil {
			continue
		}
		read := t.sharesRead(visits)
		for j, row := range t.diff.Z {
			for i, by := range row {
				if math.Abs(by) <= noChange || read[j][i] >= readShare || t.now.Role == "boost" && by < 0 {
					continue
				}
				at := state.Place{X: t.x, Y: t.y, AtX: t.diff.X[i], AtY: math.NaN()}
				if len(t.diff.Y) > 0 {
					at.AtY = t.diff.Y[j]
				} else {
					at.Y = ""
				}
				out = append(out, ChangedValue{Place: at, Role: t.now.Role, By: by, Unit: t.unit(),
					Axes: t.place(at.AtX, at.AtY)})
			}
		}
	}
	return out
}

// sharesRead is the largest share each breakpoint of the difference has in what a sample of the visits reads.
func (t *tablePair) sharesRead(visits []state.Visit) [][]float64 {
	shares := make([][]float64, len(t.diff.Z))
	for j := range shares {
		shares[j] = make([]float64, len(t.diff.X))
	}
	for k := range visits {
		visits[k].Each(func(s *state.State) {
			x, y := s.Axis(t.x), 0.0
			if len(t.diff.Y) > 0 {
				y = s.Axis(t.y)
			}
			if value.Known(x) && value.Known(y) {
				t.diff.Shares(x, y, func(row, column int, share float64) {
					shares[row][column] = math.Max(shares[row][column], share)
				})
			}
		})
	}
	return shares
}
