package bound_test

import (
	"errors"
	"math"
	"testing"

	"headroom/models/bound"
)

func TestCheck(t *testing.T) {
	for _, v := range []float64{1, 2, 1.5} {
		if err := bound.Check("speed", v, 1, 2, "m/s"); err != nil {
			t.Errorf("%g: %v", v, err)
		}
	}
	for _, v := range []float64{0.999, 2.001, math.NaN(), math.Inf(1), math.Inf(-1)} {
		if err := bound.Check("speed", v, 1, 2, "m/s"); err == nil {
			t.Errorf("%g passed", v)
		}
	}
	if err := bound.Check("speed", math.Inf(1), 1, math.Inf(1), ""); err == nil {
		t.Error("infinity passed an open range")
	}
	err := bound.Check("speed", 3, 1, 2, "m/s")
	if got, want := err.Error(), "speed 3 m/s is out of range: must be from 1 to 2 m/s"; got != want {
		t.Errorf("error %q, want %q", got, want)
	}
}

func TestPositive(t *testing.T) {
	if err := bound.Positive("mass", 1e-300, "kg"); err != nil {
		t.Error(err)
	}
	for _, v := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if err := bound.Positive("mass", v, "kg"); err == nil {
			t.Errorf("%g passed", v)
		}
	}
	err := bound.Positive("mass", 0, "kg")
	if got, want := err.Error(), "mass 0 kg is out of range: must be finite and above 0 kg"; got != want {
		t.Errorf("error %q, want %q", got, want)
	}
}

func TestFirst(t *testing.T) {
	a, b := errors.New("a"), errors.New("b")
	if bound.First(nil, a, b) != a || bound.First(nil, nil) != nil {
		t.Error("not the first")
	}
}
