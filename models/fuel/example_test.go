package fuel_test

import (
	"fmt"
	"log"

	"headroom/models/fuel"
)

// What ethanol does to a gasoline of 91 RON and 83 MON: less air a kilogram, more cooling, more octane.
func ExampleBlend() {
	base := fuel.Gasoline(91, 83)
	for _, share := range []float64{0, 0.10, 0.30, 0.85} {
		f, err := fuel.Blend(base, share)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("E%02.0f: stoichiometric %.2f, %.0f kJ/kg to evaporate, RON %.0f, AKI %.0f\n", 100*share, f.Stoich(),
			f.HeatOfVaporisation()/1000, f.RON(), f.AKI())
	}
	// Output:
	// E00: stoichiometric 14.60, 350 kJ/kg to evaporate, RON 91, AKI 87
	// E10: stoichiometric 14.01, 402 kJ/kg to evaporate, RON 95, AKI 90
	// E30: stoichiometric 12.84, 504 kJ/kg to evaporate, RON 100, AKI 94
	// E85: stoichiometric 9.80, 770 kJ/kg to evaporate, RON 108, AKI 99
}

// A pump fuel is known by its own octane numbers. Its base gasoline follows, so that the same fuel can be asked for
// with more ethanol; a boosted engine makes more of it than RON says.
func ExampleFinished() {
	pump, err := fuel.Finished(95, 85, 0.10)
	if err != nil {
		log.Fatal(err)
	}
	more, err := pump.WithEthanol(0.30)
	if err != nil {
		log.Fatal(err)
	}
	for _, f := range []fuel.Fuel{pump, more} {
		oi, err := f.OctaneIndex(-0.3)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%.0f %% ethanol: RON %.1f, acts as %.1f\n", 100*f.EthanolShare(), f.RON(), oi)
	}
	// Output:
	// 10 % ethanol: RON 95.0, acts as 98.0
	// 30 % ethanol: RON 100.4, acts as 104.5
}
