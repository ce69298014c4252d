package knock_test

import (
	"fmt"
	"log"
	"math"
	"math/rand/v2"

	"headroom/models/knock"
)

// ringing draws the logs of a small fleet: eight cars of five pulls through six cells. The truth, which no log shows,
// is a limit of 14° at 3500 rpm that falls with charge, differs by about a degree between cars and strays by a degree
// from cell to cell. The spark table follows it only roughly; the controller takes 1.5° away when spark passes the
// limit.
func ringing() []knock.Car {
	rng := rand.New(rand.NewPCG(1, 1))
	var cars []knock.Car
	for c := range 8 {
		car := knock.Car{ID: fmt.Sprintf("car-%02d", c+1)}
		own := 1.2 * rng.NormFloat64()
		for range 5 {
			var pull knock.Pull
			for k := range 6 {
				cell := knock.Cell{RPM: 2500 + 400*float64(k), Detect: 1}
				cell.Z[knock.LnCharge] = 0.15 * rng.NormFloat64()
				usual := 14 + 1.2*(cell.RPM-3500)/1000 - 20*cell.Z[knock.LnCharge]
				limit, spark := usual+own+rng.NormFloat64(), math.Round(13-12*cell.Z[knock.LnCharge])
				cell.Lower, cell.Upper = spark, math.Inf(1)               // heard nothing: the limit lies above
				if steps := math.Ceil((spark - limit) / 1.5); steps > 0 { // heard it, until a step took spark below
					cell.Lower, cell.Upper = spark-1.5*steps, spark-1.5*(steps-1)
					cell.Steps = int(steps)
				}
				pull.Cells = append(pull.Cells, cell)
			}
			car.Pulls = append(car.Pulls, pull)
		}
		cars = append(cars, car)
	}
	return cars
}

// Where does each car start to knock? The cycle model gives slopes (here 18° less per unit of ln charge, give or take
// a third), the fleet's logs the level, a car's own logs its offset.
func ExampleFit() {
	prior := knock.Prior{LevelMean: 12, LevelSD: 5, LevelRPM: 3500}
	prior.SlopeMean[knock.LnCharge], prior.SlopeSD[knock.LnCharge] = -18, 6
	m, err := knock.Fit(ringing(), prior, knock.Options{})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%d cells, %d with knock heard, converged: %v\n", m.Rows, m.Events, m.Converged)
	slope, sd := m.Slope(knock.LnCharge)
	fmt.Printf("slope over ln charge %.1f ± %.1f\n", slope, sd)
	var more [knock.NumCovariates]float64
	more[knock.LnCharge] = math.Log(1.10)
	for _, id := range []string{"car-01", "car-05", "a car not seen"} {
		limit, sd, _ := m.Predict(id, 3500, more)
		fmt.Printf("%s, 10 %% more charge: knock from %.1f° ± %.1f\n", id, limit, sd)
	}
	// Output:
	// 240 cells, 61 with knock heard, converged: true
	// slope over ln charge -19.6 ± 1.2
	// car-01, 10 % more charge: knock from 12.6° ± 0.5
	// car-05, 10 % more charge: knock from 11.8° ± 0.5
	// a car not seen, 10 % more charge: knock from 12.4° ± 1.2
}

// One rise of retard in a log sampled every 0.1 s. Spark was climbing back after an earlier step and had just passed
// 15.2° without knock: the limit lies near that (a quarter of a step is left for knock heard late), not at the spark
// that the new step left behind.
func ExampleRise_Bounds() {
	r := knock.Rise{Before: 15.5, After: 14.0, RetardBefore: 0.8, CleanSpark: 15.2}
	lower, upper := r.Bounds(0.1, 1.5, 0.8)
	fmt.Printf("between %.2f° and %.2f°\n", lower, upper)
	// Output:
	// between 14.82° and 15.50°
}

// How much does it say that a cell shows no rise? A fast log would have shown one, a slow one may have missed it.
func ExampleDetectability() {
	for _, interval := range []float64{0.1, 1, 2} {
		fmt.Printf("a sample every %g s: %.2f\n", interval, knock.Detectability(interval, 1.5, 2, 0.6))
	}
	// Output:
	// a sample every 0.1 s: 1.00
	// a sample every 1 s: 0.46
	// a sample every 2 s: 0.13
}
