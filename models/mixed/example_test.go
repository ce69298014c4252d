package mixed_test

import (
	"fmt"
	"log"
	"math"

	"headroom/models/mixed"
)

// Exhaust temperature over fuel flow, logged on three days of four cars. Physics says about 8 °C a g/s, give or take
// 3; the fleet gives the level and the cars their offsets.
func ExampleFit() {
	var cars []mixed.Car
	for c, offset := range []float64{-9, 4, 11, -6} {
		car := mixed.Car{ID: fmt.Sprintf("car-%02d", c+1)}
		for d, weather := range []float64{-3, 2, 1} {
			var day mixed.Day
			for p, soak := range []float64{0, 3} {
				var pull mixed.Pull
				for _, flow := range []float64{12, 15, 18} {
					ripple := 2 * math.Sin(float64(7*c+5*d+3*p)+flow) // stands for what nobody knows
					y := 760 + 7*flow + offset + weather + soak + ripple
					pull.Rows = append(pull.Rows, mixed.Row{X: []float64{1, flow - 15}, Y: y})
				}
				day.Pulls = append(day.Pulls, pull)
			}
			car.Days = append(car.Days, day)
		}
		cars = append(cars, car)
	}
	m, err := mixed.Fit(cars, mixed.Prior{Mean: []float64{0, 8}, SD: []float64{math.Inf(1), 3}})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("slope %.1f °C a g/s\n", m.Coef[1])
	fmt.Printf("deviation of cars %.0f, days %.1f, one row %.1f\n", math.Sqrt(m.CarVar), math.Sqrt(m.DayVar),
		math.Sqrt(m.ResidualVar))
	for _, id := range []string{"car-03", "a car not seen"} {
		mean, level, total, err := m.Predict(id, []float64{1, 3})
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%s at 18 g/s: %.0f °C, level ± %.0f, one pull ± %.0f\n", id, mean, level, total)
	}
	for _, w := range m.Warnings {
		fmt.Println(w)
	}
	// Output:
	// slope 7.0 °C a g/s
	// deviation of cars 11, days 2.0, one row 1.6
	// car-03 at 18 g/s: 898 °C, level ± 2, one pull ± 4
	// a car not seen at 18 g/s: 888 °C, level ± 13, one pull ± 13
	// the variance between cars rests on 4 cars only: widened
}
