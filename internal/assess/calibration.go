package assess

import (
	"fmt"
	"math"
	"slices"

	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// calibration is a revision as the control unit would run it: its own tables, and for roles it does not list the
// nearest ancestor's, because a revision that ships three tables leaves the rest of the car's calibration alone.
type calibration struct {
	id       string
	lookups  map[string]lookup // by role; modelled roles only
	carried  []carriedTable    // tables of other roles, by name
	problems []string          // tables that cannot be looked up from a logged state, and why
}

// lookup is one table with what it is read by.
type lookup struct {
	table *calmap.Table
	x, y  channel.ID // y is "" for a one-axis table
}

type carriedTable struct {
	name  string
	table *calmap.Table
}

// modelledRoles are the table roles whose effect is computed; every other role is reported as changed, not modelled.
var modelledRoles = []string{"spark", "lambda", "boost", "intake_cam"}

// stateChannels are the channels a logged state can supply to a table axis.
var stateChannels = []channel.ID{
	channel.EngineSpeed, channel.AbsoluteLoad, channel.ManifoldPressure, channel.ThrottlePosition,
	channel.PedalPosition, channel.ChargeTemperature, channel.CoolantTemperature, channel.EthanolShare,
}

// calibrationOf resolves a revision's tables through its ancestors.
func calibrationOf(ws *workspace.Workspace, id string) (*calibration, error) {
	c := &calibration{id: id, lookups: map[string]lookup{}}
	seen := map[string]bool{}
	for at := id; at != ""; {
		r, ok := ws.Revisions[at]
		if !ok {
			return nil, fmt.Errorf("revision %s: ancestor %s is not in the workspace or could not be read; run with "+
				"revisions/%s/revision.yaml mended", id, at, at)
		}
		c.take(r, seen)
		at = r.Parent
	}
	return c, nil
}

// take adds the tables of one ancestor that nearer ones did not already supply.
func (c *calibration) take(r *workspace.Revision, seen map[string]bool) {
	for _, t := range r.Tables {
		key := t.Role + "/" + t.Name
		if seen[key] || t.Table == nil {
			continue
		}
		seen[key] = true
		if !slices.Contains(modelledRoles, t.Role) {
			name := t.Role
			if t.Name != "" {
				name = t.Role + " (" + t.Name + ")"
			}
			c.carried = append(c.carried, carriedTable{name: name, table: t.Table})
			continue
		}
		l := lookup{table: t.Table, x: t.X.Channel}
		if t.Y != nil {
			l.y = t.Y.Channel
		}
		if unknown := l.unknownAxis(); unknown != "" {
			c.problems = append(c.problems, fmt.Sprintf("%s table of %s: axis %s is not known from a logged pull",
				t.Role, r.ID, unknown))
			continue
		}
		c.lookups[t.Role] = l
	}
}

func (l lookup) unknownAxis() channel.ID {
	if !slices.Contains(stateChannels, l.x) {
		return l.x
	}
	if l.y != "" && !slices.Contains(stateChannels, l.y) {
		return l.y
	}
	return ""
}

// at reads the table at a state. ok is false when the state does not know an axis.
func (l lookup) at(s *state) (value float64, past, ok bool) {
	x := s.axis(l.x)
	y := 0.0
	if l.y != "" {
		y = s.axis(l.y)
	}
	if math.IsNaN(x) || math.IsNaN(y) {
		return 0, false, false
	}
	return l.table.At(x, y), l.pastLast(x, y), true
}

// pastLast reports whether the state lies beyond the table's last breakpoint of an axis, where the control unit
// holds the edge value.
func (l lookup) pastLast(x, y float64) bool {
	t := l.table
	return x > t.X[len(t.X)-1] || (l.y != "" && len(t.Y) > 0 && y > t.Y[len(t.Y)-1])
}

// delta is a table's value in this calibration at one state minus its value in another at a second state: what a
// revision adds to what was measured. Zero when neither calibration has the table.
func (c *calibration) delta(role string, at *state, from *calibration, was *state) (change float64, why string) {
	now, hasNow := c.lookups[role]
	then, hasThen := from.lookups[role]
	if !hasNow && !hasThen {
		return 0, ""
	}
	if hasNow != hasThen {
		return 0, fmt.Sprintf("%s table exists only in one of %s and %s", role, c.id, from.id)
	}
	a, _, okA := now.at(at)
	b, _, okB := then.at(was)
	if !okA || !okB {
		return 0, fmt.Sprintf("%s table is read by a channel these logs do not have", role)
	}
	return a - b, ""
}

// notModelled lists what changes between two calibrations without its effect being computed.
func (c *calibration) notModelled(parent *calibration) []string {
	var out []string
	before := map[string]*calmap.Table{}
	for _, t := range parent.carried {
		before[t.name] = t.table
	}
	for _, t := range c.carried {
		old, had := before[t.name]
		if !had {
			out = append(out, t.name+": added, not modelled")
			continue
		}
		if !sameTable(old, t.table) {
			out = append(out, t.name+": changed, not modelled")
		}
	}
	out = append(out, c.problems...)
	slices.Sort(out)
	return slices.Compact(out)
}

// slopeSpan is the span of speed, rpm, over which a table's slope is taken; common practice, no source.
const slopeSpan = 100

// boostSlope is how steeply the boost table rises with speed at a state, kPa a rpm; 0 without a table, since the
// difference of two calibrations is what is asked for.
func (c *calibration) boostSlope(s *state) float64 {
	l, ok := c.lookups["boost"]
	if !ok {
		return 0
	}
	above, below := *s, *s
	above.rpm += slopeSpan / 2
	below.rpm -= slopeSpan / 2
	a, _, okA := l.at(&above)
	b, _, okB := l.at(&below)
	if !okA || !okB {
		return 0
	}
	return (a - b) / slopeSpan
}

func sameTable(a, b *calmap.Table) bool {
	return slices.Equal(a.X, b.X) && slices.Equal(a.Y, b.Y) &&
		slices.EqualFunc(a.Z, b.Z, func(r, s []float64) bool { return slices.Equal(r, s) })
}

// commandedLambda is what the lambda table asks for at a state, for logs without commanded lambda; NaN without a table.
func (c *calibration) commandedLambda(s *state) float64 {
	l, ok := c.lookups["lambda"]
	if !ok {
		return math.NaN()
	}
	v, _, ok := l.at(s)
	if !ok {
		return math.NaN()
	}
	return v
}
