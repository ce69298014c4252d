package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"headroom/internal/assess/footprint"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
	"headroom/models/channel"
)

// footprintSection says what the revision's tables change, how much of it was driven, and what stands out in them.
func footprintSection(f *footprint.Footprint, d show.Display) text.Section {
	s := text.Section{ID: "footprint", Title: "What the revision touches"}
	items := cellItems(f)
	for i := range f.Tables {
		items = append(items, tableItem(&f.Tables[i], d))
	}
	for _, n := range f.NotModelled {
		items = append(items, capital(sentence(n)))
	}
	for i := range f.Spikes {
		items = append(items, spikeItem(&f.Spikes[i], d))
	}
	s.Blocks = []text.Block{{List: items}}
	if len(f.Unvisited) > 0 {
		s.Blocks = append(s.Blocks, text.Block{Table: unvisitedTable(f.Unvisited, d)})
	}
	return s
}

func cellItems(f *footprint.Footprint) []string {
	var items []string
	if f.NotCompared != "" {
		items = append(items, "Changes are not counted: "+sentence(f.NotCompared))
	} else {
		items = append(items, changedItem(f))
		if f.CellsVisitedUnchanged > 0 && f.CellsChanged > 0 {
			items = append(items, fmt.Sprintf("%s as in the parent.", verb(int(f.CellsVisitedUnchanged), "driven "+
				"cell", "stays", "stay")))
		}
	}
	if f.StatesPastLastBreakpoint == 0 {
		items = append(items, "No predicted state runs past a table's last breakpoint.")
	} else {
		items = append(items, fmt.Sprintf("%s past a table's last breakpoint, where the table is held at its edge.",
			verb(f.StatesPastLastBreakpoint, "predicted state", "runs", "run")))
	}
	if len(f.NotModelled) == 0 && f.NotCompared == "" {
		items = append(items, "Every changed table is modelled.")
	}
	return items
}

func changedItem(f *footprint.Footprint) string {
	if f.CellsChanged == 0 {
		return "No operating cell changed."
	}
	say := fmt.Sprintf("%s changed. Judged pulls have been in %d of them", count(f.CellsChanged, "operating cell"),
		f.CellsChangedVisited)
	if f.CellsChangedUnvisited.Known() && f.CellsChangedUnvisited > 0 {
		return fmt.Sprintf("%s, never in %d.", say, int(f.CellsChangedUnvisited))
	}
	return say + "."
}

// tableName is a table's role, or the name of one whose role is not modelled.
func tableName(role, name string) string {
	if name == "" {
		return plain(role)
	}
	return plain(name)
}

func tableItem(t *footprint.TableChange, d show.Display) string {
	name := capital(tableName(t.Role, t.Name))
	switch {
	case t.NotCompared != "":
		return fmt.Sprintf("%s: not compared, %s.", name, t.NotCompared)
	case t.BreakpointsChanged == 0:
		return name + ": the same as the parent's."
	}
	say := fmt.Sprintf("%s: %s of %s breakpoints changed", name, show.Number(t.BreakpointsChanged, 0),
		show.Number(t.Breakpoints, 0))
	return fmt.Sprintf("%s, most by %s at %s.", say, d.Change(t.LargestChange, t.Unit), placeOf(t.At, d))
}

func spikeItem(s *footprint.Spike, d show.Display) string {
	kind := "Spike, also in the parent"
	if s.New {
		kind = "New spike"
	}
	beside := words{Display: d}.besideSpike(s)
	say := fmt.Sprintf("%s: %s is %s at %s, its neighbours %s.", kind, tableName(s.Role, s.Name),
		d.Value(s.Value, s.Unit), placeOf(s.At, d), beside)
	switch {
	case !s.VisitedCells.Known():
		return say + " Who reads it is not modelled."
	case s.VisitedCells == 0:
		return say + " No judged pull reads it."
	}
	return fmt.Sprintf("%s Judged pulls read it in %s.", say, count(int(s.VisitedCells), "cell"))
}

// placeOf is a breakpoint in words, "3500 rpm, 160 % load".
func placeOf(at []footprint.AxisValue, d show.Display) string {
	parts := make([]string, len(at))
	for i, a := range at {
		switch a.Channel {
		case string(channel.EngineSpeed):
			parts[i] = show.WithUnit(tick(a.Value), a.Unit)
		case string(channel.AbsoluteLoad):
			parts[i] = show.WithUnit(tick(a.Value), a.Unit) + " load"
		case string(channel.PedalPosition), string(channel.ThrottlePosition):
			parts[i] = plain(a.Channel) + " " + show.WithUnit(tick(a.Value), a.Unit)
		default:
			parts[i] = plain(a.Channel) + " " + d.Value(a.Value, a.Unit)
		}
	}
	return or(strings.Join(parts, ", "), show.Missing)
}

// tick is a breakpoint as an editor shows it: a decimal only where it has one.
func tick(v result.Number) string {
	if !v.Known() {
		return show.Missing
	}
	return strconv.FormatFloat(math.Round(float64(v)*10)/10, 'f', -1, 64)
}

func unvisitedTable(areas []footprint.ChangedArea, d show.Display) *text.Table {
	t := &text.Table{
		Caption: "Changed where no judged pull has been: nothing here speaks for it",
		Columns: []text.Column{{Head: "Where"}, {Head: "Cells", Right: true}, {Head: "Largest change", Flex: true}},
		Most:    5,
	}
	for _, a := range areas {
		changes := make([]string, len(a.Changes))
		for i, c := range a.Changes {
			changes[i] = plain(c.Role) + " unknown"
			if c.Change.Known() {
				changes[i] = plain(c.Role) + " " + d.Change(c.Change, c.Unit)
			}
		}
		t.Rows = append(t.Rows, text.Row{Cells: []text.Cell{where(result.Cell{RPM: a.RPM, LoadPct: a.LoadPct}),
			integer(a.Cells),
			text.Of(strings.Join(changes, ", "))}})
	}
	return t
}
