package engine_test

import (
	"fmt"
	"log"

	"headroom/models/air"
	"headroom/models/engine"
)

// What 400 N·m mean for a two-litre engine.
func ExampleGeometry_BMEP() {
	g := engine.Geometry{Cylinders: 4, Bore: 0.086, Stroke: 0.086, Rod: 0.145, CompressionRatio: 9.5}
	if err := g.Validate(); err != nil {
		log.Fatal(err)
	}
	fmt.Printf("displacement %.0f cm³\n", 1e6*g.Displacement())
	fmt.Printf("mean effective pressure %.1f bar\n", g.BMEP(400)/1e5)
	fmt.Printf("power at 5500 rpm %.0f kW\n", engine.Power(400, 5500)/1000)
	fmt.Printf("mean piston speed %.1f m/s\n", g.PistonSpeed(5500))
	// Output:
	// displacement 1998 cm³
	// mean effective pressure 25.2 bar
	// power at 5500 rpm 230 kW
	// mean piston speed 15.8 m/s
}

// Two dynamometer runs of one car on different days, brought to the reference air of SAE J1349.
func ExamplePowerCorrection() {
	for _, day := range []struct {
		name                            string
		kilowatts, kelvin, humidity, pa float64
	}{
		{"cool", 183, 288.15, 0.5, 101.0e3},
		{"hot", 172, 308.15, 0.4, 98.5e3},
	} {
		dry, err := air.DryPressure(day.pa, day.kelvin, day.humidity)
		if err != nil {
			log.Fatal(err)
		}
		cf, err := engine.PowerCorrection(dry, day.kelvin)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%-4s day: %g kW × %.3f = %.0f kW\n", day.name, day.kilowatts, cf, cf*day.kilowatts)
	}
	// Output:
	// cool day: 183 kW × 0.967 = 177 kW
	// hot  day: 172 kW × 1.054 = 181 kW
}
