package calmap_test

import (
	"fmt"
	"log"

	"headroom/models/calmap"
)

func sparkTable(z [][]float64) *calmap.Table {
	t, err := calmap.New([]float64{2000, 3000, 4000, 5000}, []float64{100, 140, 180}, z)
	if err != nil {
		log.Fatal(err)
	}
	return t
}

// Two spark tables over engine speed and load: what the newer one gives at a state as a control unit reads it, and
// where it differs.
func ExampleDifference() {
	parent := sparkTable([][]float64{{22, 24, 25, 26}, {14, 17, 19, 20}, {8, 11, 13, 15}})
	child := sparkTable([][]float64{{22, 24, 25, 26}, {14, 18.5, 20.5, 20}, {8, 11, 13, 15}})
	d, err := calmap.Difference(child, parent)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("at 3500 rpm, 160 %%: %.2f°, was %.2f°\n", child.At(3500, 160), parent.At(3500, 160))
	for _, c := range d.Changes(0) {
		fmt.Printf("%+.1f° at %g rpm, %g %%\n", c.By, c.X, c.Y)
	}
	low, high := calmap.State{X: 2000, Y: 100}, calmap.State{X: 2500, Y: 120}
	fmt.Printf("largest change up to 2500 rpm and 120 %%: %+.2f°\n", d.Largest(low, high))
	// Output:
	// at 3500 rpm, 160 %: 15.75°, was 15.00°
	// +1.5° at 3000 rpm, 140 %
	// +1.5° at 4000 rpm, 140 %
	// largest change up to 2500 rpm and 120 %: +0.38°
}

// A typing slip: 71 for 17.
func ExampleTable_Lint() {
	t := sparkTable([][]float64{{22, 24, 25, 26}, {14, 71, 19, 20}, {8, 11, 13, 15}})
	for _, n := range t.Lint(calmap.RoleSpark) {
		fmt.Printf("%s: %s\n", n.Kind, n.Say)
	}
	// Output:
	// range: value 71 at x 3000, y 140 is outside what a spark table can hold (-30 to 60 deg)
	// spike: value 71 at x 3000, y 140 stands +53.5 against its neighbours
}
