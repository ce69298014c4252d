package drift_test

import (
	"fmt"
	"log"
	"math/rand/v2"

	"headroom/models/drift"
)

// fuelTrim is one car's mean fuel trim, %, of each of 24 days: about 2 at first, creeping up from the fourteenth on.
var fuelTrim = []float64{2.1, 1.6, 2.4, 1.9, 2.6, 1.7, 2.2, 2.0, 1.8, 2.3, 2.5, 1.9, 2.1, 2.9, 3.1, 2.8, 3.6, 3.4, 3.9,
	3.7,
	4.2, 4.0, 4.5, 4.4}

func daily(values []float64) drift.Series {
	s := drift.Series{Values: values}
	for day := range values {
		s.Times = append(s.Times, float64(day))
	}
	return s
}

// A car is watched by what the other cars of the fleet show of how days scatter.
func ExampleRatio_Watch() {
	rng := rand.New(rand.NewPCG(1, 2))
	fleet := []drift.Series{daily(fuelTrim)}
	for range 12 {
		var steady []float64
		for range fuelTrim {
			steady = append(steady, 2+0.3*rng.NormFloat64())
		}
		fleet = append(fleet, daily(steady))
	}
	laws, err := drift.FitLaws(fleet)
	if err != nil {
		log.Fatal(err)
	}
	watch := drift.Ratio{Fewest: 3, Span: drift.UsualSpan(fleet), FalseAlarm: 0.01}
	c, err := watch.Watch(fleet[0], laws.Without(0))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("a healthy car ever signals with chance %g at most\n", c.FalseAlarm)
	fmt.Printf("signal %v on day %d\n", c.Signal, c.SignalIndex)
	// Output:
	// a healthy car ever signals with chance 0.01 at most
	// signal true on day 16
}

// Of many cars watched at once some look odd by chance. At a false-discovery rate of 0.1 those are called whose
// adjusted value is no larger.
func ExampleAdjusted() {
	p := []float64{0.0004, 0.03, 0.45, 0.012, 0.8}
	adjusted, err := drift.Adjusted(p)
	if err != nil {
		log.Fatal(err)
	}
	for car, v := range adjusted {
		fmt.Printf("car %d: p %.4f, adjusted %.3f, called %v\n", car+1, p[car], v, v <= 0.1)
	}
	// Output:
	// car 1: p 0.0004, adjusted 0.002, called true
	// car 2: p 0.0300, adjusted 0.050, called true
	// car 3: p 0.4500, adjusted 0.562, called false
	// car 4: p 0.0120, adjusted 0.030, called true
	// car 5: p 0.8000, adjusted 0.800, called false
}
