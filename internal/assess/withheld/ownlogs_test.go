package withheld

import (
	"math"
	"slices"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/assess/assesstest"
	"headroom/internal/fleettest"
	"headroom/internal/metric"
	"headroom/models/channel"
)

func isCharge(o assess.OwnLog) bool { return o.Metric == metric.ChargeTemperature }

// chargeOf is the charge temperature of a review's own logs.
func chargeOf(t *testing.T, r *assess.Review) assess.OwnLog {
	t.Helper()
	i := slices.IndexFunc(r.OwnLogs, isCharge)
	if i < 0 {
		t.Fatalf("%s has no own logs of charge temperature", r.Revision)
	}
	return r.OwnLogs[i]
}

// A boost column left out of a car's logs leaves manifold pressure to load by speed–density, for what own logs are
// expected to show as for a prediction: the expected charge temperature stays. Expectations were once made of states
// that were not filled in so, and fell by more than 3 K.
func TestOwnLogsWithoutBoost(t *testing.T) {
	x := newRemovals(t, fleettest.Marlins(t), "", 0, gradedSeed)
	for car, ids := range x.byCar {
		for _, id := range ids {
			before := reviewed(t, fleettest.Marlins(t), id)
			if len(before.OwnLogs) == 0 {
				continue
			}
			want := chargeOf(t, before)
			dir := fleettest.Copy(t, x.dir)
			x.without(car+"/*/*", channel.ManifoldPressure)(t, dir)
			if err := fleettest.Ingest(dir); err != nil {
				t.Fatal(err)
			}
			after, err := assesstest.Open(t, dir).Review(id)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.ContainsFunc(after.OwnLogs, isCharge) {
				continue // without boost its intake temperature may be one before the compressor, and is left out
			}
			got := chargeOf(t, after)
			if math.Abs(float64(got.Expected-want.Expected)) > 1 || got.Measured != want.Measured {
				t.Errorf("%s: expected %.2f °C and measured %.2f without boost, %.2f and %.2f with it", id,
					got.Expected,
					got.Measured, want.Expected, want.Measured)
			}
			return
		}
	}
	t.Fatal("no car's revision has own logs")
}
