package health

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"headroom/models/drift"
)

// One metric of a platform of 1000 cars with eight days each, a revision on one in four.
func BenchmarkDriftOfThousandCars(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	days := make([]series, 1000)
	for c := range days {
		s := &days[c]
		s.vehicle = fmt.Sprintf("car-%04d", c)
		for d := range 8 {
			s.dates = append(s.dates, fmt.Sprintf("2025-%02d-01", d+1))
			s.revisions = append(s.revisions, fmt.Sprint(d/4))
			s.Times, s.Values = append(s.Times, float64(50*d)+20*rng.Float64()), append(s.Values, rng.NormFloat64())
			s.Breaks = append(s.Breaks, drift.NoBreak)
		}
		s.Breaks[4] = drift.Revised
		s.changes = make([]Change, 8)
	}
	for b.Loop() {
		cars, w, err := driftOf(standardDesign, "p", watchedMetrics[0], days)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := smallestDrifts([]watched{*w}, len(cars)); err != nil {
			b.Fatal(err)
		}
	}
}
