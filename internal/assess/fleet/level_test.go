package fleet

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"headroom/internal/assess/state"
	"headroom/models/mixed"

	"gonum.org/v1/gonum/mat"
)

func close(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

// Without measurements a computed level keeps its prior; measurements on other cars move it, with the spread between
// cars left in; a measured car has its own. The truth is drawn here: ratios of 0.95 with 2 % between cars.
func TestLevelPosterior(t *testing.T) {
	s := state.State{RPM: 4000}
	q := &Quantity{bias: 0.08}
	of := func(l Level, car string) (factor, sd float64) {
		_, cov := l.Posterior(q, car)
		return l.Factor(q, &s, car), math.Sqrt(mat.Inner(mat.NewVecDense(len(l.Design(&s)), l.Design(&s)), cov,
			mat.NewVecDense(len(l.Design(&s)), l.Design(&s))))
	}
	factor, sd := of(Level{}, "car")
	close(t, "factor without measurements", factor, 1, 0)
	close(t, "deviation without measurements", sd, 0.08, 1e-12)
	rng := rand.New(rand.NewPCG(1, 1))
	var cars []mixed.Car
	own := math.Log(0.95) + 0.06
	for i := range 30 {
		offset := math.Log(0.95) + 0.02*rng.NormFloat64()
		if i == 0 {
			offset = own
		}
		car := mixed.Car{ID: fmt.Sprint("car-", i)}
		for range 3 {
			pull := mixed.Pull{}
			for k := range 8 {
				pull.Rows = append(pull.Rows, mixed.Row{X: []float64{1, float64(k)/2 - 2},
					Y: offset + 0.01*rng.NormFloat64()})
			}
			car.Days = append(car.Days, mixed.Day{Pulls: []mixed.Pull{pull}})
		}
		cars = append(cars, car)
	}
	model, err := mixed.Fit(cars, mixed.Prior{Mean: []float64{0, 0}, SD: []float64{0.08, levelSlopeSD}})
	if err != nil {
		t.Fatal(err)
	}
	l := Level{Model: model, Cars: 30, Seen: []string{"car-0"}}
	factor, sd = of(l, "unseen")
	close(t, "factor of an unseen car", factor, 0.95, 0.012)
	close(t, "deviation of an unseen car", sd, 0.021, 0.006)
	factor, sd = of(l, "car-0")
	close(t, "own factor", factor, math.Exp(own), 0.01)
	if sd > 0.006 {
		t.Errorf("own deviation %.4f", sd)
	}
}
