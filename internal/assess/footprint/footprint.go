// Package footprint answers where a revision's tables differ from its parent's, which of that the judged pulls visit,
// and what in the tables stands alone. It compares tables (models/calmap) on the operating grid; it predicts nothing.
package footprint

import (
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
	"headroom/models/value"
)

// Of says where the revision's tables differ from those of another (from: its parent, or what the judged pulls ran; ""
// without one), which of that the judged visits are, and where its tables stand out from their own neighbourhood.
// visits are as the revision would run them, gaps what of its changes could not be computed on them.
func Of(p *state.Platform, ws *workspace.Workspace, rev *workspace.Revision, from string, visits []state.Visit,
	gaps []state.Gap) Footprint {
	none := result.Unknown()
	out := Footprint{From: from, Gaps: append([]state.Gap{}, gaps...), CellsChangedUnvisited: none,
		CellsVisitedUnchanged: none, Unvisited: []ChangedArea{}, Tables: []TableChange{}, Spikes: []Spike{}}
	child, err := state.CalibrationOf(ws, rev.ID)
	if err != nil {
		out.Obstacle = Obstacle{Kind: Unresolved, Fault: err.Error()}
		return out
	}
	g := gridFor(p, child, visits)
	pairs := pairsOf(ws, rev, from)
	out.StatesPastLastBreakpoint = pastLastBreakpoint(child, visits)
	for _, t := range pairs {
		out.Spikes = append(out.Spikes, g.spikes(t)...)
	}
	if from == "" {
		out.Obstacle = Obstacle{Kind: NoParent}
		return out
	}
	parent, err := state.CalibrationOf(ws, from)
	if err != nil {
		out.Obstacle = Obstacle{Kind: Unresolved, Fault: err.Error()}
		return out
	}
	out.Gaps = append(append([]state.Gap{}, state.Gaps(child.NotModelled(parent))...), gaps...)
	for _, t := range pairs {
		out.Tables = append(out.Tables, t.change())
	}
	g.count(pairs, &out)
	return out
}

// pastLastBreakpoint counts the visits that read a modelled table beyond its last breakpoint.
func pastLastBreakpoint(c *state.Calibration, visits []state.Visit) int {
	n := 0
	for i := range visits {
		past := false
		visits[i].Each(func(s *state.State) {
			for _, role := range state.ModelledRoles {
				if l, ok := c.Lookups[role]; ok {
					_, beyond, known := l.At(s)
					past = past || known && beyond
				}
			}
		})
		if past {
			n++
		}
	}
	return n
}

// tablePair is a table of the revision and that of the other in whose place it comes.
type tablePair struct {
	now, was *workspace.TableRef // was is nil where the parent has none
	diff     *calmap.Table       // revision minus parent, read by x and y; nil where the two cannot be compared
	why      Obstacle            // why not
	x, y     channel.ID          // y is "" for one axis
	modelled bool                // its effect is computed from states that know its axes
}

// pairsOf pairs the tables of a revision with what another runs, as far as either, or an ancestor that the two do not
// share, lists them. Other tables are the same. A table that the revision lacks has no pair: it is among the gaps.
func pairsOf(ws *workspace.Workspace, rev *workspace.Revision, from string) []tablePair {
	line, other := ws.Line(rev.ID), ws.Line(from)
	var out []tablePair
	seen := map[[2]string]bool{}
	for _, r := range append(without(line, other), without(other, line)...) {
		for i := range r.Tables {
			key := [2]string{r.Tables[i].Role, r.Tables[i].Name}
			if seen[key] || r.Tables[i].Table == nil {
				continue
			}
			seen[key] = true
			now, _ := ws.TableOf(rev.ID, key[0], key[1])
			if now == nil || now.Table == nil {
				continue
			}
			was, _ := ws.TableOf(from, key[0], key[1])
			out = append(out, pairOf(now, was))
		}
	}
	return out
}

// without are the revisions of a line that another line does not hold.
func without(line, other []*workspace.Revision) []*workspace.Revision {
	return slices.DeleteFunc(slices.Clone(line), func(r *workspace.Revision) bool {
		return slices.ContainsFunc(other, func(o *workspace.Revision) bool { return o.ID == r.ID })
	})
}

