package assess

import (
	"testing"

	"headroom/internal/assess/footprint"
	"headroom/internal/workspace"
	"headroom/models/calmap"
)

// Of the spikes in a revision's tables only those that its parent does not have are worth a caution; a value outside
// its role's plausible range is one whatever the parent had.
func TestTableNotes(t *testing.T) {
	table, err := calmap.New([]float64{1000, 6000}, nil, [][]float64{{200, 900}})
	if err != nil {
		t.Fatal(err)
	}
	rev := &workspace.Revision{Tables: []workspace.TableRef{{Role: "boost", File: "tables/boost.csv", Table: table}}}
	notes := tableNotes(rev, &footprint.Footprint{Spikes: []footprint.Spike{{Role: "spark", New: true},
		{Role: "lambda"}}})
	if len(notes) != 3 {
		t.Fatalf("notes %+v", notes)
	}
	if d, ok := notes[1].(TableDoubt); !ok || d.File != "tables/boost.csv" || d.Kind != calmap.NoteRange ||
		d.Value != 900 || d.Unit != "kPa" {
		t.Errorf("a boost target of 900 kPa: %+v", notes[1])
	}
	if s, ok := notes[2].(NewSpike); !ok || s.Spike.Role != "spark" {
		t.Errorf("the new spike: %+v", notes[2])
	}
}
