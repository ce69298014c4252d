package assess

import (
	"math"

	"headroom/internal/workspace"
	"headroom/models/channel"
)

// footprint counts the grid cells in which the revision's tables differ from its parent's, and how many of them the
// judged pulls visit.
func (p *platform) footprint(ws *workspace.Workspace, rev *workspace.Revision, b *bench) Footprint {
	out := Footprint{NotModelled: []string{}}
	child, err := calibrationOf(ws, rev.ID)
	if err != nil || rev.Parent == "" {
		return out
	}
	parent, err := calibrationOf(ws, rev.Parent)
	if err != nil {
		return out
	}
	out.NotModelled = append(out.NotModelled, child.notModelled(parent)...)
	visited := map[cellKey]bool{}
	for i := range b.states {
		visited[p.cellOf(&b.states[i])] = true
		if b.states[i].pastLastBreakpoint {
			out.StatesPastLastBreakpoint++
		}
	}
	speed, load := child.extent()
	for r := 0; float64(r)*p.rpmStep <= speed; r++ {
		for l := 0; float64(l)*p.loadStep <= load; l++ {
			if !p.changedAt(child, parent, r, l) {
				continue
			}
			out.CellsChanged++
			if visited[cellKey{r, l}] {
				out.CellsChangedVisited++
			}
		}
	}
	return out
}

// extent is the largest speed and load that any table has a breakpoint at.
func (c *calibration) extent() (speed, load float64) {
	take := func(id channel.ID, axis []float64) {
		if len(axis) == 0 {
			return
		}
		switch id {
		case channel.EngineSpeed:
			speed = math.Max(speed, axis[len(axis)-1])
		case channel.AbsoluteLoad:
			load = math.Max(load, axis[len(axis)-1])
		}
	}
	for _, role := range modelledRoles {
		if l, ok := c.lookups[role]; ok {
			take(l.x, l.table.X)
			take(l.y, l.table.Y)
		}
	}
	return speed, load
}

// changedAt reports whether any speed/load table differs at the middle of a grid cell. Tables read by other channels
// count where those channels do not matter for the difference, that is, everywhere on their speed axis.
func (p *platform) changedAt(child, parent *calibration, r, l int) bool {
	at := state{rpm: (float64(r) + 0.5) * p.rpmStep, load: (float64(l) + 0.5) * p.loadStep,
		manifold: math.NaN(), charge: math.NaN(), coolant: math.NaN(), ethanol: math.NaN()}
	for _, role := range modelledRoles {
		d, _, why := child.delta(role, &at, parent, &at)
		if why == "" && math.Abs(d) > 1e-9 {
			return true
		}
	}
	return false
}