func pairOf(now, was *workspace.TableRef) tablePair {
	t := tablePair{now: now, was: was, x: now.X.Channel, y: axisOf(now.Y)}
	t.modelled = slices.Contains(state.ModelledRoles, now.Role) && state.Lookup{X: t.x, Y: t.y}.UnknownAxis() == ""
	if was == nil || was.Table == nil {
		t.was, t.why = nil, Obstacle{Kind: NoParentTable}
		return t
	}
	if t.y == "" {
		t.y = axisOf(was.Y)
	}
	if was.X.Channel != t.x || was.Y != nil && was.Y.Channel != t.y {
		t.why = Obstacle{Kind: OtherAxes}
		return t
	}
	if !slices.Contains(calmap.Roles(), now.Role) && !sameUnits(now, was) { // these are kept as written
		t.why = Obstacle{Kind: OtherUnits}
		return t
	}
	diff, err := calmap.Difference(now.Table, was.Table)
	if err != nil {
		t.why = Obstacle{Kind: Unresolved, Fault: err.Error()}
		return t
	}
	t.diff = diff
	return t
}

func axisOf(a *workspace.Axis) channel.ID {
	if a == nil {
		return ""
	}
	return a.Channel
}

func sameUnits(a, b *workspace.TableRef) bool {
	return a.Unit == b.Unit && a.X.Unit == b.X.Unit && (a.Y == nil || b.Y == nil || a.Y.Unit == b.Y.Unit)
}

// unit is the one a table's values are kept in.
func (t *tablePair) unit() string {
	if r, ok := calmap.RangeOf(t.now.Role); ok {
		return r.Unit
	}
	return t.now.Unit
}

// place names a breakpoint of the table; y is NaN in a one-axis table.
func (t *tablePair) place(x, y float64) []AxisValue {
	out := []AxisValue{{Channel: string(t.x), Value: result.Number(x), Unit: t.axisUnit(t.x, t.now.X.Unit)}}
	if math.IsNaN(y) {
		return out
	}
	written := t.now.Y
	if written == nil {
		written = t.was.Y
	}
	return append(out, AxisValue{Channel: string(t.y), Value: result.Number(y), Unit: t.axisUnit(t.y, written.Unit)})
}

// Breakpoint names a breakpoint of a table by its axes; y is NaN in a one-axis table.
func Breakpoint(of *workspace.TableRef, x, y float64) []AxisValue {
	t := tablePair{now: of, x: of.X.Channel, y: axisOf(of.Y)}
	return t.place(x, y)
}

// axisUnit is the channel's stored unit for tables whose axes are converted, else the one written.
func (t *tablePair) axisUnit(id channel.ID, written string) string {
	if d, ok := channel.Lookup(id); ok && slices.Contains(calmap.Roles(), t.now.Role) {
		return string(d.Unit)
	}
	return written
}

// change sums up how a table differs from the parent's.
func (t *tablePair) change() TableChange {
	none := result.Unknown()
	out := TableChange{Role: t.now.Role, Name: t.now.Name, File: t.now.File, Breakpoints: none,
		BreakpointsChanged: none,
		LargestChange:      none, Unit: t.unit(), At: []AxisValue{}, Obstacle: t.why}
	if t.diff == nil {
		return out
	}
	changes := t.diff.Changes(state.NoChange)
	out.Breakpoints, out.BreakpointsChanged = result.Number(len(t.diff.X)*len(t.diff.Z)), result.Number(len(changes))
	if len(changes) == 0 {
		return out
	}
	largest := changes[0]
	for _, c := range changes {
		if math.Abs(c.By) > math.Abs(largest.By) {
			largest = c
		}
	}
	out.LargestChange, out.At = result.Number(largest.By), t.place(largest.X, largest.Y)
	return out
}

// grid is the operating grid that a revision's tables span and its judged pulls visit.
type grid struct {
	p           *state.Platform
	cells       []state.CellKey // by load, then speed
	visited     map[state.CellKey]bool
	speeds      map[int]bool                 // speed bins with a visited cell
	pressures   map[state.CellKey][2]float64 // lowest and highest manifold pressure seen in a visited cell, kPa
	pressurePer float64                      // manifold pressure over load, kPa per %
}

// fullFilling is manifold pressure over load, kPa per %, where the cylinder traps air of the manifold's pressure at
// 25 °C: by the definition of absolute load (SAE J1979 PID 0x43; 1.184 g/L is air at 25 °C and 101.325 kPa).
const fullFilling = 1.01325

func gridFor(p *state.Platform, c *state.Calibration, visits []state.Visit) *grid {
	g := &grid{p: p, visited: map[state.CellKey]bool{}, speeds: map[int]bool{},
		pressures:   map[state.CellKey][2]float64{},
		pressurePer: fullFilling}
	var ratios []float64
	for i := range visits {
		visits[i].Each(func(s *state.State) {
			if !value.Known(s.RPM) || !value.Known(s.Load) {
				return
			}
			k := p.CellOf(s)
			g.visited[k], g.speeds[k[0]] = true, true
			if !(s.Load > 0) || !value.Known(s.Manifold) {
				return
			}
			ratios = append(ratios, s.Manifold/s.Load)
			seen, ok := g.pressures[k]
			if !ok {
				seen = [2]float64{s.Manifold, s.Manifold}
			}
			g.pressures[k] = [2]float64{min(seen[0], s.Manifold), max(seen[1], s.Manifold)}
		})
	}
	if len(ratios) > 0 {
		g.pressurePer = value.Median(ratios)
	}
	g.cells = g.spanned(c)
	return g
}

