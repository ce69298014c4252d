package assess

import (
	"maps"
	"slices"

	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// Differing is a kind of thing by which a revision, as it will run, differs from its parent or from what the logs ran.
type Differing string

// Kinds of difference.
const (
	DiffersTable Differing = "table"
	DiffersFuel  Differing = "fuel"
	DiffersPart  Differing = "part"
	DiffersCar   Differing = "car" // it is judged on the pulls of other cars
)

// Account says what is known of a difference.
type Account string

// Accounts. Without one of the first three a difference keeps a release away.
const (
	AccountComputed Account = "computed" // from the logged states, with an error of its own
	AccountShown    Account = "shown"    // judged pulls ran with it
	AccountSpread   Account = "spread"   // by the spread between cars
	AccountPartly   Account = "partly"   // computed, but for places where nothing could be
	AccountMissing  Account = "missing"  // neither computed nor shown
)

// Changed is one thing that differs.
type Changed struct {
	Kind Differing `json:"kind"`
	Name string    `json:"name"` // the role and name of a table, the item of a part
	From []string  `json:"from"` // fuels, parts or cars of the judged pulls or of the parent
	To   string    `json:"to"`

	Largest result.Number         `json:"largest"` // change of a table, in Unit
	Unit    string                `json:"unit"`
	At      []footprint.AxisValue `json:"at"`      // of it
	Values  result.Number         `json:"values"`  // of a table that change
	Unread  result.Number         `json:"unread"`  // of them that no judged pull reads
	Account Account               `json:"account"` // what is known of it
	Pulls   int                   `json:"pulls"`   // behind the account
	Reasons result.Reasons        `json:"reasons"` // what is missing
}

// changes lists everything by which the revision differs from its parent or from what the judged pulls ran.
func (m *Model) changes(r *Review, rev *workspace.Revision, b *bench) []Changed {
	out := []Changed{}
	unread := map[string]int{}
	for _, v := range footprint.Unread(m.ws, rev, b.visits) {
		unread[v.Role]++
	}
	for i := range r.Footprint.Tables {
		t := &r.Footprint.Tables[i]
		if t.BreakpointsChanged != 0 {
			out = append(out, r.tableChange(t, unread[t.Role], b.pullCount()))
		}
	}
	if c, differs := m.fuelChange(r, rev, b); differs {
		out = append(out, c)
	}
	out = append(out, m.partChanges(r, rev, b)...)
	if only := b.onlyCar(); b.named && only != b.meant {
		c := blankChange(DiffersCar)
		c.To, c.Account, c.Pulls = r.Vehicle, AccountSpread, b.pullCount()
		for i := range b.visits {
			if !slices.Contains(c.From, b.visits[i].Car) {
				c.From = append(c.From, b.visits[i].Car)
			}
		}
		slices.Sort(c.From)
		out = append(out, c)
	}
	return out
}

func blankChange(kind Differing) Changed {
	none := result.Unknown()
	return Changed{Kind: kind, From: []string{}, Largest: none, At: []footprint.AxisValue{}, Values: none, Unread: none,
		Reasons: result.Reasons{}}
}

func (r *Review) tableChange(t *footprint.TableChange, unread, pulls int) Changed {
	c := blankChange(DiffersTable)
	c.Name, c.To = t.Role, t.File
	if t.Name != "" {
		c.Name = t.Role + " " + t.Name
	}
	c.Largest, c.Unit, c.At, c.Values = t.LargestChange, t.Unit, t.At, t.BreakpointsChanged
	for _, g := range r.Footprint.Gaps {
		if g.Role == t.Role && (g.Name == "" || g.Name == t.Name) {
			c.Reasons = append(c.Reasons, Unmodelled{Gap: g})
		}
	}
	if !slices.Contains(state.ModelledRoles, t.Role) || len(c.Reasons) > 0 || !t.BreakpointsChanged.Known() {
		c.Account = AccountMissing
		return c
	}
	c.Account, c.Pulls, c.Unread = AccountComputed, pulls, result.Number(unread)
	if r.Unvisited.NotJudged > 0 && unread > 0 {
		c.Account, c.Reasons = AccountPartly, append(c.Reasons, NotPlaced{Values: r.Unvisited.NotJudged})
	}
	return c
}

func (m *Model) fuelChange(r *Review, rev *workspace.Revision, b *bench) (Changed, bool) {
	c := blankChange(DiffersFuel)
	c.To = rev.Fuel
	for _, reason := range r.unshown {
		if missing, ok := reason.(FuelNotShown); ok {
			c.From, c.Account, c.Reasons = missing.From, AccountMissing, append(c.Reasons, missing)
			return c, true
		}
	}
	parent := m.ws.Revisions[rev.Parent]
	if parent == nil || parent.Fuel == rev.Fuel {
		return c, false
	}
	c.From, c.Account = []string{parent.Fuel}, AccountComputed
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
	is, was := m.ws.HardwareOf(rev.ID), m.ws.HardwareOf(rev.Parent)
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
		c.Name, c.To, c.From = item, orStock(is[item]), []string{orStock(was[item])}
		part, notShown := missing[item]
		switch {
		case notShown:
			c.From, c.Account, c.Reasons = part.From, AccountMissing, append(c.Reasons, part)
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
