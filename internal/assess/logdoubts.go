package assess

import (
	"maps"
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/lifetime"
	"headroom/models/value"
)

// offTable is how far, in the median, logs may lie from the table of the revision that they are filed under: control
// units correct for heat and altitude, and protect parts. Common practice, no source.
var offTable = []struct {
	role string
	far  float64
	ran  func(s *state.State) float64
}{
	{calmap.RoleSpark, 3, func(s *state.State) float64 { return s.Spark }},
	{calmap.RoleLambda, 0.04, func(s *state.State) float64 {
		if s.LookedUp {
			return math.NaN()
		}
		return s.LambdaCommanded
	}},
	{calmap.RoleBoost, 15, func(s *state.State) float64 { return s.Target }},
}

// logDoubts are what in the judged logs themselves cannot be, or is not what they are said to be.
func (m *Model) logDoubts(b *bench) result.Reasons {
	return append(m.offTables(b), chargeBelowAmbient(b)...)
}

// offTables are the judged revisions of which the logs lie far from their own tables.
func (m *Model) offTables(b *bench) (out result.Reasons) {
	var revisions []string
	by := map[string][]*logged{}
	for i := range b.logged {
		l := &b.logged[i]
		if l.state.Row.Kind != evidence.KindPull {
			continue
		}
		if by[l.on.ID] == nil {
			revisions = append(revisions, l.on.ID)
		}
		by[l.on.ID] = append(by[l.on.ID], l)
	}
	for _, id := range revisions {
		for _, t := range offTable {
			var apart []float64
			pulls := evidence.NewIndex[string]()
			for _, l := range by[id] {
				if d := t.ran(&l.state) - l.on.ValueAt(t.role, &l.state); value.Known(d) {
					apart = append(apart, d)
					pulls.Of(l.state.Pull)
				}
			}
			if median := value.Median(apart); len(apart) >= enoughPairs && math.Abs(median) > t.far {
				r, _ := calmap.RangeOf(t.role)
				out = append(out, LogsOffTable{Revision: id, Role: t.role, By: result.Number(median), Unit: r.Unit,
					Pulls: len(pulls.Keys)})
			}
		}
	}
	return out
}

// farBelow is how far below ambient, K, the median charge behind a compressor may be logged: two sensors and what
// ambient does in a drive. Common practice, no source; physics allows none.
const farBelow = 3

// chargeBelowAmbient doubts the charge temperature of a car whose charge is colder than the air outside while it is
// compressed.
func chargeBelowAmbient(b *bench) result.Reasons {
	byCar := map[string][]float64{}
	pulls := map[string]map[string]bool{}
	for i := range b.logged {
		s := &b.logged[i].state
		if s.Row.Kind != evidence.KindPull || !(s.Manifold > s.Barometer) || !value.Known(s.Row.ChargeTemperature) ||
			!value.Known(s.Row.Ambient) {
			continue
		}
		if pulls[s.Car] == nil {
			pulls[s.Car] = map[string]bool{}
		}
		byCar[s.Car] = append(byCar[s.Car], s.Row.ChargeTemperature-s.Row.Ambient)
		pulls[s.Car][s.Pull] = true
	}
	worst := ChargeBelowAmbient{}
	for _, car := range slices.Sorted(maps.Keys(byCar)) {
		if by := -value.Median(byCar[car]); by > math.Max(farBelow, float64(worst.By)) {
			worst = ChargeBelowAmbient{By: result.Number(by), Pulls: len(pulls[car])}
		}
	}
	if worst.Pulls == 0 {
		return nil
	}
	return result.Reasons{worst}
}

// recordAgainst holds the share of the parent's judged pulls that crossed a hazard's limit against what is computed for
// the parent; nil where chance may have done it, or nothing was measured.
func (m *Model) recordAgainst(b *bench, e *evaluation, h *Hazard) *RecordAgainst {
	var rows []*evidence.Row
	for i := range b.logged {
		r := b.logged[i].state.Row
		ran := b.logged[i].on.ID
		if r.Kind == evidence.KindPull && ran == b.before.ID && ran != b.child.ID && !m.UnheardIn(r) {
			rows = append(rows, r)
		}
	}
	out := RecordAgainst{Hazard: h.Hazard, Severity: h.Severity, Parent: h.Parent, High: h.parentHigh}
	for _, margin := range m.pullMargins(m.AsRead(), e.hazard, e.ID, rows) {
		out.Of++
		if margin < 0 {
			out.Crossed++
		}
	}
	if out.Crossed == 0 {
		return nil
	}
	low, err := lifetime.ShareLower(out.Crossed, out.Of, knownSure)
	if err != nil || low <= float64(h.parentHigh) {
		return nil
	}
	out.Low = result.Number(low)
	return &out
}

// knownSure is the one-sided confidence of both bounds that recordAgainst compares: the ends of 90 % intervals.
const knownSure = 0.95

// fileContradictions notes what the workspace's files say against each other about a revision, which no computation
// tells: the fuel of its car, and its date; and that it, or what it was made from, was withdrawn.
func (m *Model) fileContradictions(rev *workspace.Revision, car string) (out result.Reasons) {
	if v := m.vehicles[car]; v != nil && v.Fuel != "" && rev.Fuel != "" && v.Fuel != rev.Fuel {
		out = append(out, CarOnOtherFuel{Car: rev.Vehicle, Fuel: v.Fuel, Revision: rev.Fuel})
	}
	if v := m.vehicles[car]; v != nil && v.HardwareDate == "" && v.Hardware != "" && v.Hardware != workspace.Stock {
		out = append(out, HardwareUndated{Car: rev.Vehicle, Hardware: v.Hardware})
	}
	if p := m.ws.Revisions[rev.Parent]; p != nil && rev.Date != "" && p.Date != "" && rev.Date < p.Date {
		out = append(out, DatedBeforeParent{Date: rev.Date, Parent: p.ID, ParentDate: p.Date})
	}
	for _, r := range append([]*workspace.Revision{rev}, m.ws.Ancestry(rev.ID)...) {
		if r.Status == workspace.Withdrawn {
			return append(out, Withdrawn{Revision: r.ID, Own: r.ID == rev.ID})
		}
	}
	return out
}

// loggedBeforeMade notes judged logs that are dated before the revision that they are filed under was made.
func (m *Model) loggedBeforeMade(judged []logged) (out result.Reasons) {
	revisions := evidence.NewIndex[string]()
	var first []string
	var pulls []map[string]bool
	for i := range judged {
		row := judged[i].state.Row
		r := m.ws.Revisions[judged[i].on.ID]
		if r == nil || row.Kind != evidence.KindPull || row.Date == "" || row.Date >= r.Date {
			continue
		}
		k := revisions.Of(r.ID)
		if k == len(first) {
			first, pulls = append(first, row.Date), append(pulls, map[string]bool{})
		}
		first[k] = min(first[k], row.Date)
		pulls[k][evidence.PullID(row)] = true
	}
	for k, id := range revisions.Keys {
		out = append(out, LoggedBeforeRevision{Revision: id, Date: m.ws.Revisions[id].Date, First: first[k],
			Pulls: len(pulls[k])})
	}
	return out
}
