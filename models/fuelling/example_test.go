package fuelling_test

import (
	"fmt"
	"log"

	"headroom/models/fuel"
	"headroom/models/fuelling"
)

func gasolineWith(ethanol float64) fuel.Fuel {
	f, err := fuel.Blend(fuel.Gasoline(95, 85), ethanol)
	if err != nil {
		log.Fatal(err)
	}
	return f
}

// portInjector flows 550 cm³ a minute at 3 bar and is dead for a millisecond.
func portInjector() fuelling.Injector {
	return fuelling.Injector{RatedFlow: 550e-6 / 60, RatedPressure: 300e3, DeadTime: fuelling.Constant(1.0e-3)}
}

// From the air in the cylinder to the duty of a port injector.
func ExampleInjector_Pulse() {
	inj, f := portInjector(), gasolineWith(0)
	mass, err := fuelling.MassPerCycle(0.9e-3, 0.85, f)
	if err != nil {
		log.Fatal(err)
	}
	pulse, err := inj.Pulse(mass, 300e3, f.Density(), 13.8)
	if err != nil {
		log.Fatal(err)
	}
	duty, err := fuelling.Duty(pulse, 6500)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%.1f mg of fuel in %.1f ms: %.0f %% duty at 6500 rpm\n", 1e6*mass, 1000*pulse, 100*duty)
	// Output:
	// 72.5 mg of fuel in 11.6 ms: 63 % duty at 6500 rpm
}

// The other way round: how much air can these injectors feed at 6500 rpm without passing 85 % duty?
func ExampleInjector_LargestAirMass() {
	const longest = 0.85 * 120 / 6500 // s
	for _, ethanol := range []float64{0, 0.85} {
		mass, err := portInjector().LargestAirMass(longest, 300e3, 13.8, 0.85, gasolineWith(ethanol))
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%2.0f %% ethanol: %.2f g of air a stroke\n", 100*ethanol, 1000*mass)
	}
	// Output:
	// 0 % ethanol: 1.25 g of air a stroke
	// 85 % ethanol: 0.88 g of air a stroke
}

// How much more fuel flows when ethanol goes into the tank, same air and lambda.
func ExampleDemandFactor() {
	for _, ethanol := range []float64{0.10, 0.85} {
		k, err := fuelling.DemandFactor(gasolineWith(0), gasolineWith(ethanol))
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%2.0f %% ethanol: %.2f times the volume\n", 100*ethanol, k)
	}
	// Output:
	// 10 % ethanol: 1.04 times the volume
	// 85 % ethanol: 1.41 times the volume
}
