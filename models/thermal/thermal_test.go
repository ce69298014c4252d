package thermal_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"headroom/models/thermal"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.8g, want %.8g ± %g", what, got, want, tolerance)
	}
}

// The series of testdata/reference/physics/thermal.R.
func series() (time, temperature []float64) {
	for i := range 61 {
		t := float64(i) * 0.5
		time = append(time, t)
		temperature = append(temperature, 55-20*math.Exp(-t/12)+0.4*math.Sin(7*t)+0.3*math.Cos(13*t))
	}
	return time, temperature
}

// R nls: testdata/reference/physics/thermal.csv.
func TestAgainstR(t *testing.T) {
	time, temperature := series()
	f, err := thermal.Fit(time, temperature)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "start", f.Start, 35.22356066, 1e-5)
	near(t, "final", f.Final, 55.38046697, 1e-5)
	near(t, "time constant", f.TimeConstant, 12.66227517, 1e-5)
	near(t, "scatter", f.ResidualSD, 0.35697308, 1e-7)
	if !f.Determined || f.Samples != 61 {
		t.Errorf("determined %v, samples %d", f.Determined, f.Samples)
	}
}

// Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, example 5.1: a thermocouple of time constant 1 s, from
// 25 °C into gas at 200 °C, reads 199 °C after 5.2 s.
func TestThermocoupleExample(t *testing.T) {
	f := thermal.FirstOrder{Start: 25, Final: 200, TimeConstant: 1}
	s, err := f.TimeTo(1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "time to 199 °C", s, 5.2, 0.05)
	near(t, "temperature then", f.At(s), 199, 1e-9)
	if s, _ := f.TimeTo(500); s != 0 {
		t.Errorf("already there, but %g s", s)
	}
}

func TestFitProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := thermal.FirstOrder{Start: rapid.Float64Range(20, 60).Draw(t, "start"),
			TimeConstant: rapid.Float64Range(2, 25).Draw(t, "tau")}
		want.Final = want.Start + rapid.Float64Range(5, 60).Draw(t, "rise")
		var time, temperature []float64
		for i := range 40 {
			time = append(time, 100+float64(i)*0.5)
			temperature = append(temperature, want.At(float64(i)*0.5))
		}
		got, err := thermal.Fit(time, temperature)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.TimeConstant/want.TimeConstant-1) > 1e-4 || math.Abs(got.Final-want.Final) > 0.01 ||
			math.Abs(got.Start-want.Start) > 0.01 {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
}

// A straight line tells neither the final value nor the time constant.
func TestStraightLineIsNotDetermined(t *testing.T) {
	var time, line, flat []float64
	for i := range 30 {
		time = append(time, float64(i))
		line = append(line, 30+0.5*float64(i))
		flat = append(flat, 40)
	}
	for name, y := range map[string][]float64{"line": line, "flat": flat} {
		f, err := thermal.Fit(time, y)
		if err != nil {
			t.Fatal(err)
		}
		if f.Determined {
			t.Errorf("%s counted as a first-order response: %+v", name, f)
		}
	}
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	if _, err := thermal.Fit([]float64{0, 1, 2}, []float64{1, 2, 3}); !errors.Is(err, thermal.ErrTooFew) {
		t.Errorf("three samples: %v", err)
	}
	cases := []struct {
		time, temperature []float64
		want              string
	}{
		{[]float64{0, 1, 2, 3}, []float64{1}, "as many of each"},
		{[]float64{0, 1, 1, 2}, []float64{1, 2, 3, 4}, "does not rise"},
		{[]float64{0, nan, 1, 2}, []float64{1, 2, 3, 4}, "time"},
		{[]float64{0, 1, 2, 3}, []float64{1, nan, 2, 3}, "temperature"},
	}
	for _, c := range cases {
		if _, err := thermal.Fit(c.time, c.temperature); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v does not say %q", err, c.want)
		}
	}
	if _, err := (thermal.FirstOrder{TimeConstant: 1}).TimeTo(0); err == nil {
		t.Error("tolerance 0 passed")
	}
	if _, err := (thermal.FirstOrder{}).TimeTo(1); err == nil {
		t.Error("time constant 0 passed")
	}
}
