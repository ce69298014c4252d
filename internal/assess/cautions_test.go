package assess

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/assess/footprint"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
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

// A review speaks of the fits it judges by: a metric that the platform file sets no limit on is not among them.
func TestNotesAreOfLimitedMetrics(t *testing.T) {
	m, err := openJob(t, fleettest.Marlins(t)).Model(fleettest.Marlin)
	if err != nil {
		t.Fatal(err)
	}
	warned := func() (out []metric.ID) {
		for _, n := range m.notes() {
			if w, ok := n.(FitWarning); ok {
				out = append(out, w.Metric)
			}
		}
		return out
	}
	for _, q := range []metric.ID{metric.Lambda, metric.WastegateDuty} {
		model := *m.Margins[q].Model
		model.Warnings = []string{"planted"}
		fit := m.Margins[q]
		fit.Model = &model
		m.Margins[q] = fit
	}
	got := warned()
	if !slices.Contains(got, metric.Lambda) || slices.Contains(got, metric.WastegateDuty) {
		t.Errorf("the demo limits lambda and not wastegate duty; its notes speak of %v", got)
	}
}

// A workspace may count a hazard as milder than the catalogue, or allow more of it than is usual; the review says so.
func TestWeakenedSettingsAreSaid(t *testing.T) {
	dir := fleettest.Marlins(t)
	j := openJob(t, dir)
	_, m, _ := learnt(t, j, mildProposal(t, dir).Revision)
	if got := m.weakened(); len(got) > 0 {
		t.Errorf("usual settings: %+v", got)
	}
	hold := map[hazard.Severity]float64{hazard.Catastrophic: 0.05, hazard.Major: 0.99}
	m.ws.Config.Decision.HoldProbability = hold
	want := result.Reasons{LaxThreshold{Severity: hazard.Major, Allowed: 0.99, Usual: 0.1}}
	if got := m.weakened(); !cmp.Equal(got, want) {
		t.Errorf("a threshold of 99 %%: %+v", got)
	}
}
