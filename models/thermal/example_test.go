package thermal_test

import (
	"fmt"
	"log"

	"headroom/models/thermal"
)

// An exhaust probe at 820 °C as the driver lifts and the gas falls to 610 °C: its own samples tell how slow it is,
// and so how long a reading takes to come within 5 K of the gas.
func ExampleFit() {
	time := []float64{0, 0.5, 1, 1.5, 2, 3, 4, 5, 6, 8}
	reading := []float64{820, 779, 746, 720, 699, 666, 645, 632, 624, 615}
	f, err := thermal.Fit(time, reading)
	if err != nil {
		log.Fatal(err)
	}
	settled, err := f.TimeTo(5)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("time constant %.1f s, towards %.0f °C, told by the samples: %v\n", f.TimeConstant, f.Final,
		f.Determined)
	fmt.Printf("within 5 K after %.0f s; after 2 s it still reads %.0f °C\n", settled, f.At(2))
	// Output:
	// time constant 2.3 s, towards 607 °C, told by the samples: true
	// within 5 K after 9 s; after 2 s it still reads 698 °C
}
