package footprint

import (
	"headroom/internal/assess/state"
	"headroom/internal/result"
)

// Footprint is where the revision's tables differ from those of another, and how much of that the judged pulls visit. A
// cell is changed where a modelled table differs anywhere inside it, and visited where a judged pull
// has been, as the revision would run it. Cells are those that the tables' breakpoints span, and visited ones beyond.
type Footprint struct {
	CellsChanged             int      `json:"cells_changed"`
	CellsChangedVisited      int      `json:"cells_changed_visited"`
	StatesPastLastBreakpoint int      `json:"states_past_last_breakpoint"`
	NotModelled              []string `json:"not_modelled"` // Gaps in words, by internal/report

	// no log says what these changes do; null where not compared
	CellsChangedUnvisited result.Number `json:"cells_changed_unvisited"`
	// the driven part the revision leaves alone; null where not compared
	CellsVisitedUnchanged result.Number `json:"cells_visited_unchanged"`
	// the revision that it is compared with: its parent, or where no pull ran that, what the judged pulls ran; "" none
	From string `json:"compared_with"`
	// the changed and unvisited cells, most cells first
	Unvisited   []ChangedArea `json:"unvisited"`
	Tables      []TableChange `json:"tables"`       // those that it or an ancestor not shared with the other lists
	Spikes      []Spike       `json:"spikes"`       // values of those tables that stand alone
	NotCompared string        `json:"not_compared"` // Obstacle in words, by internal/report
	Gaps        []state.Gap   `json:"gaps"`         // changes whose effect was not computed
	Obstacle    Obstacle      `json:"obstacle"`     // to the comparison with the parent
}

// ChangedArea is a rectangle of operating cells that are changed and not visited.
type ChangedArea struct {
	RPM     result.Span  `json:"rpm"`
	LoadPct result.Span  `json:"load_pct"`
	Cells   int          `json:"cells"`
	Changes []RoleChange `json:"changes"` // largest in the area, per role
}

// RoleChange is a table's value minus the parent's; not known where the two cannot be compared.
type RoleChange struct {
	Role   string        `json:"role"`
	Change result.Number `json:"change"`
	Unit   string        `json:"unit"`
}

// TableChange is how one table that the revision lists differs from the parent's. Breakpoints are those of both tables
// together.
type TableChange struct {
	Role               string        `json:"role"`
	Name               string        `json:"name"` // of a table whose role is not modelled
	File               string        `json:"file"`
	Breakpoints        result.Number `json:"breakpoints"`
	BreakpointsChanged result.Number `json:"breakpoints_changed"`
	LargestChange      result.Number `json:"largest_change"`
	Unit               string        `json:"unit"`
	At                 []AxisValue   `json:"at"`           // of the largest change
	NotCompared        string        `json:"not_compared"` // Obstacle in words, by internal/report
	Obstacle           Obstacle      `json:"obstacle"`     // to the comparison
}

// AxisValue is a value on an axis of a table.
type AxisValue struct {
	Channel string        `json:"channel"`
	Value   result.Number `json:"value"`
	Unit    string        `json:"unit"`
}

// Spike is a value of a table that stands alone against its neighbours (models/calmap, Spikes).
type Spike struct {
	Role       string        `json:"role"`
	Name       string        `json:"name"`
	File       string        `json:"file"`
	At         []AxisValue   `json:"at"`
	Unit       string        `json:"unit"`
	Value      result.Number `json:"value"`
	Neighbours result.Span   `json:"neighbours"` // lowest and highest value beside it
	Stands     result.Number `json:"stands"`     // how far it stands out
	// how far the parent's table stands out there; null without one to compare with
	ParentStands result.Number `json:"parent_stands"`
	New          bool          `json:"new"` // the parent stands out less than half as far
	// judged cells that read it; null where no model knows who reads the table
	VisitedCells result.Number `json:"visited_cells"`
}

// ObstacleKind says why two tables, or a revision and its parent, could not be compared.
type ObstacleKind string

// Kinds of obstacle; "" where the comparison was made.
const (
	NoParent      ObstacleKind = "no_parent"       // a base calibration
	NoParentTable ObstacleKind = "no_parent_table" // the parent has no such table
	OtherAxes     ObstacleKind = "other_axes"      // the parent's table is read by other channels
	OtherUnits    ObstacleKind = "other_units"     // the parent's table is written in other units
	Unresolved    ObstacleKind = "unresolved"      // see Obstacle.Fault
)

// Obstacle is what stood in the way of a comparison.
type Obstacle struct {
	Kind  ObstacleKind `json:"kind"`
	Fault string       `json:"fault"` // of Unresolved, with its remedy
}
