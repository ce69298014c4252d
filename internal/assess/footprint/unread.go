package footprint

import (
	"math"

	"headroom/internal/assess/state"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
	"headroom/models/value"
)

// readShare is the share that a value of a table must have in what some judged pull read for the pull to speak for it;
// common practice, no source.
const readShare = 0.75

// ChangedValue is a place where a table of the revision differs, or may differ, from another's.
type ChangedValue struct {
	state.Place
	Role string
	// revision minus the other, in Unit; NaN where the two are read by other axes: see Change
	By   float64
	Unit string      // that tables of the role are kept in
	Axes []AxisValue // the place in words for a report

	now, was state.Lookup
}

// Change is the difference of the two tables at a state, NaN where one of them cannot be read there.
func (v *ChangedValue) Change(s *state.State) float64 {
	now, _, known := v.now.At(s)
	was, _, too := v.was.At(s)
	if !known || !too {
		return math.NaN()
	}
	return now - was
}

// Changes reports whether a difference has to be judged. Less boost has not: it takes the engine to where it runs with
// less throttle.
func (v *ChangedValue) Changes(by float64) bool {
	return math.Abs(by) > state.NoChange && !(v.Role == "boost" && by < 0)
}

// Unread are the breakpoints at which a modelled table of the revision differs from that of another (from), and that no
// visit reads: nothing that was logged says what the change does there. Of two tables that are read by other axes they
// are the breakpoints of both, and only a state put there can say how much they differ.
func Unread(ws *workspace.Workspace, rev *workspace.Revision, from string, visits []state.Visit) []ChangedValue {
	if from == "" {
		return nil
	}
	var out []ChangedValue
	for _, t := range pairsOf(ws, rev, from) {
		switch {
		case !t.modelled:
		case t.diff != nil:
			out = append(out, t.unread(t.diff, t.x, t.y, t.now, visits)...)
		case t.why.Kind == OtherAxes && state.LookupOf(t.was).UnknownAxis() == "":
			for _, of := range []*workspace.TableRef{t.now, t.was} {
				blank := nowhereKnown(of.Table)
				out = append(out, t.unread(blank, of.X.Channel, axisOf(of.Y), of, visits)...)
			}
		}
	}
	return out
}

// nowhereKnown is a table of the same breakpoints without values.
func nowhereKnown(of *calmap.Table) *calmap.Table {
	out := &calmap.Table{X: of.X, Y: of.Y}
	for range of.Z {
		row := make([]float64, len(of.X))
		for i := range row {
			row[i] = math.NaN()
		}
		out.Z = append(out.Z, row)
	}
	return out
}

// unread are the breakpoints of a difference, read by two channels, that no visit reads. of gives the axes' units.
func (t *tablePair) unread(diff *calmap.Table, x, y channel.ID, of *workspace.TableRef, visits []state.Visit) (
	out []ChangedValue) {
	read := sharesRead(diff, x, y, visits)
	for j, row := range diff.Z {
		for i, by := range row {
			v := ChangedValue{Place: state.Place{X: x, Y: y, AtX: diff.X[i], AtY: math.NaN()}, Role: t.now.Role, By: by,
				Unit: t.unit(), now: state.LookupOf(t.now), was: state.LookupOf(t.was)}
			if read[j][i] >= readShare || value.Known(by) && !v.Changes(by) {
				continue
			}
			if len(diff.Y) > 0 {
				v.AtY = diff.Y[j]
			} else {
				v.Y = ""
			}
			written := *t
			written.now, written.x, written.y = of, x, y
			v.Axes = written.place(v.AtX, v.AtY)
			out = append(out, v)
		}
	}
	return out
}

// sharesRead is the largest share each breakpoint of a table has in what a sample of the visits reads.
func sharesRead(table *calmap.Table, byX, byY channel.ID, visits []state.Visit) [][]float64 {
	shares := make([][]float64, len(table.Z))
	for j := range shares {
		shares[j] = make([]float64, len(table.X))
	}
	for k := range visits {
		visits[k].Each(func(s *state.State) {
			x, y := s.Axis(byX), 0.0
			if len(table.Y) > 0 {
				y = s.Axis(byY)
			}
			if value.Known(x) && value.Known(y) {
				table.Shares(x, y, func(row, column int, share float64) {
					shares[row][column] = math.Max(shares[row][column], share)
				})
			}
		})
	}
	return shares
}
