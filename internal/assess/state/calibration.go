package state

import (
	"fmt"
	"math"
	"slices"

	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// Calibration is a revision as the control unit would run it: its own tables, and for roles it does not list the
// nearest ancestor's, because a revision that ships three tables leaves the rest of the car's calibration alone.
type Calibration struct {
	ID      string
	Fuel    string            // that the revision is made for, of headroom.yaml; "" leaves the logged one
	Lookups map[string]Lookup // by role; modelled roles only
	Carried []carriedTable    // tables of other roles, by name
	unread  []Gap             // tables that cannot be looked up from a logged state
}

// Lookup is one table with what it is read by.
type Lookup struct {
	Table *calmap.Table
	X, Y  channel.ID // Y is "" for a one-axis table
}

type carriedTable struct {
	role, name string
	Lookup
}

// ModelledRoles are the table roles whose effect is computed; every other role is reported as changed, not modelled.
var ModelledRoles = []string{"spark", "lambda", "boost", "intake_cam"}

// SpeedLimit is the role of tables of the highest engine speed. A lower one leaves only speeds that pulls ran at.
const SpeedLimit = "speed_limit"

// CalibrationOf resolves a revision's tables through its ancestors.
func CalibrationOf(ws *workspace.Workspace, id string) (*Calibration, error) {
	c := &Calibration{ID: id, Lookups: map[string]Lookup{}}
	if r := ws.Revisions[id]; r != nil {
		c.Fuel = r.Fuel
	}
	seen := map[string]bool{}
	for at := id; at != ""; {
		r, ok := ws.Revisions[at]
		if !ok {
			return nil, fmt.Errorf("revision %s: ancestor %s is not in the workspace or could not be read; run with "+
				"revisions/%s/revision.yaml mended", id, at, at)
		}
		c.add(r, seen)
		at = r.Parent
	}
	return c, nil
}

// add adds the tables of one ancestor that nearer ones did not already supply.
func (c *Calibration) add(r *workspace.Revision, seen map[string]bool) {
	for _, t := range r.Tables {
		key := t.Role + "/" + t.Name
		if seen[key] || t.Table == nil {
			continue
		}
		seen[key] = true
		if !slices.Contains(ModelledRoles, t.Role) {
			c.Carried = append(c.Carried, carriedTable{t.Role, t.Name, LookupOf(&t)})
			continue
		}
		l := LookupOf(&t)
		if unknown := l.UnknownAxis(); unknown != "" {
			c.unread = append(c.unread, Gap{Kind: UnknownAxis, Role: t.Role, Revision: r.ID, Axis: unknown})
			continue
		}
		c.Lookups[t.Role] = l
	}
}

// LookupOf is how a table of a revision is read.
func LookupOf(t *workspace.TableRef) Lookup {
	l := Lookup{Table: t.Table, X: t.X.Channel}
	if t.Y != nil {
		l.Y = t.Y.Channel
	}
	return l
}

// UnknownAxis is an axis that no logged state knows, "" where all are known.
func (l Lookup) UnknownAxis() channel.ID {
	if !Supplies(l.X) {
		return l.X
	}
	if l.Y != "" && !Supplies(l.Y) {
		return l.Y
	}
	return ""
}

// At reads the table at a state. ok is false when the state does not know an axis.
func (l Lookup) At(s *State) (value float64, past, ok bool) {
	x := s.Axis(l.X)
	y := 0.0
	if l.Y != "" {
		y = s.Axis(l.Y)
	}
	if math.IsNaN(x) || math.IsNaN(y) {
		return 0, false, false
	}
	return l.Table.At(x, y), l.pastLast(x, y), true
}

// pastLast reports whether the state lies beyond the table's last breakpoint of an axis, where the control unit
// holds the edge value.
func (l Lookup) pastLast(x, y float64) bool {
	t := l.Table
	return x > t.X[len(t.X)-1] || (l.Y != "" && len(t.Y) > 0 && y > t.Y[len(t.Y)-1])
}

// delta is a table's value in this calibration at one state minus its value in another at a second state: what a
// revision adds to what was measured. Zero when neither calibration has the table, and with the reason where it cannot
// be told.
func (c *Calibration) delta(role string, at *State, from *Calibration, was *State) (change float64, gap *Gap) {
	now, hasNow := c.Lookups[role]
	then, hasThen := from.Lookups[role]
	if !hasNow && !hasThen {
		return 0, nil
	}
	switch {
	case hasNow == hasThen:
	case c.unreadOf(role) != nil:
		return 0, c.unreadOf(role)
	case from.unreadOf(role) != nil:
		return 0, from.unreadOf(role)
	case hasThen:
		return 0, &Gap{Kind: OneSided, Role: role, Revision: c.ID, Other: from.ID}
	default:
		return 0, &Gap{Kind: OneSided, Role: role, Revision: from.ID, Other: c.ID}
	}
	a, _, okA := now.At(at)
	b, _, okB := then.At(was)
	if !okA || !okB {
		return 0, &Gap{Kind: AxisNotLogged, Role: role}
	}
	return a - b, nil
}

// unreadOf is the gap of a role's table that cannot be looked up from a logged state, nil without one.
func (c *Calibration) unreadOf(role string) *Gap {
	for i := range c.unread {
		if c.unread[i].Role == role {
			return &c.unread[i]
		}
	}
	return nil
}

// NotModelled lists what changes between two calibrations without its effect being computed.
func (c *Calibration) NotModelled(parent *Calibration) []Gap {
	var out []Gap
	before := map[[2]string]Lookup{}
	for _, t := range parent.Carried {
		before[[2]string{t.role, t.name}] = t.Lookup
	}
	for _, t := range c.Carried {
		old, had := before[[2]string{t.role, t.name}]
		if !had {
			out = append(out, Gap{Kind: TableAdded, Role: t.role, Name: t.name})
			continue
		}
		if t.role == SpeedLimit && nowhereMore(t.Lookup, old) {
			continue // pulls have run at every speed that it leaves
		}
		if !old.same(t.Lookup) {
			out = append(out, Gap{Kind: TableChanged, Role: t.role, Name: t.name})
		}
	}
	return append(out, c.unread...)
}

// NoChange is the largest difference of two tables' values that is rounding.
const NoChange = 1e-9

// slopeSpan is the span of speed, rpm, over which a table's slope is taken; common practice, no source.
const slopeSpan = 100

// boostSlope is how steeply the boost table rises with speed at a state, kPa a rpm; 0 without a table, since the
// difference of two calibrations is what is asked for.
func (c *Calibration) boostSlope(s *State) float64 {
	l, ok := c.Lookups["boost"]
	if !ok {
		return 0
	}
	above, below := *s, *s
	above.RPM += slopeSpan / 2
	below.RPM -= slopeSpan / 2
	a, _, okA := l.At(&above)
	b, _, okB := l.At(&below)
	if !okA || !okB {
		return 0
	}
	return (a - b) / slopeSpan
}

// nowhereMore reports whether a table asks for no more than another at any state.
func nowhereMore(a, b Lookup) bool {
	d, err := calmap.Difference(a.Table, b.Table)
	if err != nil || a.X != b.X || a.Y != b.Y {
		return false
	}
	for _, row := range d.Z {
		for _, v := range row {
			if !(v <= 0) {
				return false
			}
		}
	}
	return true
}

// same reports whether two tables that are read by the same channels say the same everywhere, by whatever breakpoints.
func (l Lookup) same(other Lookup) bool {
	d, err := calmap.Difference(l.Table, other.Table)
	return err == nil && l.X == other.X && l.Y == other.Y && len(d.Changes(NoChange)) == 0
}

// commandedLambda is what the lambda table asks for at a state, for logs without commanded lambda; NaN without a table.
func (c *Calibration) commandedLambda(s *State) float64 { return c.ValueAt("lambda", s) }

// ValueAt is what a table asks for at a state; NaN without one, or where the state does not know an axis.
func (c *Calibration) ValueAt(role string, s *State) float64 {
	l, ok := c.Lookups[role]
	if !ok {
		return math.NaN()
	}
	v, _, ok := l.At(s)
	if !ok {
		return math.NaN()
	}
	return v
}