// spanned lists the cells that lie between the first and last breakpoints of any modelled table, and the visited ones.
func (g *grid) spanned(c *state.Calibration) []state.CellKey {
	speed, load := newReach(), newReach()
	for _, role := range state.ModelledRoles {
		l, ok := c.Lookups[role]
		if !ok {
			continue
		}
		for _, a := range []struct {
			id   channel.ID
			axis []float64
		}{{l.X, l.Table.X}, {l.Y, l.Table.Y}} {
			switch a.id {
			case channel.EngineSpeed:
				speed.widen(a.id, a.axis, g.p.RPMStep)
			case channel.AbsoluteLoad:
				load.widen(a.id, a.axis, g.p.LoadStep)
			case channel.ManifoldPressure:
				load.widen(a.id, a.axis, g.p.LoadStep*g.pressurePer)
			}
		}
	}
	seen := map[state.CellKey]bool{}
	for k := range g.visited {
		seen[k] = true
	}
	for r := speed.first; r < speed.end; r++ {
		for l := load.first; l < load.end; l++ {
			seen[state.CellKey{r, l}] = true
		}
	}
	out := make([]state.CellKey, 0, len(seen))
	for k := range seen {
		out = append(out, k)
	}
	slices.SortFunc(out, byLoadThenSpeed)
	return out
}

func byLoadThenSpeed(a, b state.CellKey) int {
	return slices.Compare([]int{a[1], a[0]}, []int{b[1], b[0]})
}

// reach is a span of bins, end excluded; empty when first is not below end.
type reach struct{ first, end int }

func newReach() reach { return reach{first: math.MaxInt, end: math.MinInt} }

// widen widens the span to the bins that an axis crosses, within what the channel can read.
func (r *reach) widen(id channel.ID, axis []float64, step float64) {
	d, ok := channel.Lookup(id)
	if !ok || len(axis) == 0 {
		return
	}
	low, high := math.Max(axis[0], d.Min), math.Min(axis[len(axis)-1], d.Max)
	if low > high {
		return
	}
	r.first = min(r.first, int(math.Floor(low/step)))
	r.end = max(r.end, int(math.Ceil(high/step)))
}

// span is what a table axis reads inside a cell. Pressure goes with load, and in a visited cell takes in what was
// seen there; other channels are not given by a cell, so the whole axis counts.
func (g *grid) span(k state.CellKey, id channel.ID, axis []float64) (low, high float64) {
	load := func(per float64) (float64, float64) {
		return float64(k[1]) * g.p.LoadStep * per, float64(k[1]+1) * g.p.LoadStep * per
	}
	switch id {
	case channel.EngineSpeed:
		return float64(k[0]) * g.p.RPMStep, float64(k[0]+1) * g.p.RPMStep
	case channel.AbsoluteLoad:
		return load(1)
	case channel.ManifoldPressure:
		low, high = load(g.pressurePer)
		if seen, ok := g.pressures[k]; ok {
			low, high = min(low, seen[0]), max(high, seen[1])
		}
		return low, high
	case channel.ThrottlePosition, channel.PedalPosition:
		return state.FullThrottle, state.FullThrottle
	}
	if len(axis) == 0 {
		return 0, 0
	}
	return axis[0], axis[len(axis)-1]
}

// largest is the value of largest magnitude that a table on a pair's axes has inside a cell.
func (g *grid) largest(k state.CellKey, t *tablePair, table *calmap.Table) float64 {
	var low, high calmap.State
	low.X, high.X = g.span(k, t.x, table.X)
	low.Y, high.Y = g.span(k, t.y, table.Y)
	return table.Largest(low, high)
}

// readByLoad reports whether the load of a state decides what the pair's tables say.
func (t *tablePair) readByLoad() bool {
	for _, id := range []channel.ID{t.x, t.y} {
		if id == channel.AbsoluteLoad || id == channel.ManifoldPressure {
			return true
		}
	}
	return false
}

// changesIn lists the tables that differ somewhere in a cell, with the largest difference there, NaN where the two
// cannot be compared. A table that is not read by load (boost by speed) changes the loads that pulls reach at a speed;
// where no pull has been at that speed, all of them.
func (g *grid) changesIn(k state.CellKey, pairs []tablePair) []RoleChange {
	var out []RoleChange
	for i := range pairs {
		t := &pairs[i]
		if !t.modelled || !t.readByLoad() && g.speeds[k[0]] && !g.visited[k] {
			continue
		}
		by := math.NaN()
		if t.diff != nil {
			by = g.largest(k, t, t.diff)
		}
		if !(math.Abs(by) <= state.NoChange) {
			out = append(out, RoleChange{Role: t.now.Role, Change: result.Number(by), Unit: t.unit()})
		}
	}
	return out
}

