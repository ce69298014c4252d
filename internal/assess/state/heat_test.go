package state

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"headroom/internal/evidence"
	"headroom/models/channel"
)

// heatFleet is rows of cars on a spark table over load, on days of other warmth, with what control units take out at
// a charge temperature; a row's spark is known to noise, and a pull's shares some.
func heatFleet(rng *rand.Rand, noise float64, taken func(charge float64) float64) []evidence.Row {
	var rows []evidence.Row
	for car := range 8 {
		offset := rng.NormFloat64() // what this car has learned to hold back
		for day := range 4 {
			ambient := 15 + 7*rng.NormFloat64()
			for pull := range 3 {
				shared := noise * rng.NormFloat64()
				for cell := range 10 {
					charge := ambient + 20 + 2*float64(pull) + float64(cell)
					load := (110 + 8*float64(cell)) * 318 / (charge + 273) // hot air is thin, and spark is read by load
					rows = append(rows, evidence.Row{Kind: evidence.KindPull, Vehicle: fmt.Sprint("car-", car),
						Revision: "with", Run: fmt.Sprintf("run-%d-%d", car, day), Segment: int32(pull),
						RPM: 2000 + 400*float64(cell), Load: load, ChargeTemperature: charge,
						SparkCommanded: 40 - 0.15*load + offset + shared - taken(charge) + noise*rng.NormFloat64(),
						Bound: evidence.Sample{RPM: math.NaN(), Load: math.NaN(), Charge: math.NaN(),
							Commanded: math.NaN()}})
				}
			}
		}
	}
	return rows
}

func heatPlatform(t *testing.T) *Platform {
	t.Helper()
	p := kestrel(t)
	p.calibrations = map[string]*Calibration{"with": {ID: "with", Lookups: map[string]Lookup{"spark": {
		Table: tableOf(t, []float64{0, 300}, nil, [][]float64{{40, -5}}), X: channel.AbsoluteLoad}}}}
	return p
}

// Simulated: what control units take out above 45 °C, 0.12 degrees a kelvin, is found beside what the table gives for
// thinner air and what each car holds back.
func TestHeatLine(t *testing.T) {
	p := heatPlatform(t)
	taken := func(charge float64) float64 { return 0.12 * math.Max(0, charge-45) }
	got := p.HeatLineOf(heatFleet(rand.New(rand.NewPCG(3, 1)), 0.2, taken))
	close(t, "knee", got.From, 45, 5)
	close(t, "spark a kelvin", got.PerK, 0.12, 0.02)
	for _, charge := range []float64{25, 45, 55, 65} {
		close(t, fmt.Sprintf("taken out at %g °C", charge), got.taken(charge), taken(charge), 0.3)
	}
	if got := got.taken(math.NaN()); got != 0 {
		t.Errorf("at an unknown temperature %g are taken out", got)
	}
}

// Of 200 fleets whose control units take nothing out, or give spark for heat, no line is made up.
func TestNoHeatLine(t *testing.T) {
	p := heatPlatform(t)
	rng := rand.New(rand.NewPCG(3, 2))
	for range 100 {
		for _, perK := range []float64{0, -0.05} {
			none := p.HeatLineOf(heatFleet(rng, 0.5, func(c float64) float64 { return perK * math.Max(0, c-30) }))
			if none != (HeatLine{}) {
				t.Fatalf("%g degrees a kelvin: %+v", perK, none)
			}
		}
	}
	if none := p.HeatLineOf(nil); none != (HeatLine{}) {
		t.Errorf("of no rows %+v", none)
	}
}

// A pull that is put in a hotter day loses the spark that its control unit takes out, and gets it back in a colder one;
// what a table gives for the thinner charge comes to that.
func TestHotterDayTakesSpark(t *testing.T) {
	p := heatPlatform(t).WithHeat(HeatLine{From: 45, PerK: 0.12})
	on := p.calibrations["with"]
	s := State{RPM: 4000, Load: 150, Charge: 55, Ambient: 20, Spark: 16.3, Row: &evidence.Row{}}
	for _, c := range []struct{ by, taken float64 }{{10, 1.2}, {-5, -0.6}, {-20, -1.2}} {
		v := p.InWeather(&Visit{State: s}, AnotherDay{Day: 20 + c.by, Ambient: c.by, Charge: c.by, Pull: "x"}, on)
		thinner := 150 * (1 - (55+zeroCelsius)/(55+c.by+zeroCelsius))
		close(t, "spark", v.Spark, 16.3+0.15*thinner-c.taken, 1e-9)
		close(t, "ambient", v.Ambient, 20+c.by, 1e-9)
		hot := hotDay(Met{HotDay: 20 + c.by, CommonDay: 20, ChargeADay: 1})
		at := s
		at.Day = 20
		close(t, "under the stress", p.Under(hot, &Visit{State: at}, on).Spark, v.Spark, 1e-9)
	}
}

// A pull that is put in thinner air at the same absolute boost has hotter charge by what the compressor adds, and less
// of it (ideal gas); the stress of thin air there finds nothing left to do.
func TestThinnerAirOfADay(t *testing.T) {
	p := kestrel(t)
	on := &Calibration{}
	s := State{RPM: 4000, Load: 150, Charge: 45, Ambient: 20, Manifold: 180, Barometer: 100, Spark: 12,
		Row: &evidence.Row{}}
	there := s
	there.Barometer = 84
	more := p.ChargeRise(&there) - p.ChargeRise(&s)
	if !(more > 3 && more < 15) {
		t.Fatalf("the compressor adds %g K", more)
	}
	v := p.InWeather(&Visit{State: s}, AnotherDay{Day: 20, Barometer: 84, Pull: "x"}, on)
	close(t, "charge", v.Charge, 45+more, 1e-9)
	close(t, "load", v.Load, 150*(45+zeroCelsius)/(45+more+zeroCelsius), 1e-9)
	close(t, "barometer", v.Barometer, 84, 0)
	close(t, "manifold", v.Manifold, 180, 0)
	at := v.State
	thinAir(Met{LowPressure: 84, PressureFrom: SizeOfClimate}).apply(p, &at)
	close(t, "charge under the stress", at.Charge, v.Charge, 0)
	asLogged := p.InWeather(&Visit{State: s}, AnotherDay{Day: 20, Pull: "x"}, on)
	close(t, "barometer as logged", asLogged.Barometer, 100, 0)
}
