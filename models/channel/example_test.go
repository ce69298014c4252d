package channel_test

import (
	"fmt"

	"headroom/models/channel"
)

// What is known of a channel: the unit it is kept in and what a reading may be.
func ExampleLookup() {
	d, ok := channel.Lookup(channel.ChargeTemperature)
	fmt.Println(ok, d.Describe)
	fmt.Printf("kept in %s, believable from %g to %g, at most %g a second\n", d.Unit, d.Min, d.Max, d.MaxRate)
	// Output:
	// true air temperature behind the charge cooler or in the intake manifold
	// kept in °C, believable from -45 to 220, at most 60 a second
}