// count sorts the grid's cells by changed and visited.
func (g *grid) count(pairs []tablePair, out *Footprint) {
	unvisited := map[state.CellKey][]RoleChange{}
	visitedUnchanged := 0
	for _, k := range g.cells {
		changes := g.changesIn(k, pairs)
		switch {
		case len(changes) > 0 && g.visited[k]:
			out.CellsChangedVisited++
		case len(changes) > 0:
			unvisited[k] = changes
		case g.visited[k]:
			visitedUnchanged++
		}
	}
	out.CellsChanged = out.CellsChangedVisited + len(unvisited)
	out.CellsChangedUnvisited, out.CellsVisitedUnchanged = result.Number(len(unvisited)),
		result.Number(visitedUnchanged)
	out.Unvisited = g.areas(unvisited)
}

// areas covers cells with rectangles: from the first cell not yet covered, by load and then speed, as far as it goes
// along speed and then along load. The one with most cells comes first.
func (g *grid) areas(cells map[state.CellKey][]RoleChange) []ChangedArea {
	left := map[state.CellKey]bool{}
	for k := range cells {
		left[k] = true
	}
	out := []ChangedArea{}
	for _, from := range g.cells {
		if !left[from] {
			continue
		}
		to := grown(left, from)
		area := ChangedArea{Cells: (to[0] - from[0]) * (to[1] - from[1]), Changes: []RoleChange{}}
		low, high := g.p.Cell(from), g.p.Cell(state.CellKey{to[0] - 1, to[1] - 1})
		area.RPM, area.LoadPct = result.Span{low.RPM[0], high.RPM[1]}, result.Span{low.LoadPct[0], high.LoadPct[1]}
		for l := from[1]; l < to[1]; l++ {
			for r := from[0]; r < to[0]; r++ {
				delete(left, state.CellKey{r, l})
				area.keep(cells[state.CellKey{r, l}])
			}
		}
		out = append(out, area)
	}
	slices.SortStableFunc(out, func(a, b ChangedArea) int { return b.Cells - a.Cells })
	return out
}

// grown is the end, itself excluded, of the rectangle of cells in the set that starts at from.
func grown(set map[state.CellKey]bool, from state.CellKey) (to state.CellKey) {
	to = state.CellKey{from[0] + 1, from[1] + 1}
	for set[state.CellKey{to[0], from[1]}] {
		to[0]++
	}
	for {
		for r := from[0]; r < to[0]; r++ {
			if !set[state.CellKey{r, to[1]}] {
				return to
			}
		}
		to[1]++
	}
}

// keep keeps the largest change of each role; one that is not known outweighs any.
func (a *ChangedArea) keep(changes []RoleChange) {
	for _, c := range changes {
		i := slices.IndexFunc(a.Changes, func(old RoleChange) bool { return old.Role == c.Role })
		switch {
		case i < 0:
			a.Changes = append(a.Changes, c)
		case !(math.Abs(float64(c.Change)) <= math.Abs(float64(a.Changes[i].Change))):
			a.Changes[i] = c
		}
	}
}

// spikes lists the values of a table of the revision that stand alone, and in how many visited cells they are read.
func (g *grid) spikes(t tablePair) []Spike {
	var parent *calmap.Table
	if t.diff != nil {
		parent = t.was.Table
	}
	var out []Spike
	for _, s := range t.now.Table.Spikes(t.now.Role, parent) {
		found := Spike{
			Role: t.now.Role, Name: t.now.Name, File: t.now.File, At: t.place(s.X, s.Y), Unit: t.unit(),
			Value:      result.Number(s.Value),
			Neighbours: result.Span{result.Number(s.Neighbours[0]), result.Number(s.Neighbours[1])},
			Stands:     result.Number(s.Stands), ParentStands: result.Number(s.WasStanding), New: s.New(),
			VisitedCells: result.Unknown(),
		}
		if t.modelled {
			found.VisitedCells = result.Number(g.reading(&t, t.now.Table.Weight(s.Row, s.Column)))
		}
		out = append(out, found)
	}
	return out
}

// reading counts the visited cells in which a value has weight.
func (g *grid) reading(t *tablePair, weight *calmap.Table) int {
	n := 0
	for k := range g.visited {
		if g.largest(k, t, weight) > 0 {
			n++
		}
	}
	return n
}
