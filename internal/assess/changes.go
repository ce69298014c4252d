package assess

import (
	"maps"
	"slices"
	"strings"

	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// Differing is a kind of thing by which a revision, as it will run, differs from its parent or from what the logs ran.
type Differing string

// Kinds of difference, as the contract names them.
const (
	DiffersTable      Differing = "table"
	DiffersFuel       Differing = "fuel"
	DiffersPart       Differing = "hardware"
	DiffersSpeedLimit Differing = "speed_limit"
	DiffersCells      Differing = "cells" // changed values of tables that no judged pull reads
	DiffersCar        Differing = "car"   // it is judged on the pulls of other cars
)

// Account says what is known of a difference.
type Account string

// Accounts. A difference without one keeps a release away.
const (
	AccountComputed Account = "computed" // from the logged states, with an error of its own
	AccountShown    Account = "shown"    // judged pulls ran with it
	AccountNone     Account = "none"     // neither computed nor shown
)

// Changed is one thing that differs.
type Changed struct {
	What    Differing `json:"what"`
	From    string    `json:"from"`    // the parent's table; fuels, parts or cars of the judged pulls
	To      string    `json:"to"`      // of the revision
	Account Account   `json:"account"` // what is known of it
	Why     string    `json:"why"`     // the account, and Reasons, in words, by internal/report

	Name    string                `json:"name"`    // the role and name of a table, the item of a part
	Largest result.Number         `json:"largest"` // change of a table, in Unit
	Unit    string                `json:"unit"`
	At      []footprint.AxisValue `json:"at"`      // of it
	Values  result.Number         `json:"values"`  // of a table that change, or of all tables that no judged pull reads
	Pulls   int                   `json:"pulls"`   // behind the account
	Reasons result.Reasons        `json:"reasons"` // what is missing
}

// changes lists everything by which the revision differs from its parent or from what the judged pulls ran.
func (m *Model) changes(r *Review, rev *workspace.Revision, b *bench) []Changed {
	out := []Changed{}
	for i := range r.Footprint.Tables {
		t := &r.Footprint.Tables[i]
		if t.BreakpointsChanged != 0 {
			out = append(out, m.tableChange(r, t, b))
		}
	}
	if r.Unvisited.Values > 0 {
		out = append(out, r.cellsChange(b.pullCount()))
	}
	if c, differs := m.fuelChange(r, rev, b); differs {
		out = append(out, c)
	}
	out = append(out, m.partChanges(r, rev, b)...)
	if only := b.onlyCar(); b.named && only != b.meant {
		out = append(out, carChange(r, b))
	}
	return out
}

func blankChange(what Differing) Changed {
	return Changed{What: what, Largest: result.Unknown(), At: []footprint.AxisValue{}, Values: result.Unknown(),
		Reasons: result.Reasons{}}
}

func (m *Model) tableChange(r *Review, t *footprint.TableChange, b *bench) Changed {
	c := blankChange(DiffersTable)
	if t.Role == state.SpeedLimit {
		c.What = DiffersSpeedLimit
	}
	c.Name, c.From, c.To = t.Role, m.tableFile(b.from, t), m.tableFile(r.Revision, t)
	if t.Name != "" {
		c.Name = t.Role + " " + t.Name
	}
	c.Largest, c.Unit, c.At, c.Values = t.LargestChange, t.Unit, t.At, t.BreakpointsChanged
	for _, g := range r.Footprint.Gaps {
		if g.Role == t.Role && (g.Name == "" || g.Name == t.Name) {
			c.Reasons = append(c.Reasons, Unmodelled{Gap: g})
		}
	}
	noAccount := NoAccount{Role: t.Role, Name: t.Name, Obstacle: t.Obstacle}
	switch {
	case len(c.Reasons) > 0:
		c.Account = AccountNone
	case !t.BreakpointsChanged.Known() && t.Obstacle.Kind != footprint.OtherAxes:
		c.Account, c.Reasons = AccountNone, append(c.Reasons, noAccount)
	case t.Role == state.SpeedLimit: // lower, or it would be among the gaps
		c.Account, c.Pulls = AccountShown, b.pullCount()
	case slices.Contains(state.ModelledRoles, t.Role):
		c.Account, c.Pulls = AccountComputed, b.pullCount()
	default:
		c.Account, c.Reasons = AccountNone, append(c.Reasons, noAccount)
	}
	return c
}

// tableFile is where the table of a role and name stands that a revision has or inherits, "" where it has none.
func (m *Model) tableFile(revision string, t *footprint.TableChange) string {
	ref, of := m.ws.TableOf(revision, t.Role, t.Name)
	if ref == nil {
		return ""
	}
	return of.ID + "/" + ref.File
}

// cellsChange are the changed values of all tables that no judged pull reads: judged as if the engine went there.
func (r *Review) cellsChange(pulls int) Changed {
	c := blankChange(DiffersCells)
	c.Values, c.Account, c.Pulls = result.Number(r.Unvisited.Values), AccountComputed, pulls
	if r.Unvisited.NotJudged > 0 {
		c.Account, c.Reasons = AccountNone, append(c.Reasons, NotPlaced{Values: r.Unvisited.NotJudged})
	}
	return c
}

// carChange is that of a car judged by the pulls of others: the spread between cars accounts for it.
func carChange(r *Review, b *bench) Changed {
	c := blankChange(DiffersCar)
	c.To, c.Account, c.Pulls = r.Vehicle, AccountComputed, b.pullCount()
	cars := map[string]bool{}
	for i := range b.visits {
		cars[b.visits[i].Car] = true
	}
	c.From = strings.Join(slices.Sorted(maps.Keys(cars)), ", ")
	return c
}

func (m *Model) fuelChange(r *Review, rev *workspace.Revision, b *bench) (Changed, bool) {
	c := blankChange(DiffersFuel)
	c.To = rev.Fuel
	for _, reason := range r.unshown {
		if missing, ok := reason.(FuelNotShown); ok {
			c.From, c.Account, c.Reasons = strings.Join(missing.From, ", "), AccountNone, append(c.Reasons, missing)
			return c, true
		}
	}
	parent := m.ws.Revisions[b.from]
	if parent == nil || parent.Fuel == rev.Fuel {
		return c, false
	}
	c.From, c.Account = parent.Fuel, AccountComputed
	for i := range b.visits {
		if b.visits[i].Row.Fuel == rev.Fuel {
			c.Account = AccountShown
		}
	}
	c.Pulls = b.pullCount()
	return c, true
}

// partChanges are the parts in which the revision differs from its parent, and those of its own that no judged pull ran
// with.
func (m *Model) partChanges(r *Review, rev *workspace.Revision, b *bench) []Changed {
	is, was := m.ws.HardwareOf(rev.ID), m.ws.HardwareOf(b.from)
	items := map[string]Changed{}
	for item := range is {
		items[item] = blankChange(DiffersPart)
	}
	for item := range was {
		items[item] = blankChange(DiffersPart)
	}
	missing := map[string]PartNotShown{}
	for _, reason := range r.unshown {
		if part, ok := reason.(PartNotShown); ok {
			missing[part.Item] = part
			items[part.Item] = blankChange(DiffersPart)
		}
	}
	var out []Changed
	for _, item := range slices.Sorted(maps.Keys(items)) {
		c := items[item]
		c.Name, c.To, c.From = item, orStock(is[item]), orStock(was[item])
		part, notShown := missing[item]
		switch {
		case notShown:
			c.From, c.Account, c.Reasons = strings.Join(part.From, ", "), AccountNone, append(c.Reasons, part)
		case is[item] == was[item]:
			continue
		default:
			c.Account, c.Pulls = AccountShown, b.pullCount()
		}
		out = append(out, c)
	}
	return out
}

func orStock(part string) string {
	if part == "" {
		return workspace.Stock
	}
	return part
}
