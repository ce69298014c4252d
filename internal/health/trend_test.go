package health

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"headroom/internal/result"
	"headroom/models/drift"
)

// revisedFleet is ten cars without any trend whose revisions each ask for more, and so move the metric by 5 every two
// to four days of logs; days of a car are alike (autocorrelation 0.5).
func revisedFleet(rng *rand.Rand) []series {
	var cars []series
	for c := range 10 {
		s := series{vehicle: fmt.Sprintf("car-%02d", c)}
		level, a := 5*rng.NormFloat64(), rng.NormFloat64()
		revision, left := 0, 2+rng.IntN(3)
		for d := range 6 + rng.IntN(6) {
			if left == 0 {
				revision, left = revision+1, 2+rng.IntN(3)
				level += 5
			}
			left--
			a = 0.5*a + math.Sqrt(0.75)*rng.NormFloat64()
			s.dates = append(s.dates, fmt.Sprintf("2025-%02d-%02d", d+1, c+1))
			s.revisions = append(s.revisions, fmt.Sprint(revision))
			s.Times = append(s.Times, float64(30*d+rng.IntN(20)))
			s.Values = append(s.Values, level+a)
		}
		cars = append(cars, s)
	}
	markChanges(cars, nil)
	return cars
}

// Revisions that ask for more one after the other are no trend of the platform: the 95 % interval holds zero 95 times
// in 100.
func TestRevisionsAreNoTrend(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	const rounds = 1000
	inside := 0
	for range rounds {
		r := trendOf("p", watchedMetrics[0], revisedFleet(rng))
		if r.Status != result.Assessed {
			t.Fatalf("%+v", r)
		}
		if r.Interval95[0] <= 0 && r.Interval95[1] >= 0 {
			inside++
		}
	}
	if share := float64(inside) / rounds; share < 0.93 || share > 0.98 {
		t.Errorf("the 95 %% interval holds no trend in %.3f of %d rounds", share, rounds)
	}
}

// New parts divide a car's days as new tables do, and a car with one day on each tells nothing.
func TestTrendStretches(t *testing.T) {
	s := series{vehicle: "a", dates: []string{"2025-01-01", "2025-01-02", "2025-02-01", "2025-02-02"}}
	s.Times, s.Values = []float64{0, 1, 31, 32}, []float64{0, 1, 50, 51}
	s.Breaks = []drift.Break{0, 0, drift.Rebuilt, 0}
	single := s
	single.Breaks = []drift.Break{0, drift.Revised, drift.Revised, drift.Revised}
	out := Trend{}
	sums := withinCars([]series{s, single}, &out)
	if out.Cars != 1 || out.Days != 4 || len(sums) != 1 || math.Abs(sums[0].ty/sums[0].tt-1) > 1e-12 {
		t.Errorf("%+v %+v, want a slope of 1 by one car of four days", out, sums)
	}
}
