package assess

import (
	"cmp"
	"slices"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/result"
)

// farOutside is the distance, in units of the cut, from which nothing that was learnt of the fleet is relied on; common
// practice, no source.
const farOutside = 6

// worthMoving is how far, in units of the cut, a revision must move a state for its distance to be the revision's
// doing; common practice, no source.
const worthMoving = 0.5

// Support is how far what a revision asks of the engine lies from what the fleet has logged.
type Support struct {
	Cars    int        `json:"cars"`    // that tell, 0: too few do
	Visits  int        `json:"visits"`  // logged visits of theirs
	Outside []FarState `json:"outside"` // cells that the revision takes outside, furthest first
	// of a judged state; 1: one in a hundred of a car's lies further from all other cars'
	Largest result.Number `json:"largest"`

	visited map[state.CellKey]float64 // distance, in cells outside that judged pulls go to
}

// Standing is where a state lies of what was logged.
type Standing int

// Standings, from the nearest.
const (
	Within     Standing = iota // of what was logged, or not known to lie elsewhere
	Outside                    // the revision takes it where no log was
	FarOutside                 // so far that nothing learnt is relied on
)

// standing is where the judged states of a cell lie.
func (s *Support) standing(key state.CellKey) Standing {
	switch d := s.visited[key]; {
	case d > farOutside:
		return FarOutside
	case d > 0:
		return Outside
	}
	return Within
}

// standings says of each point of the curves where its state lies.
func (s *Support) standings(curves []Curve) {
	for i := range curves {
		for j := range curves[i].Points {
			p := &curves[i].Points[j]
			p.Standing = s.standing(p.cell)
		}
	}
}

// FarState is a cell in which the revision takes the engine where no log was.
type FarState struct {
	Cell     result.Cell   `json:"cell"`
	Distance result.Number `json:"distance"` // in the unit of fleet.Distance; not visited, of fleet.PlacedApart
	Mostly   fleet.Feature `json:"mostly"`   // what sets it apart
	Visited  bool          `json:"visited"`  // a judged pull goes there; else only a changed value of a table does
}

// note keeps the further of two states of a cell; one of a judged pull stands before one that was put there, because it
// alone can leave a revision undecided.
func (f *FarState) note(d result.Number, mostly fleet.Feature, visited bool) {
	if visited == f.Visited && d > f.Distance || visited && !f.Visited {
		f.Distance, f.Mostly, f.Visited = d, mostly, visited
	}
}

// Small moves that still count as milder: of peak pressure, a share, of commanded lambda, and of exhaust temperature,
// K; common practice, no source.
const (
	samePeak    = 0.01
	sameLambda  = 0.005
	sameExhaust = 30
)

// gentler reports whether a state asks no more of the engine than the parent does there: no more cylinder pressure, no
// leaner mixture and no hotter exhaust. Going a little way from the logs that way is no danger.
func gentler(now, was *state.State) bool {
	leaner := now.LambdaCommanded - was.LambdaCommanded
	hotter := now.Simulated.ExhaustC - was.Simulated.ExhaustC
	return now.Simulated.PeakKPa <= (1+samePeak)*was.Simulated.PeakKPa && !(leaner > sameLambda) &&
		!(hotter > sameExhaust)
}

// supportOf sets the states of a bench, and those put at changed values that no pull reads, against the logged ones.
func (m *Model) supportOf(b, placed *bench) Support {
	out := Support{Outside: []FarState{}, Largest: result.Unknown(), visited: map[state.CellKey]float64{}}
	if m.Fit.Support == nil {
		return out
	}
	out.Cars, out.Visits = m.Fit.Support.Cars, m.Fit.Support.Visits
	own := make([]*state.State, 0, len(b.logged))
	for i := range b.logged {
		if s := &b.logged[i].state; s.Row.Kind == evidence.KindPull {
			own = append(own, s)
		}
	}
	cells := evidence.NewIndex[state.CellKey]()
	note := func(key state.CellKey, d float64, mostly fleet.Feature, visited bool) {
		at := cells.Of(key)
		if at == len(out.Outside) {
			out.Outside = append(out.Outside, FarState{Cell: m.Cell(key)})
		}
		out.Outside[at].note(result.Number(d), mostly, visited)
	}
	for i := range b.visits {
		d, mostly := m.Distance(&b.visits[i].State, own)
		if d > 0 && !(d <= float64(out.Largest)) {
			out.Largest = result.Number(d)
		}
		if !(d > 1) || d <= farOutside && gentler(&b.visits[i].State, &b.parent[i].State) {
			continue
		}
		was, _ := m.Distance(&b.parent[i].State, own)
		if moved, _ := m.Apart(&b.visits[i].State, &b.parent[i].State); d > was && moved > worthMoving {
			key := b.cellOf(m, i)
			note(key, d, mostly, true)
			out.visited[key] = max(out.visited[key], d)
		}
	}
	if placed != nil {
		for i := range placed.visits {
			now, was := &placed.visits[i].State, &placed.parent[i].State
			if d, mostly := m.PlacedApart(now, was); d > farOutside || d > 1 && !gentler(now, was) {
				note(m.CellOf(now), d, mostly, false)
			}
		}
	}
	slices.SortStableFunc(out.Outside, func(a, b FarState) int { return cmp.Compare(b.Distance, a.Distance) })
	return out
}

// outside are the reasons that a revision takes the engine where no log was: far is one that leaves it undecided.
func (s *Support) reasons() (near, far result.Reasons) {
	var cells []result.Cell
	for _, f := range s.Outside {
		cells = append(cells, f.Cell)
	}
	if len(cells) == 0 {
		return nil, nil
	}
	reason := FarFromLogged{Cells: cells, Furthest: s.Outside[0], Cars: s.Cars}
	i := slices.IndexFunc(s.Outside, func(f FarState) bool { return f.Visited })
	if i >= 0 && float64(s.Outside[i].Distance) > farOutside {
		reason.Furthest = s.Outside[i]
		return nil, result.Reasons{reason}
	}
	return result.Reasons{reason}, nil
}
