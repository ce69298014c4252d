package assess

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/risk"
	"headroom/models/value"
)

// Unvisited is what was found of the changed values of tables that no judged pull reads: each judged as if the engine
// went there.
type Unvisited struct {
	Values    int              `json:"values"`     // changed values that no judged pull reads; inherited ones not
	NotJudged int              `json:"not_judged"` // of them where no logged state could be put
	Places    []UnvisitedPlace `json:"places"`     // the worst of each hazard and cell, those that matter first
}

// UnvisitedPlace is one hazard at a changed value of a table that no judged pull reads, if the engine goes there.
type UnvisitedPlace struct {
	Hazard   hazard.ID             `json:"hazard"`
	Severity hazard.Severity       `json:"severity"`
	Cell     result.Cell           `json:"cell"`
	At       []footprint.AxisValue `json:"at"`
	Role     string                `json:"role"`
	Change   result.Number         `json:"change"` // of the table there, revision minus Against
	RoleUnit string                `json:"role_unit"`
	Metric   metric.ID             `json:"metric"`
	Unit     string                `json:"unit"`
	Limit    result.Number         `json:"limit"`
	Margin   result.Number         `json:"margin"` // positive: inside the limit
	MarginSD result.Number         `json:"margin_sd"`

	Against   string `json:"against"`   // the revision that it is compared with
	Inherited bool   `json:"inherited"` // no change of this revision, but of an ancestor, that nobody drove

	// that a pull which goes there crosses, its interval, and that of Against
	IfVisited  result.Number `json:"probability_if_visited"`
	Interval90 result.Span   `json:"interval90"`
	Parent     result.Number `json:"parent_probability_if_visited"`

	// what is known of going there
	FleetCars  int        `json:"fleet_cars"`  // that were in the cell in a pull, on the fuel's class
	FleetPulls int        `json:"fleet_pulls"` // of theirs
	OfPulls    int        `json:"of_pulls"`    // of the platform
	OtherGear  *GearShare `json:"other_gear"`  // in which most go there, not the judged pulls'; nil: none
	Brings     []Stress   `json:"brings"`      // what brings a judged pull there

	Dangerous bool `json:"dangerous"` // passes the workspace's threshold, and by the revision's doing
}

// GearShare is how many of the fleet's pulls in a gear, on the fuel's class, go to a cell.
type GearShare struct {
	Gear    int `json:"gear"`
	Pulls   int `json:"pulls"` // that go there
	OfPulls int `json:"of_pulls"`
}

// gears counts the fleet's pulls by gear and cell.
type gears struct {
	judged float64 // the gear of most judged pulls
	all    map[int]map[string]bool
	in     map[state.CellKey]map[int]map[string]bool
}

// gearsOf reads the gears of pulls on a class of fuel, and which of them go to the cells of places.
func (m *Model) gearsOf(b *bench, rows []evidence.Row, class string, places []UnvisitedPlace) *gears {
	out := &gears{float64(b.usualGear()), map[int]map[string]bool{}, map[state.CellKey]map[int]map[string]bool{}}
	add := func(to map[int]map[string]bool, gear int, pull string) {
		if to[gear] == nil {
			to[gear] = map[string]bool{}
		}
		to[gear][pull] = true
	}
	speeds := map[int]bool{}
	for i := range places {
		key := m.keyOf(places[i].Cell)
		out.in[key], speeds[key[0]] = map[int]map[string]bool{}, true
	}
	for _, r := range evidence.PullRows(rows) {
		if !value.Known(r.Gear) || m.FuelClass(r.Fuel) != class {
			continue
		}
		gear, pull := int(math.Round(r.Gear)), evidence.PullID(r)
		add(out.all, gear, pull)
		if !speeds[int(math.Floor(value.Or(r.Bound.RPM, r.RPM)/m.RPMStep))] {
			continue
		}
		s := m.Read(r)
		if in, asked := out.in[m.CellOf(&s)]; asked {
			add(in, gear, pull)
		}
	}
	return out
}

