package unit_test

import (
	"fmt"
	"log"

	"headroom/models/unit"
)

// Units as logs write them, and what they come to in another one.
func ExampleParse() {
	for _, c := range []struct {
		value    float64
		from, to string
	}{{22, "psi", "kPa"}, {212, "deg F", "°C"}, {300, "lb-ft", "N·m"}, {24, "lb/min", "g/s"}} {
		from, err := unit.Parse(c.from)
		if err != nil {
			log.Fatal(err)
		}
		to, err := unit.Parse(c.to)
		if err != nil {
			log.Fatal(err)
		}
		v, err := unit.Convert(c.value, from, to)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%g %s = %.1f %s\n", c.value, from, v, to)
	}
	// Output:
	// 22 psi = 151.7 kPa
	// 212 °F = 100.0 °C
	// 300 lbf·ft = 406.7 Nm
	// 24 lb/min = 181.4 g/s
}

// A gauge pressure is not an absolute one: between them stands the barometer, and the conversion is refused.
func ExampleConvert() {
	boost, err := unit.Convert(14.5, unit.PSIGauge, unit.KilopascalGauge)
	if err != nil {
		log.Fatal(err)
	}
	const barometer = 98.2 // kPa
	fmt.Printf("%.0f %s at %.1f kPa outside are %.0f kPa absolute\n", boost, unit.KilopascalGauge, barometer,
		boost+barometer)
	_, err = unit.Convert(14.5, unit.PSIGauge, unit.Kilopascal)
	fmt.Println("to absolute without it: refused", err != nil)
	// Output:
	// 100 kPa gauge at 98.2 kPa outside are 198 kPa absolute
	// to absolute without it: refused true
}
