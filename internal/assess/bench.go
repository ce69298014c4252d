package assess

import (
	"fmt"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/say"
	"headroom/internal/workspace"
)

// Bases of a prediction.
const (
	BasisPredicted = "predicted" // from logs of other calibrations
	BasisMeasured  = "measured"  // a crossing seen in the revision's own logs
	BasisBoth      = "both"      // the revision's own logs, with the fleet's model
)

// enoughOwnPulls is how many pulls of one calibration describe how a car runs it; common practice, no source.
const enoughOwnPulls = 3

// fleetPulls bounds how many pulls of other cars stand in for a car without logs: one per car and calibration first,
// then the rest in evidence order.
const fleetPulls = 60

// benchFor picks the logged pulls a revision is judged on and runs both calibrations on them. In order of preference:
// the revision's own logs, the parent's, the car's other calibrations, and last the fleet's, for a car not seen.
// car is the id the evidence knows the revision's car by, "" for a revision meant for the fleet; since is the day of
// its last hardware change, "" without one.
func (p *platform) benchFor(f *platformFit, ws *workspace.Workspace, rows []evidence.Row, rev *workspace.Revision, car,
	since string) (*bench, error) {
	b := &bench{car: car, named: car != "", basis: BasisPredicted}
	picked := p.pickRows(b, evidence.PullRows(rows), rev, since)
	if len(picked) == 0 {
		return nil, fmt.Errorf("revision %s: platform %s has no logged pull: put logs under "+
			"runs/<vehicle>/<revision>/ and run headroom ingest", rev.ID, rev.Platform)
	}
	child, err := calibrationOf(ws, rev.ID)
	if err != nil {
		return nil, err
	}
	parent := child
	if rev.Parent != "" {
		if parent, err = calibrationOf(ws, rev.Parent); err != nil {
			return nil, err
		}
	}
	notes, lost := newIndex[string](), newIndex[string]()
	logged := map[string]*calibration{}
	for _, r := range picked {
		from, ok := logged[r.Revision]
		if !ok {
			if from, err = calibrationOf(ws, r.Revision); err != nil {
				notes.of(fmt.Sprintf("pulls logged on %s left out: %v", r.Revision, err))
				from = nil
			}
			logged[r.Revision] = from
		}
		if from == nil {
			continue
		}
		s := visitOf(r)
		s.each(func(s *state) { s.fuel, s.pumpKnee = rev.Fuel, f.kneeOf(b.car) })
		s.each(f.knowRail)
		s.each(p.knowManifold)
		s.each(p.simulate)
		next, why := p.moveVisit(&s, from, child)
		was, _ := p.moveVisit(&s, from, parent)
		for _, w := range why {
			lost.of(w + ": change not modelled")
		}
		b.states = append(b.states, next)
		b.parent = append(b.parent, was)
	}
	if len(b.states) == 0 {
		return nil, fmt.Errorf("revision %s: none of %d logged rows can be used: %v", rev.ID, len(picked), notes.keys)
	}
	b.notes = append(b.notes, notes.keys...)
	b.notModelled = slices.Sorted(slices.Values(lost.keys))
	slices.Sort(b.notes)
	return b, nil
}

// pickRows picks by the order of benchFor. The car's own logs from before its last hardware change (since) show another
// car and are left out.
func (p *platform) pickRows(b *bench, rows []*evidence.Row, rev *workspace.Revision, since string) []*evidence.Row {
	all := evidence.Filter(rows, func(r *evidence.Row) bool { return r.Vehicle == b.car })
	own := evidence.Filter(all, func(r *evidence.Row) bool { return r.Date == "" || r.Date >= since })
	if old := evidence.CountPulls(all) - evidence.CountPulls(own); old > 0 {
		b.notes = append(b.notes, fmt.Sprintf("%s of this car from before its hardware change on %s are left out",
			say.Count(old, "pull"), since))
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
		b.notes = append(b.notes, fmt.Sprintf("fewer than %d pulls of this car on the parent: its pulls on other "+
			"calibrations are used, moved by the difference of the tables", enoughOwnPulls))
		return own
	}
	if b.car != "" {
		b.notes = append(b.notes, fmt.Sprintf("this car has %d logged pulls: other cars of the platform stand in for "+
			"it, with the spread between cars added", evidence.CountPulls(own)))
	}
	if len(own) == 0 {
		b.car = ""
	}
	return spreadOverCars(rows)
}

// spreadOverCars takes whole pulls in turns over cars and calibrations, so that a car that logs a lot does not drown
// the others, up to fleetPulls.
func spreadOverCars(rows []*evidence.Row) []*evidence.Row {
	groups := newIndex[string]()
	var byGroup [][][]*evidence.Row
	last := ""
	for _, r := range rows {
		g := groups.of(r.Vehicle + "\x00" + r.Revision)
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