// other is the gear in which the largest share of pulls goes to a cell, other than that of the judged pulls; nil
// without one.
func (g *gears) other(key state.CellKey) *GearShare {
	var best *GearShare
	for _, gear := range slices.Sorted(maps.Keys(g.in[key])) {
		share := &GearShare{Gear: gear, Pulls: len(g.in[key][gear]), OfPulls: len(g.all[gear])}
		if float64(gear) != g.judged && (best == nil || share.Pulls*best.OfPulls > best.Pulls*share.OfPulls) {
			best = share
		}
	}
	return best
}

// unvisited judges the changed values of a revision's tables that no visit of the bench reads. rows are what the
// fleet logged, stressed the bench under what may bring it to other cells. placed is the bench of the states put
// there, nil without one.
func (m *Model) unvisited(b *bench, rev *workspace.Revision, rows []evidence.Row, stressed []*bench, class string) (
	out Unvisited, placed *bench, err error) {
	out = Unvisited{Places: []UnvisitedPlace{}}
	news := footprint.Unread(m.ws, rev, b.from, b.visits)
	there, err := m.ifVisited(b, news, b.from, false)
	if err != nil {
		return out, nil, err
	}
	out.Values, out.NotJudged = there.values, there.notJudged
	all := there.places
	if first := m.firstOf(rev); first != b.from {
		kept, err := m.ifVisited(b, inherited(footprint.Unread(m.ws, rev, first, b.visits), news), first, true)
		if err != nil {
			return out, nil, err
		}
		for _, p := range kept.places {
			if p.Dangerous {
				all = append(all, p)
			}
		}
	}
	if len(all) == 0 {
		return out, there.placed, nil
	}
	byGear := m.gearsOf(b, rows, class, all)
	stressed = append(slices.Clone(stressed), m.ways(b)...)
	for i := range all {
		m.reach(&all[i], class, stressed)
		all[i].OtherGear = byGear.other(m.keyOf(all[i].Cell))
	}
	slices.SortStableFunc(all, func(a, b UnvisitedPlace) int {
		weight := func(p *UnvisitedPlace) float64 { return p.Severity.Weight() * float64(p.IfVisited) }
		return cmp.Or(-compareBool(a.Dangerous, b.Dangerous), cmp.Compare(weight(&b), weight(&a)))
	})
	for i := range all {
		if all[i].Dangerous || i < fewFindings {
			out.Places = append(out.Places, all[i])
		}
	}
	return out, there.placed, nil
}

// visitedThere is what values of tables that no pull reads come to if the engine goes there.
type visitedThere struct {
	placed            *bench // of the states put there, nil without one
	places            []UnvisitedPlace
	values, notJudged int // see Unvisited
}

// ifVisited judges values of tables that no pull reads against those of another calibration. Inherited ones are no
// change of the revision itself.
func (m *Model) ifVisited(b *bench, values []footprint.ChangedValue, against string, inherited bool) (out visitedThere,
	err error) {
	if len(values) == 0 {
		return out, nil
	}
	before, err := state.CalibrationOf(m.ws, against)
	if err != nil {
		return out, err
	}
	before.Fuel = b.child.Fuel // another fuel is a change of its own
	placed, of, same := m.placed(b, before, values)
	judged := map[int]bool{}
	for _, i := range of {
		judged[i] = true
	}
	out.values = len(values) - same
	out.notJudged = out.values - len(judged)
	if len(of) == 0 {
		return out, nil
	}
	out.placed = placed
	for _, h := range hazard.All() {
		evals, _, err := m.evaluations(placed, h)
		if err != nil {
			return out, err
		}
		for _, e := range evals {
			worst, err := m.worstPlaces(placed, e, values, of, inherited)
			if err != nil {
				return out, err
			}
			out.places = append(out.places, worst...)
		}
	}
	for i := range out.places {
		out.places[i].Against, out.places[i].Inherited = against, inherited
	}
	return out, nil
}

// firstOf is a revision's first ancestor, "" without one: a change that nobody drove is as unproven in a child that
// keeps it.
func (m *Model) firstOf(rev *workspace.Revision) string {
	line := m.ws.Ancestry(rev.ID)
	if len(line) == 0 {
		return ""
	}
	return line[len(line)-1].ID
}

