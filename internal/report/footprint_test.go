package report

import (
	"slices"
	"testing"

	"headroom/internal/assess/footprint"
	"headroom/internal/report/show"
)

// What is not known is never told as none, and none is never told as zero of something.
func TestFootprintItems(t *testing.T) {
	d, err := show.NewDisplay(show.Units{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		of   footprint.Footprint
		want []string
	}{
		{"a base calibration", footprint.Footprint{CellsChangedUnvisited: none, CellsVisitedUnchanged: none,
			Obstacle: footprint.Obstacle{Kind: footprint.NoParent}},
			[]string{"Changes are not counted: a base calibration has no parent to be compared with.",
				"No predicted state runs past a table's last breakpoint."}},
		{"nothing changed", footprint.Footprint{CellsVisitedUnchanged: 31},
			[]string{"No operating cell changed.", "No predicted state runs past a table's last breakpoint.",
				"Every changed table is modelled."}},
		{"all of it driven", footprint.Footprint{CellsChanged: 1, CellsChangedVisited: 1, StatesPastLastBreakpoint: 1},
			[]string{"1\u00a0operating cell changed. Judged pulls have been in 1 of them.",
				"1\u00a0predicted state runs past a table's last breakpoint, where the table is held at its edge.",
				"Every changed table is modelled."}},
	} {
		told := wordedFootprint(&c.of, words{Display: d})
		s := footprintSection(&told, d)
		if len(s.Blocks) != 1 || !slices.Equal(s.Blocks[0].List, c.want) {
			t.Errorf("%s: %+v", c.name, s.Blocks)
		}
	}
}
