package assess

import (
	"cmp"
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
	"headroom/models/risk"
	"headroom/models/value"
)

// Unvisited is what was found of the changed values of tables that no judged pull reads: each judged as if the engine
// went there.
type Unvisited struct {
	Values    int              `json:"values"`     // changed values that no judged pull reads
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
	Change   result.Number         `json:"change"` // of the table there, revision minus parent
	RoleUnit string                `json:"role_unit"`
	Metric   metric.ID             `json:"metric"`
	Unit     string                `json:"unit"`
	Limit    result.Number         `json:"limit"`
	Margin   result.Number         `json:"margin"` // positive: inside the limit
	MarginSD result.Number         `json:"margin_sd"`

	// that a pull which goes there crosses, its interval, and the parent's
	IfVisited  result.Number `json:"probability_if_visited"`
	Interval90 result.Span   `json:"interval90"`
	Parent     result.Number `json:"parent_probability_if_visited"`

	// what is known of going there
	FleetCars  int      `json:"fleet_cars"`  // that were in the cell in a pull, on the fuel's class
	FleetPulls int      `json:"fleet_pulls"` // of theirs
	OfPulls    int      `json:"of_pulls"`    // of the platform
	Brings     []Stress `json:"brings"`      // stresses that bring a judged pull there

	Dangerous bool `json:"dangerous"` // passes the workspace's threshold, and by the revision's doing
}

// unvisited judges the changed values of a revision's tables that no visit of the bench reads.
// placed is the bench of the states it put there, nil without one.
func (m *Model) unvisited(b *bench, rev *workspace.Revision, stressed []*bench, class string) (out Unvisited,
	placed *bench, err error) {
	out = Unvisited{Places: []UnvisitedPlace{}}
	values := footprint.Unread(m.ws, rev, b.visits)
	out.Values = len(values)
	if len(values) == 0 {
		return out, nil, nil
	}
	placed, of := m.placed(b, values)
	judged := map[int]bool{}
	for _, i := range of {
		judged[i] = true
	}
	out.NotJudged = out.Values - len(judged)
	if len(of) == 0 {
		return out, nil, nil
	}
	var all []UnvisitedPlace
	for _, h := range hazard.All() {
		evals, _, err := m.evaluations(placed, h)
		if err != nil {
			return out, nil, err
		}
		for _, e := range evals {
			worst, err := m.worstPlaces(placed, e, values, of)
			if err != nil {
				return out, nil, err
			}
			all = append(all, worst...)
		}
	}
	for i := range all {
		m.reach(&all[i], class, stressed)
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
	return out, placed, nil
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

// placed is a bench of logged states put at places: for each the nearest of the bench's own logs, each of another pull.
// of is the place of each visit.
func (m *Model) placed(b *bench, values []footprint.ChangedValue) (out *bench, of []int) {
	bench := *b
	bench.visits, bench.parent, bench.cells, bench.placed = nil, nil, nil, true
	from := make([]*state.State, len(b.logged))
	for k := range b.logged {
		from[k] = &b.logged[k].state
	}
	for i := range values {
		for _, k := range m.Donors(from, values[i].Place) {
			d := &b.logged[k]
			next, _, ok := m.MoveTo(&d.state, d.on, b.child, values[i].Place)
			if !ok {
				continue
			}
			was, _, ok := m.MoveTo(&d.state, d.on, b.before, values[i].Place)
			if !ok {
				continue
			}
			bench.visits = append(bench.visits, state.Visit{State: next})
			bench.parent = append(bench.parent, state.Visit{State: was})
			of = append(of, i)
		}
	}
	return &bench, of
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

// worstPlaces is the worst place of an evaluation in each cell.
func (m *Model) worstPlaces(b *bench, e *evaluation, values []footprint.ChangedValue, of []int) ([]UnvisitedPlace,
	error) {
	sums := map[int]*placeSum{}
	var order []int
	for _, pt := range e.points {
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
		p.Dangerous = limited && e.severity.Serious() && s.high/s.n > threshold &&
			s.takes(threshold)
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
