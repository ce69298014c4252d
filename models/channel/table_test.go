package channel

import (
	"math"
	"os"
	"regexp"
	"testing"

	"headroom/models/unit"
)

// Every declared ID must have a row and every row a declared ID; the constants are read from the source so that a new
// one cannot be forgotten.
func TestTableIsComplete(t *testing.T) {
	src, err := os.ReadFile("channel.go")
	if err != nil {
		t.Fatal(err)
	}
	declared := map[ID]bool{}
	for _, m := range regexp.MustCompile(`(?m)^\t\w+ +ID = "(\w+)"`).FindAllSubmatch(src, -1) {
		declared[ID(m[1])] = true
	}
	if len(declared) < 30 {
		t.Fatalf("only %d constants found in channel.go", len(declared))
	}
	for i, d := range All() {
		if !declared[d.ID] {
			t.Errorf("row %q has no constant", d.ID)
		}
		delete(declared, d.ID)
		if got, ok := Lookup(d.ID); !ok || got != d || Order(d.ID) != i {
			t.Errorf("Lookup(%q) = %+v, %v", d.ID, got, ok)
		}
		if !(d.Min < d.Max) || d.MaxRate < 0 || d.Describe == "" || !d.Unit.Known() {
			t.Errorf("row %q is not usable: %+v", d.ID, d)
		}
	}
	for id := range declared {
		t.Errorf("constant %q has no row", id)
	}
	if _, ok := Lookup("no_such"); ok || Order("no_such") != len(All()) || ID("no_such").Plausible(0) {
		t.Error("an unknown ID was found")
	}
}

// The physical range of a J1979 parameter (its scaling at raw 0 and at raw maximum; SAE J1979 data definitions, from
// memory) must overlap the plausible range, and ordinary operating values must lie inside it.
func TestPlausibleAgainstJ1979(t *testing.T) {
	cases := []struct {
		id       ID
		pid      uint8
		unit     unit.Unit
		low      float64 // raw minimum
		high     float64 // raw maximum
		ordinary []float64
	}{
		{CalculatedLoad, 0x04, unit.Percent, 0, 100, []float64{18, 95, 100}},
		{CoolantTemperature, 0x05, unit.Celsius, -40, 215, []float64{-40, 20, 90, 120}},
		{ShortTermTrim, 0x06, unit.Percent, -100, 99.22, []float64{-25, 0, 25}},
		{ManifoldPressure, 0x0B, unit.Kilopascal, 0, 255, []float64{20, 101, 255}},
		{EngineSpeed, 0x0C, unit.RPM, 0, 16383.75, []float64{0, 700, 7500}},
		{VehicleSpeed, 0x0D, unit.KmPerHour, 0, 255, []float64{0, 255}},
		{SparkAdvance, 0x0E, unit.Degree, -64, 63.5, []float64{-20, 10, 45}},
		{MassAirFlow, 0x10, unit.GramPerSecond, 0, 655.35, []float64{2, 300}},
		{ThrottlePosition, 0x11, unit.Percent, 0, 100, []float64{0, 100}},
		{BarometricPressure, 0x33, unit.Kilopascal, 0, 255, []float64{70, 101, 104}},
		{CatalystTemperature, 0x3C, unit.Celsius, -40, 6513.5, []float64{20, 900}},
		{ModuleVoltage, 0x42, unit.Volt, 0, 65.535, []float64{9, 14.4}},
		{AbsoluteLoad, 0x43, unit.Percent, 0, 25700, []float64{15, 250}},
		{LambdaCommanded, 0x44, unit.LambdaUnit, 0, 2, []float64{0.75, 1, 1.2}},
		{EthanolShare, 0x52, unit.Percent, 0, 100, []float64{0, 10, 85}},
		{OilTemperature, 0x5C, unit.Celsius, -40, 210, []float64{20, 110}},
		{FuelLevel, 0x2F, unit.Percent, 0, 100, []float64{0, 50, 100}},
	}
	for _, c := range cases {
		d, ok := Lookup(c.id)
		if !ok || d.PID != c.pid || d.Unit != c.unit {
			t.Errorf("%s: %+v", c.id, d)
			continue
		}
		if d.Max < c.low || d.Min > c.high {
			t.Errorf("%s: plausible range does not meet the parameter's range", c.id)
		}
		for _, v := range c.ordinary {
			if !c.id.Plausible(v) {
				t.Errorf("%s: %v %s is an ordinary reading", c.id, v, d.Unit)
			}
		}
		if c.id.Plausible(math.NaN()) || c.id.Plausible(math.Inf(1)) {
			t.Errorf("%s: a missing reading is plausible", c.id)
		}
	}
}

func TestAllIsACopy(t *testing.T) {
	All()[0].Max = -1
	if d, _ := Lookup(EngineSpeed); d.Max == -1 {
		t.Error("All hands out the table itself")
	}
}