// inherited are the values among some that are not among the new ones.
func inherited(all, news []footprint.ChangedValue) []footprint.ChangedValue {
	return slices.DeleteFunc(all, func(v footprint.ChangedValue) bool {
		return slices.ContainsFunc(news, func(n footprint.ChangedValue) bool {
			return n.Role == v.Role && slices.Equal(n.Axes, v.Axes)
		})
	})
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// unheardBoost is by how much, kPa, a boost target may be raised where no logged turbocharger follows it without that
// being said; common practice, no source: as far as control scatters.
const unheardBoost = 5

// fewestDraws is as few parameter draws as models/risk takes.
const fewestDraws = 2

// placed is a bench of logged states put at places: for each the nearest of the bench's own logs, each of another pull,
// as the revision and as another calibration runs there. of is the place of each visit. Values of tables that are read
// by other axes than the other's get their difference from the states put there; same counts those that have none.
func (m *Model) placed(b *bench, before *state.Calibration, values []footprint.ChangedValue) (out *bench, of []int,
	same int) {
	bench := *b
	bench.visits, bench.parent, bench.cells, bench.placed = nil, nil, nil, true
	bench.draws = fewestDraws // each place is judged by itself, which takes none
	from := make([]*state.State, len(b.logged))
	for k := range b.logged {
		from[k] = &b.logged[k].state
	}
	for i := range values {
		v := &values[i]
		asked, equal := !value.Known(v.By), false
		for _, k := range m.Donors(from, v.Place) {
			d := &b.logged[k]
			next, _, ok := m.MoveTo(&d.state, d.on, b.child, v.Place)
			if !ok {
				continue
			}
			was, _, ok := m.MoveTo(&d.state, d.on, before, v.Place)
			if !ok {
				continue
			}
			if v.Role == calmap.RoleBoost && v.By > unheardBoost && !(next.Manifold > was.Manifold) {
				continue // a turbocharger that makes nothing there yet does not tell what it makes of more
			}
			if asked {
				by := v.Change(&next)
				equal = equal || value.Known(by)
				if !v.Changes(by) {
					continue
				}
				if !(math.Abs(v.By) >= math.Abs(by)) {
					v.By = by
				}
			}
			bench.visits = append(bench.visits, state.Visit{State: next})
			bench.parent = append(bench.parent, state.Visit{State: was})
			of = append(of, i)
		}
		if asked && equal && !value.Known(v.By) {
			same++
		}
	}
	return &bench, of, same
}

// logged is a logged state with the calibration it was made on.
type logged struct {
	state state.State
	on    *state.Calibration
}

// placeSum adds up what the states put at a place come to.
type placeSum struct{ n, p, low, high, was, wasHigh, margin, sd, lost, limit float64 }

// takes reports whether it is the revision that makes a place dangerous. Where the parent stays below the threshold
// it is what the chance or the margin moves; where the parent passes it too, as limits meant for full load do at part
// load, only a margin lost that stands out of its deviation. Shares: common practice, no source.
func (s *placeSum) takes(threshold float64) bool {
	if s.wasHigh/s.n <= threshold {
		return (s.p-s.was)/s.n > threshold/2 || s.lost > 0.5*s.sd
	}
	return s.lost > 1.5*s.sd
}

// moves tells whether a table can move a hazard at all: mixture and fuel do not follow spark, nor do charge and boost
// follow spark or the mixture.
func moves(role string, id hazard.ID) bool {
	switch id {
	case hazard.Lean, hazard.FuelDelivery, hazard.RailPressure:
		return role != calmap.RoleSpark
	case hazard.ChargeTemperature, hazard.BoostControl:
		return role != calmap.RoleSpark && role != calmap.RoleLambda
	}
	return true
}

// worstPlaces is the worst place of an evaluation in each cell. An inherited one is dangerous where it is more likely
// than the threshold, a new one where that cannot be ruled out.
func (m *Model) worstPlaces(b *bench, e *evaluation, values []footprint.ChangedValue, of []int, inherited bool) (
	[]UnvisitedPlace, error) {
	sums := map[int]*placeSum{}
	var order []int
	for _, pt := range e.points {
		if !moves(values[of[pt.index]].Role, e.hazard) {
			continue
		}
		now, err := risk.OneVisit(e.problem, risk.State{Margin: pt.margin, Grad: pt.gradient})
		if err != nil {
			return nil, err
		}
		if !value.Known(pt.parentMargin) {
			continue
		}
		was, err := risk.OneVisit(e.problem, risk.State{Margin: pt.parentMargin,
			Grad: e.predictor.gradient(&b.parent[pt.index].State)})
		if err != nil {
			return nil, err
		}
		k := of[pt.index]
		s := sums[k]
		if s == nil {
			s = &placeSum{}
			sums[k] = s
			order = append(order, k)
		}
		s.n++
		s.p, s.low, s.high = s.p+now.Probability, s.low+now.Low, s.high+now.High
		s.was, s.wasHigh = s.was+was.Probability, s.wasHigh+was.High
		s.margin, s.sd, s.lost = s.margin+pt.margin, s.sd+now.Margin.SD, s.lost+pt.parentMargin-pt.margin
		s.limit += pt.limit
	}
	threshold, limited := m.decision().HoldProbability[e.severity]
	cells := evidence.NewIndex[state.CellKey]()
	var out []UnvisitedPlace
	for _, k := range order {
		s := sums[k]
		p := UnvisitedPlace{
			Hazard: e.hazard, Severity: e.severity, At: values[k].Axes, Role: values[k].Role,
			Change: result.Number(values[k].By), RoleUnit: values[k].Unit, Metric: e.ID, Unit: e.Unit,
			Limit: result.Number(s.limit / s.n), Margin: result.Number(s.margin / s.n),
			MarginSD: result.Number(s.sd / s.n), IfVisited: result.Number(s.p / s.n),
			Interval90: result.Span{result.Number(s.low / s.n), result.Number(s.high / s.n)},
			Parent:     result.Number(s.was / s.n),
		}
		chance := s.high
		if inherited {
			chance = s.p
		}
		p.Dangerous = limited && e.severity.Serious() && chance/s.n > threshold && s.takes(threshold)
		key := m.cellAt(b, of, k)
		p.Cell = m.Cell(key)
		at := cells.Of(key)
		switch {
		case at == len(out):
			out = append(out, p)
		case worse(&p, &out[at]):
			out[at] = p
		}
	}
	return out, nil
}

func worse(a, b *UnvisitedPlace) bool {
	if a.Dangerous != b.Dangerous {
		return a.Dangerous
	}
	return a.IfVisited > b.IfVisited
}

// cellAt is the cell of a place, as the first state put there runs it.
func (m *Model) cellAt(b *bench, of []int, k int) state.CellKey {
	return m.CellOf(&b.visits[slices.Index(of, k)].State)
}

// reach fills in what is known of an engine going to a place.
func (m *Model) reach(p *UnvisitedPlace, class string, stressed []*bench) {
	p.Brings = []Stress{}
	p.OfPulls = m.Pulls
	key := m.keyOf(p.Cell)
	for _, q := range metric.All() {
		e, ok := m.Envelopes[fleet.EnvelopeKey{Kind: evidence.KindPull, Class: class, Metric: q.ID, Cell: key}]
		if ok && e.Pulls > p.FleetPulls {
			p.FleetCars, p.FleetPulls = e.Cars, e.Pulls
		}
	}
	for _, b := range stressed {
		goes := slices.ContainsFunc(b.visits, func(v state.Visit) bool {
			there := m.CellOf(&v.State) == key
			for i := range v.Others {
				there = there || m.CellOf(&v.Others[i]) == key
			}
			return there
		})
		if goes {
			p.Brings = append(p.Brings, stressOf(b.stress))
		}
	}
}

// keyOf is the grid cell with the given edges.
func (m *Model) keyOf(c result.Cell) state.CellKey {
	return state.CellKey{int(math.Round(float64(c.RPM[0]) / m.RPMStep)),
		int(math.Round(float64(c.LoadPct[0]) / m.LoadStep))}
}
