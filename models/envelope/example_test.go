package envelope_test

import (
	"encoding/json"
	"fmt"
	"log"

	"headroom/models/envelope"
)

// exhaust is the largest exhaust temperature of each pull, °C, by car: twelve cars of one platform.
var exhaust = map[string][]float64{
	"car-01": {858, 864, 861}, "car-02": {871, 869}, "car-03": {845, 851, 848, 850}, "car-04": {880, 876},
	"car-05": {862, 866, 859}, "car-06": {868}, "car-07": {853, 858, 860}, "car-08": {874, 870, 877, 872},
	"car-09": {849, 853}, "car-10": {866, 861, 864}, "car-11": {857, 855}, "car-12": {869, 873, 870},
}

func summary(cars map[string][]float64) *envelope.Summary {
	s := &envelope.Summary{}
	for car, pulls := range cars {
		for _, v := range pulls {
			if err := s.Add(car, v); err != nil {
				log.Fatal(err)
			}
		}
	}
	return s
}

// Up to which temperature has this platform been shown to run? The limit is for a pull of a car nobody has seen: 95 %
// of such pulls stay below it, said with 95 % confidence.
func ExampleSummary_Upper() {
	l, err := summary(exhaust).Upper(0.95, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%d cars, %d pulls: mean %.0f °C, hottest %.0f °C\n", l.Cars, l.Pulls, l.Mean, l.Extreme)
	fmt.Printf("deviation between cars %.1f, within a car %.1f\n", l.BetweenSD, l.WithinSD)
	fmt.Printf("tolerance limit %.0f °C (%s)\n", l.Value, l.Method)
	fmt.Printf("shown to run up to %.0f °C (%s)\n", l.Shown, l.ShownBy)
	fmt.Printf("a limit that assumes no shape: %d more cars\n", l.PredictionCars-l.Cars)

	few, err := summary(map[string][]float64{"car-01": {858, 864, 861}, "car-02": {871, 869}}).Upper(0.95, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("two cars: %s, %d more needed\n", few.Status, few.CarsNeeded)
	// Output:
	// 12 cars, 32 pulls: mean 863 °C, hottest 880 °C
	// deviation between cars 8.9, within a car 2.8
	// tolerance limit 888 °C (one-way random effects: generalised confidence limit)
	// shown to run up to 880 °C (most extreme value seen: the tolerance limit lies past it)
	// a limit that assumes no shape: 7 more cars
	// two cars: not_enough_cars, 1 more needed
}

// Two workshops reduce their own logs to a value a pull and send the values, not the logs. Merged in either order they
// give the same summary to the last digit, and so the same limit.
func ExampleSummary_Merge() {
	north, south := &envelope.Summary{}, &envelope.Summary{}
	for car, pulls := range exhaust {
		shop := north
		if car > "car-06" {
			shop = south
		}
		for _, v := range pulls {
			if err := shop.Add(car, v); err != nil {
				log.Fatal(err)
			}
		}
	}
	sent, err := json.Marshal(south)
	if err != nil {
		log.Fatal(err)
	}
	var received envelope.Summary
	if err := json.Unmarshal(sent, &received); err != nil {
		log.Fatal(err)
	}
	north.Merge(&received)

	together, err := north.Upper(0.95, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	whole, err := summary(exhaust).Upper(0.95, 0.95)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(north.Cars(), "cars,", north.Pulls(), "pulls, same limit:", together.Value == whole.Value)
	// Output:
	// 12 cars, 32 pulls, same limit: true
}

// How many cars does a limit take that assumes no shape at all?
func ExampleCarsForDistributionFree() {
	for _, content := range []float64{0.90, 0.95, 0.99} {
		n, err := envelope.CarsForDistributionFree(content, 0.95)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%.0f %% of pulls: %d cars\n", 100*content, n)
	}
	// Output:
	// 90 % of pulls: 29 cars
	// 95 % of pulls: 59 cars
	// 99 % of pulls: 299 cars
}
