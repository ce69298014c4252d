package assess

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

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
	visits   []state.Visit // as the revision would run them
	parent   []state.Visit // as the parent would
	car      string        // whose offset applies; "" for a car not seen
	meant    string        // the car the revision is for, "" for a fleet's
	named    bool          // the revision is meant for one car
	basis    Basis
	onParent bool            // the judged pulls ran the parent or the revision itself
	from     string          // the revision whose tables it is compared with: see comparedWith
	notes    result.Reasons  // cautions
	unshown  result.Reasons  // fuel and hardware of the revision that no pull of the bench ran with
	gaps     []state.Gap     // changes of the revision whose effect on these visits could not be computed
	stress   state.Stress    // that the visits are under; zero without
	draws    int             // of the parameters; 0: as many as the bound that decides a hold takes
	cells    []state.CellKey // by visit, where it counts in another cell than its own; nil: in its own

	met           map[state.CellKey]bool // cells that the revision takes the judged pulls to in their own weather
	days          *days                  // the weather it is judged over; nil: that of the logs
	child, before *state.Calibration     // the revision and its parent (the revision itself without one)
	logged        []logged               // states to put where no pull was: judged pulls, steady running
	placed        bool                   // the visits were put where no log was (see Model.placed)
}

// under is the bench with a stress on the visits of the revision and of its parent.
func (b *bench) under(m *Model, st state.Stress) *bench {
	out := *b
	out.stress, out.draws = st, stressDraws
	out.cells = make([]state.CellKey, len(b.visits)) // where they were, so that margins are compared like with like
	out.visits, out.parent = make([]state.Visit, len(b.visits)), make([]state.Visit, len(b.visits))
	for i := range b.visits {
		out.cells[i] = b.cellOf(m, i)
		out.visits[i] = m.Under(st, &b.visits[i], b.child)
		out.parent[i] = m.Under(st, &b.parent[i], b.before)
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

// patternCar is the car whose pattern over cells holds at the visits: none's where no log was.
func (b *bench) patternCar() string {
	if b.placed {
		return ""
	}
	return b.car
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
		pulls.Of(evidence.PullID(b.visits[i].Row))
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
// the revision's own logs, the parent's, the nearest ancestor's, the car's other calibrations, and last the fleet's,
// for a car not seen.
// car is the id the evidence knows the revision's car by, "" for a revision meant for the fleet; since is the day of
// its last hardware change, "" without one.
func (m *Model) benchFor(rows []evidence.Row, rev *workspace.Revision, car, since string) (*bench, error) {
	b := &bench{car: car, meant: car, named: car != "", basis: BasisPredicted}
	picked := b.pick(evidence.PullRows(rows), rev, m.ws.Ancestry(rev.ID), since)
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
	calibrations := map[string]*state.Calibration{}
	var visits []state.Visit
	var on []*state.Calibration // that each was logged on
	for _, r := range picked {
		from, met := calibrations[r.Revision]
		if !met {
			if from, err = state.CalibrationOf(m.ws, r.Revision); err != nil {
				b.notes = append(b.notes, PullsLeftOut{Revision: r.Revision, Fault: err.Error()})
				from = nil
			}
			calibrations[r.Revision] = from
		}
		if from == nil {
			continue
		}
		visits, on = append(visits, m.As(r, b.car)), append(on, from)
	}
	if len(visits) == 0 {
		return nil, fmt.Errorf("revision %s: none of %d logged rows can be used: the revisions they were logged on "+
			"cannot be resolved", rev.ID, len(picked))
	}
	visits, on, unused := m.withAmbient(visits, on)
	b.child, b.before, b.from = child, parent, m.comparedWith(rev, b.car, on)
	if err := b.run(m, visits, on); err != nil {
		return nil, err
	}
	b.addSteady(m, rows, calibrations, since)
	b.gaps = state.Gaps(b.gaps)
	b.unshown = m.unshown(rev, b.meant, evidence.Filter(picked, func(r *evidence.Row) bool {
		return calibrations[r.Revision] != nil
	}))
	b.unshown = slices.Concat(b.unshown, unused, m.higherThanLogged())
	b.notes = slices.Concat(b.notes, m.fileContradictions(rev, b.meant), m.loggedBeforeMade(b.logged))
	return b, nil
}

// comparedWith is the revision that another is compared with: what its judged pulls ran, as far as that is one. That is
// its parent where pulls ran the parent or the revision itself, else its nearest ancestor that pulls ran, else, for a
// car's own pulls, what the last of them ran. on are the calibrations of the judged rows. Pulls of other cars' own
// calibrations are of many, so the parent stands there; "" without one.
func (m *Model) comparedWith(rev *workspace.Revision, car string, on []*state.Calibration) string {
	ran := map[string]bool{}
	for _, c := range on {
		ran[c.ID] = true
	}
	line := m.ws.Ancestry(rev.ID)
	i := slices.IndexFunc(line, func(r *workspace.Revision) bool { return ran[r.ID] })
	switch {
	case ran[rev.ID] || i < 0 && car == "":
		return rev.Parent
	case i >= 0:
		return line[i].ID
	}
	return on[len(on)-1].ID
}

// run runs the revision and its parent on logged visits, in the weather to come.
func (b *bench) run(m *Model, visits []state.Visit, on []*state.Calibration) (err error) {
	if b.days, err = m.daysFor(visits, b.meant); err != nil {
		return fmt.Errorf("the days to come: %w", err)
	}
	number := numbered(visits)
	b.met = map[state.CellKey]bool{}
	for i := range visits {
		v := &visits[i]
		b.logged = append(b.logged, logged{v.State, on[i]})
		here := m.Taken(&v.State, on[i], b.child)
		b.met[m.CellOf(&here)] = true
		for k, share := range b.daysOf(number[v.Pull], len(number)) {
			at := v
			if b.days != nil {
				day := b.days.quantile(share)
				by := day - b.days.at(&v.State)
				moved := m.InWeather(v, state.AnotherDay{Day: day, Ambient: by, Charge: b.days.charge * by,
					Barometer: b.days.barometer(share), Pull: fmt.Sprintf("%s day %d", v.Pull, k+1)}, on[i])
				at = &moved
			}
			next, gaps := m.Move(at, on[i], b.child)
			was, _ := m.Move(at, on[i], b.before)
			b.gaps = append(b.gaps, gaps...)
			b.visits = append(b.visits, next)
			b.parent = append(b.parent, was)
		}
	}
	return nil
}

// numbered numbers the pulls of visits from the earliest, whatever cars and logs are called.
func numbered(visits []state.Visit) map[string]int {
	first := map[string]*state.State{}
	for i := range visits {
		if s := &visits[i].State; first[s.Pull] == nil {
			first[s.Pull] = s
		}
	}
	pulls := slices.Collect(maps.Values(first))
	slices.SortFunc(pulls, func(a, b *state.State) int {
		return cmp.Or(cmp.Compare(a.Row.Date, b.Row.Date), cmp.Compare(a.Row.Segment, b.Row.Segment),
			cmp.Compare(a.Row.Start, b.Row.Start), cmp.Compare(a.RPM, b.RPM), cmp.Compare(a.Load, b.Load),
			cmp.Compare(a.Pull, b.Pull))
	})
	out := map[string]int{}
	for i, s := range pulls {
		out[s.Pull] = i
	}
	return out
}

// daysOf are the shares of days that a pull is run in; one, which nothing reads, where there is no weather but the
// logs'.
func (b *bench) daysOf(pull, pulls int) []float64 {
	if b.days == nil {
		return []float64{0.5}
	}
	return daysOfPull(pull, pulls)
}

// addSteady adds the steady running of the cars and calibrations that the judged pulls are of.
func (b *bench) addSteady(m *Model, rows []evidence.Row, calibrations map[string]*state.Calibration, since string) {
	cars := map[string]bool{}
	for i := range b.visits {
		cars[b.visits[i].Car] = true
	}
	for i := range rows {
		r := &rows[i]
		if on := calibrations[r.Revision]; r.Kind == evidence.KindSteady && on != nil && cars[r.Vehicle] &&
			(r.Vehicle != b.car || loggedSince(r, since)) {
			b.logged = append(b.logged, logged{m.As(r, b.car).State, on})
		}
	}
}

// pick picks by the order of benchFor; line are the revision's ancestors, the nearest first. The car's own logs from
// before its last hardware change (since) show another car and are left out.
func (b *bench) pick(rows []*evidence.Row, rev *workspace.Revision, line []*workspace.Revision,
	since string) []*evidence.Row {
	all := evidence.Filter(rows, func(r *evidence.Row) bool { return r.Vehicle == b.car })
	own := evidence.Filter(all, func(r *evidence.Row) bool { return loggedSince(r, since) })
	if old := evidence.CountPulls(all) - evidence.CountPulls(own); old > 0 {
		b.notes = append(b.notes, BeforeHardware{Pulls: old, Date: since})
	}
	onRevision := evidence.Filter(own, func(r *evidence.Row) bool { return r.Revision == rev.ID })
	if evidence.CountPulls(onRevision) >= enoughOwnPulls {
		b.basis, b.onParent = BasisBoth, true
		return onRevision
	}
	for _, r := range line {
		onAncestor := evidence.Filter(own, func(row *evidence.Row) bool { return row.Revision == r.ID })
		if evidence.CountPulls(onAncestor) < enoughOwnPulls {
			continue
		}
		if b.onParent = r.ID == rev.Parent; !b.onParent {
			b.notes = append(b.notes, OtherCalibrations{Wanted: enoughOwnPulls, Parent: rev.Parent})
		}
		return onAncestor
	}
	if evidence.CountPulls(own) >= enoughOwnPulls {
		b.notes = append(b.notes, OtherCalibrations{Wanted: enoughOwnPulls, Parent: rev.Parent})
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
