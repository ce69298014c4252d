package assess

import (
	"slices"
	"testing"

	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// A limit on a metric that this package does not know how to judge is said, and the hazard's other limits are judged.
func TestUnknownMetricIsSaid(t *testing.T) {
	j := openJob(t, fleettest.Marlins(t))
	known, err := j.Model(fleettest.Marlin)
	if err != nil {
		t.Fatal(err)
	}
	file := *known.Platform.Platform
	limit := 1.0
	file.Limits = append(slices.Clone(file.Limits), workspace.Limit{Hazard: hazard.Driveline, Metric: "luck",
		Value: &limit})
	physics, learned, m := *known.Platform, *known.Fleet, *known
	physics.Platform = &file
	learned.Platform = &physics
	m.Fleet = &learned
	rows, err := j.Evidence(fleettest.Marlin)
	if err != nil {
		t.Fatal(err)
	}
	b, err := m.benchFor(rows, j.ws.Revisions["marlin-25t-base"], "", "")
	if err != nil {
		t.Fatal(err)
	}
	driveline, _ := hazard.Of(hazard.Driveline)
	evals, why, err := m.evaluations(b, driveline)
	if err != nil || len(evals) != 1 || !slices.Equal(why, result.Reasons{UnknownMetric{Metric: "luck"}}) {
		t.Errorf("%d evaluations, %v, %v", len(evals), why, err)
	}
}
