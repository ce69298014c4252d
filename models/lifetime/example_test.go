package lifetime_test

import (
	"fmt"
	"log"

	"headroom/models/lifetime"
)

// What do 43 cars without a failure prove?
func ExampleProve() {
	p, err := lifetime.Prove(lifetime.Group{Cars: 43, Exposure: 2150}, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("of such cars at most %.1f %% fail over as many pulls\n", 100*p.ShareUpper)
	fmt.Printf("at most %.1f failures in 1000 pulls\n", 1000*p.RateUpper)
	// Output:
	// of such cars at most 6.7 % fail over as many pulls
	// at most 1.4 failures in 1000 pulls
}

// Three failures in 1800 hours at load: between which rates does the true one lie?
func ExampleRateInterval() {
	in, err := lifetime.RateInterval(3, 1800, 0.90)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.2f to %.2f failures in 1000 hours\n", 1000*in.Low, 1000*in.High)
	// Output:
	// 0.45 to 4.31 failures in 1000 hours
}

// Does more power cost more failures? Rates of two groups, exactly.
func ExampleCompareRates() {
	strong := lifetime.Group{Name: "above 400 kW", Failures: 7, Exposure: 900}
	mild := lifetime.Group{Name: "below", Failures: 4, Exposure: 2600}
	r, err := lifetime.CompareRates(strong, mild, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.1f times the rate (%.1f to %.0f), p = %.3f\n", r.Ratio, r.Low, r.High, r.PValue)
	// Output:
	// 5.1 times the rate (1.3 to 24), p = 0.009
}

// Six cars, two of which failed while the others still run: what share lasts how long? Nothing is said past the last
// day on which a car was seen.
func ExampleKaplanMeier() {
	curve, err := lifetime.KaplanMeier([]lifetime.Observation{
		{Exit: 120, Failed: true}, {Exit: 200}, {Exit: 310}, {Exit: 340, Failed: true}, {Exit: 400}, {Exit: 420},
	}, 0.90)
	if err != nil {
		log.Fatal(err)
	}
	for _, day := range []float64{100, 365, 500} {
		p, ok := curve.At(day)
		if !ok {
			fmt.Printf("day %.0f: nothing was seen\n", day)
			continue
		}
		fmt.Printf("day %.0f: %.0f %% run, 90 %% band %.0f to %.0f %%\n", day, 100*p.Survival, 100*p.Low, 100*p.High)
	}
	if day, ok := curve.Quantile(0.25); ok {
		fmt.Printf("a quarter had failed by day %.0f\n", day)
	}
	// Output:
	// day 100: 100 % run, 90 % band 61 to 100 %
	// day 365: 56 % run, 90 % band 13 to 85 %
	// day 500: nothing was seen
	// a quarter had failed by day 340
}
