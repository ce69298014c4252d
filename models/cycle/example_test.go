package cycle_test

import (
	"fmt"
	"log"

	"headroom/models/air"
	"headroom/models/cycle"
	"headroom/models/engine"
	"headroom/models/fuel"
)

// turboFour is a boosted two-litre engine with direct injection. Its burn is known at one point, from a pressure trace
// or a handbook; the model scales it to any other.
func turboFour() *cycle.Engine {
	cfg := cycle.Defaults(true)
	cfg.Geometry = engine.Geometry{Cylinders: 4, Bore: 0.0825, Stroke: 0.0928, Rod: 0.144, CompressionRatio: 9.6}
	cfg.IntakeValveClosing, cfg.ExhaustValveOpening = -140, 130
	b := &cfg.Burn
	b.RPM, b.AbsoluteLoad, b.Lambda, b.Spark = 3000, 150, 0.9, 10
	b.Lag, b.Duration = 12, 48
	e, err := cycle.New(cfg)
	if err != nil {
		log.Fatal(err)
	}
	return e
}

// fullThrottle is 4000 rpm at 160 % absolute load on pump gasoline with a tenth of ethanol, 12° of spark.
func fullThrottle(e *cycle.Engine) cycle.State {
	mass, err := air.MassFromLoad(160, e.Config().Geometry.CylinderDisplacement())
	if err != nil {
		log.Fatal(err)
	}
	gasoline, err := fuel.Finished(98, 88, 0.10)
	if err != nil {
		log.Fatal(err)
	}
	return cycle.State{RPM: 4000, AirMass: mass, ManifoldPressure: 190e3, ChargeTemperature: 318,
		CoolantTemperature: 363,
		Lambda:             0.85, Spark: 12, Fuel: gasoline, Octane: 98}
}

// One cycle: what the cylinder sees at an operating point.
func ExampleEngine_Run() {
	e := turboFour()
	r, err := e.Run(fullThrottle(e))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("peak pressure   %.0f bar at %.0f° after top dead centre\n", r.PeakPressure/1e5, r.PeakPressureAngle)
	fmt.Printf("half burned at  %.0f°\n", r.CA50)
	fmt.Printf("brake torque    %.0f N·m\n", e.Config().Geometry.Torque(r.BMEP))
	// Output:
	// peak pressure   55 bar at 36° after top dead centre
	// half burned at  29°
	// brake torque    273 N·m
}

// Levels of a cycle model are off on a real engine; its slopes are what it is for. Here: what each change does to
// the spark that keeps the engine as near to knock as it is now.
func ExampleEngine_Slopes() {
	e := turboFour()
	s, err := e.Slopes(fullThrottle(e))
	if err != nil {
		log.Fatal(err)
	}
	k := s.Knock
	fmt.Printf("10 %% more air          %+.1f°\n", 0.1*k.LnCharge)
	fmt.Printf("charge 10 K hotter     %+.1f°\n", 10*k.Charge)
	fmt.Printf("one octane number less %+.1f°\n", -k.Octane)
	fmt.Printf("lambda 0.05 leaner     %+.1f°\n", 0.05*k.Lambda)
	// Output:
	// 10 % more air          -3.7°
	// charge 10 K hotter     -2.7°
	// one octane number less -0.6°
	// lambda 0.05 leaner     -1.6°
}

// Logs of one car put its knock limit at 14° here. ScaleDelay moves the model's level there, and the search for the
// limit then answers a question about another state in degrees that can be used.
func ExampleEngine_ScaleDelay() {
	e := turboFour()
	seen := fullThrottle(e)
	seen.Spark = 14
	scale, err := e.ScaleDelay(seen)
	if err != nil {
		log.Fatal(err)
	}
	cfg := e.Config()
	cfg.DelayScale = scale
	if e, err = cycle.New(cfg); err != nil {
		log.Fatal(err)
	}
	hot := seen
	hot.ChargeTemperature += 20
	for _, s := range []cycle.State{seen, hot} {
		limit, err := e.KnockLimitedSpark(s)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("charge at %.0f K: knock from %.1f°\n", s.ChargeTemperature, limit)
	}
	// Output:
	// charge at 318 K: knock from 14.0°
	// charge at 338 K: knock from 8.9°
}

// The pressure trace of a cycle, for a drawing or for comparison with a measured one.
func ExampleEngine_Trace() {
	e := turboFour()
	_, points, err := e.Trace(fullThrottle(e), nil)
	if err != nil {
		log.Fatal(err)
	}
	for _, angle := range []float64{-90, -30, 0, 20, 60} {
		for _, p := range points {
			if p.Angle >= angle {
				fmt.Printf("%4.0f° %5.1f bar, %3.0f %% burned\n", p.Angle, p.Pressure/1e5, 100*p.Burned)
				break
			}
		}
	}
	// Output:
	// -90°   3.2 bar,   0 % burned
	//  -28°  17.4 bar,   0 % burned
	//    0°  33.3 bar,   0 % burned
	//   20°  40.3 bar,  19 % burned
	//   60°  34.2 bar, 100 % burned
}

// How long the end gas can be held at 40 atm and 850 K before it ignites itself, by octane number.
func ExampleDelay() {
	for _, octane := range []float64{91, 95, 98} {
		s, err := cycle.Delay(octane, 40*101325, 850)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%g octane: %.2f ms\n", octane, 1000*s)
	}
	// Output:
	// 91 octane: 2.12 ms
	// 95 octane: 2.45 ms
	// 98 octane: 2.73 ms
}
