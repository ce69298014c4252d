package assess

import (
	"fmt"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// enoughOwnPulls is how many pulls of one calibration describe how a car runs it; common practice, no source.
const enoughOwnPulls = 3

// fleetPulls bounds how many pulls of other cars stand in for a car without logs: one per car and calibration first,
// then the rest in evidence order.
const fleetPulls = 60

// bench is what a revision is judged on: the same logged visits run by the parent and by the revision.
type bench struct {
	visits  []state.Visit // as the revision would run them
	parent  []state.Visit // as the parent would; nil under a stress
	car     string        // whose offset applies; "" for a car not seen
	named   bool          // the revision is meant for one car
	basis   Basis
	notes   result.Reasons  // cautions
	unshown result.Reasons  // fuel and hardware of the revision that no pull of the bench ran with
	gaps    []state.Gap     // changes of the revision whose effect on these visits could not be computed
	stress  state.Stress    // that the visits are under; zero without
	draws   int             // of the parameters; 0: models/risk's default
	cells   []state.CellKey // by visit, where it counts in another cell than its own; nil: in its own
}

// under is the bench with a stress on the revision's visits; the parent's are left out.
func (b *bench) under(m *Model, st state.Stress) *bench {
	out := *b
	out.parent, out.stress, out.draws = nil, st, stressDraws
	out.cells = make([]state.CellKey, len(b.visits)) // where they were, so that margins are compared like with like
	out.visits = make([]state.Visit, len(b.visits))
	for i := range b.visits {
		out.cells[i] = m.CellOf(&b.visits[i].State)
		out.visits[i] = m.Under(st, b.visits[i])
	}
	return &out
}

// cellOf is the cell a visit counts in.
func (b *bench) cellOf(m *Model, i int) state.CellKey {
	if b.cells != nil {
		return b.cells[i]
	}
	return m.CellOf(&b.visits[i].State)
}

// pointers are the bench's visits, for what asks of logged visits in general.
func (b *bench) pointers() []*state.Visit {
	out := make([]*state.Visit, len(b.visits))
	for i := range b.visits {
		out[i] = &b.visits[i]
	}
	return out
}

// states are the bounding states of the bench's visits.
func (b *bench) states() []*state.State {
	out := make([]*state.State, len(b.visits))
	for i := range b.visits {
		out[i] = &b.visits[i].State
	}
	return out
}

// onlyCar is the car whose pulls the bench has, "" where it has several cars'.
func (b *bench) onlyCar() string {
	for i := range b.visits {
		if b.visits[i].Car != b.visits[0].Car {
			return ""
		}
	}
	return b.visits[0].Car
}

func (b *bench) carCount() int {
	cars := evidence.NewIndex[string]()
	for i := range b.visits {
		cars.Of(b.visits[i].Car)
	}
	return len(cars.Keys)
}

func (b *bench) pullCount() int {
	pulls := evidence.NewIndex[string]()
	for i := range b.visits {
		pulls.Of(b.visits[i].Pull)
	}
	return len(pulls.Keys)
}

// known are the values of a quantity over the bench where it is known.
func (b *bench) known(get func(*state.State) float64) []float64 {
	var out []float64
	for i := range b.visits {
		if v := get(&b.visits[i].State); value.Known(v) {
			out = append(out, v)
		}
	}
	return out
}

// benchFor picks the logged pulls a revision is judged on and runs both calibrations on them. In order of preference:
// the revision's own logs, the parent's, the car's other calibrations, and last the fleet's, for a car not seen.
// car is the id the evidence knows the revision's car by, "" for a revision meant for the fleet; since is the day of
// its last hardware change, "" without one.
func (m *Model) benchFor(rows []evidence.Row, rev *workspace.Revision, car, since string) (*bench, error) {
	b := &bench{car: car, named: car != "", basis: BasisPredicted}
	picked := b.pick(evidence.PullRows(rows), rev, since)
	if len(picked) == 0 {
		return nil, fmt.Errorf("revision %s: platform %s has no logged pull: put logs under "+
			"runs/<vehicle>/<revision>/ and run headroom ingest", rev.ID, rev.Platform)
	}
	child, err := state.CalibrationOf(m.ws, rev.ID)
	if err != nil {
		return nil, err
	}
	parent := child
	if rev.Parent != "" {
		if parent, err = state.CalibrationOf(m.ws, rev.Parent); err != nil {
			return nil, err
		}
	}
	logged := map[string]*state.Calibration{}
	for _, r := range picked {
		from, met := logged[r.Revision]
		if !met {
			if from, err = state.CalibrationOf(m.ws, r.Revision); err != nil {
				b.notes = append(b.notes, PullsLeftOut{Revision: r.Revision, Fault: err.Error()})
				from = nil
			}
			logged[r.Revision] = from
		}
		if from == nil {
			continue
		}
		v := m.As(r, b.car)
		next, gaps := m.Move(&v, from, child)
		was, _ := m.Move(&v, from, parent)
		b.gaps = append(b.gaps, gaps...)
		b.visits = append(b.visits, next)
		b.parent = append(b.parent, was)
	}
	if len(b.visits) == 0 {
		return nil, fmt.Errorf("revision %s: none of %d logged rows can be used: the revisions they were logged on "+
			"cannot be resolved", rev.ID, len(picked))
	}
	b.gaps = state.Gaps(b.gaps)
	b.unshown = m.unshown(rev, picked)
	return b, nil
}

// pick picks by the order of benchFor. The car's own logs from before its last hardware change (since) show another car
// and are left out.
func (b *bench) pick(rows []*evidence.Row, rev *workspace.Revision, since string) []*evidence.Row {
	all := evidence.Filter(rows, func(r *evidence.Row) bool { return r.Vehicle == b.car })
	own := evidence.Filter(all, func(r *evidence.Row) bool { return loggedSince(r, since) })
	if old := evidence.CountPulls(all) - evidence.CountPulls(own); old > 0 {
		b.notes = append(b.notes, BeforeHardware{Pulls: old, Date: since})
	}
	onRevision := evidence.Filter(own, func(r *evidence.Row) bool { return r.Revision == rev.ID })
	if evidence.CountPulls(onRevision) >= enoughOwnPulls {
		b.basis = BasisBoth
		return onRevision
	}
	onParent := evidence.Filter(own, func(r *evidence.Row) bool { return r.Revision == rev.Parent })
	if evidence.CountPulls(onParent) >= enoughOwnPulls {
		return onParent
	}
	if evidence.CountPulls(own) >= enoughOwnPulls {
		b.notes = append(b.notes, OtherCalibrations{Wanted: enoughOwnPulls})
		return own
	}
	if b.car != "" {
		b.notes = append(b.notes, OtherCars{Pulls: evidence.CountPulls(own)})
	}
	if len(own) == 0 {
		b.car = ""
	}
	return spreadOverCars(rows)
}

// loggedSince reports whether a row was logged on or after a day, or its day is not known; since "" takes all.
func loggedSince(r *evidence.Row, since string) bool { return r.Date == "" || r.Date >= since }

// spreadOverCars takes whole pulls in turns over cars and calibrations, so that a car that logs a lot does not drown
// the others, up to fleetPulls.
func spreadOverCars(rows []*evidence.Row) []*evidence.Row {
	groups := evidence.NewIndex[string]()
	var byGroup [][][]*evidence.Row
	last := ""
	for _, r := range rows {
		g := groups.Of(r.Vehicle + "\x00" + r.Revision)
		if g == len(byGroup) {
			byGroup = append(byGroup, nil)
		}
		if id := evidence.PullID(r); id != last {
			byGroup[g] = append(byGroup[g], nil)
			last = id
		}
		byGroup[g][len(byGroup[g])-1] = append(byGroup[g][len(byGroup[g])-1], r)
	}
	var out []*evidence.Row
	taken := 0
	for round := 0; taken < fleetPulls; round++ {
		found := false
		for _, pulls := range byGroup {
			if round < len(pulls) && taken < fleetPulls {
				out = append(out, pulls[round]...)
				taken++
				found = true
			}
		}
		if !found {
			break
		}
	}
	return out
}

// pullsOf counts a car's pulls by calibration.
func pullsOf(rows []evidence.Row, car string) map[string]int {
	out := map[string]int{}
	last := ""
	for _, r := range evidence.PullRows(rows) {
		if id := evidence.PullID(r); r.Vehicle == car && id != last {
			out[r.Revision]++
			last = id
		}
	}
	return out
}
