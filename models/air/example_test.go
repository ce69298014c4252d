package air_test

import (
	"fmt"
	"log"

	"headroom/models/air"
)

// How warm air at 25 °C gets on its way to 200 kPa, with an intercooler of two effectivenesses.
func ExampleChargeTemperature() {
	for _, effectiveness := range []float64{0.5, 0.8} {
		t, err := air.ChargeTemperature(298.15, 100e3, 200e3, 0.70, effectiveness)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("effectiveness %g: %.0f °C\n", effectiveness, t-273.15)
	}
	// Output:
	// effectiveness 0.5: 72 °C
	// effectiveness 0.8: 44 °C
}

// A car logs mass air flow, manifold pressure and charge temperature: the volumetric efficiency that makes both agree
// is what a speed–density table needs.
func ExampleVolumetricEfficiency() {
	const cylinder = 0.5e-3 // m³
	mass, err := air.MassByFlow(0.150, 5000, 4)
	if err != nil {
		log.Fatal(err)
	}
	load, err := air.AbsoluteLoad(mass, cylinder)
	if err != nil {
		log.Fatal(err)
	}
	ve, err := air.VolumetricEfficiency(mass, 170e3, 313, cylinder)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.2f g a stroke, %.0f %% load, volumetric efficiency %.2f\n", 1000*mass, load, ve)
	// Output:
	// 0.90 g a stroke, 152 % load, volumetric efficiency 0.95
}

// Of 101.3 kPa on a humid summer day part is water vapour, which burns nothing.
func ExampleDryPressure() {
	vapour, err := air.VapourPressure(303.15, 0.70)
	if err != nil {
		log.Fatal(err)
	}
	dry, err := air.DryPressure(101.3e3, 303.15, 0.70)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("30 °C, 70 %% humidity: %.1f kPa vapour, %.1f kPa dry air\n", vapour/1000, dry/1000)
	// Output:
	// 30 °C, 70 % humidity: 3.0 kPa vapour, 98.3 kPa dry air
}
