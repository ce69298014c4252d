package assess

import (
	"math"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
)

// Under a stress, what is not known of combustion is taken from the state without it (state.Platform.Loosened), but
// where that may decide (clearUnder). Against the same worked out under the stress no chance is off by a thousandth,
// and where a margin lies in its deviations by a tenth.
func TestLooseEndsUnderAStress(t *testing.T) {
	dir := fleettest.Demo(t)
	j := openJob(t, dir)
	chance, place, compared := 0.0, 0.0, 0
	for _, id := range []string{"rev-0101-a", "kestrel-20t-blend-e30-s1", "marlin-25t-pump-93-s1"} {
		rev := j.ws.Revisions[id]
		m, err := j.Model(rev.Platform)
		if err != nil {
			t.Fatal(err)
		}
		car := j.CarOf(rev.Vehicle)
		rows, err := j.judgedOn(rev, car, j.hardwareDate(car))
		if err != nil {
			t.Fatal(err)
		}
		b, err := m.benchFor(rows, rev, car, j.hardwareDate(car))
		if err != nil {
			t.Fatal(err)
		}
		for _, under := range m.stresses(b) {
			exact := *under
			exact.visits, exact.parent = anew(m, under.visits), anew(m, under.parent)
			for _, h := range hazard.All() {
				got, _, err := m.evaluations(under, h)
				if err != nil {
					t.Fatal(err)
				}
				want, _, err := m.evaluations(&exact, h)
				if err != nil {
					t.Fatal(err)
				}
				for i := range want {
					compared++
					chance = max(chance, math.Abs(got[i].result.Probability-want[i].result.Probability))
					is, sd := got[i].smallestMargin()
					was, wasSD := want[i].smallestMargin()
					place = max(place, math.Abs(is/sd-was/wasSD)/max(1, math.Abs(was/wasSD)))
				}
			}
		}
	}
	t.Logf("%d evaluations: chances within %.2g, margins in their deviations within %.2g", compared, chance, place)
	if chance > 0.001 || place > 0.1 || compared < 100 {
		t.Errorf("%d evaluations: chances off by %.2g, margins in their deviations by %.2g", compared, chance, place)
	}
}

// anew are visits simulated again as they are, as if no stress had moved them there.
func anew(m *Model, visits []state.Visit) []state.Visit {
	out := make([]state.Visit, len(visits))
	for i, v := range visits {
		out[i] = state.Visit{State: v.State, Others: append([]state.State(nil), v.Others...)}
		out[i].Each(m.Simulate)
	}
	return out
}
