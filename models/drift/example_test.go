package drift_test

import (
	"fmt"
	"log"

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

func report(c drift.Chart) {
	fmt.Printf("a healthy car signals within %d runs with chance %g\n", c.Runs, c.FalseAlarm)
	fmt.Printf("signal %v on day %d, moved from day %d on: %.1f before, %.1f since\n", c.Signal, c.SignalIndex,
		c.OnsetIndex,
		c.Baseline, c.Level)
}

// A car is watched against its own first eight days. The chart is made once for a promise about false alarms and then
// serves every car and metric.
func ExampleMonitor_Watch() {
	chart, err := drift.NewEWMA(0.2, drift.Options{Baseline: 8, Horizon: 60, FalseAlarm: 0.01})
	if err != nil {
		log.Fatal(err)
	}
	c, err := chart.Watch(daily(fuelTrim), drift.Spread{})
	if err != nil {
		log.Fatal(err)
	}
	report(c)
	// Output:
	// a healthy car signals within 16 runs with chance 0.01
	// signal true on day 16, moved from day 13 on: 2.1 before, 3.7 since
}

// A CUSUM finds a step of a known size soonest: here of twice the reference, one deviation. The spread is the fleet's,
// as Pooled gives it, so that three days of baseline are enough.
func ExampleNewCUSUM() {
	chart, err := drift.NewCUSUM(0.5, drift.Options{Baseline: 3, Horizon: 60, FalseAlarm: 0.01})
	if err != nil {
		log.Fatal(err)
	}
	c, err := chart.Watch(daily(fuelTrim), drift.Spread{SD: 0.35, DF: 200})
	if err != nil {
		log.Fatal(err)
	}
	report(c)
	// Output:
	// a healthy car signals within 21 runs with chance 0.01
	// signal true on day 16, moved from day 13 on: 2.1 before, 3.7 since
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
