package assess

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/evidence"
	"headroom/internal/say"
	"headroom/models/mixed"
	"headroom/models/value"
)

// level is how far measurements of a computed metric lie from what physics says, as a model of ln(measured/computed):
// what the cars that measure say about the model's level on all others. A ratio, because what physics misses of a
// charge or a pulse it misses in proportion; a straight line through measured and computed values would bend with the
// operating points that happen to be logged, and lose the change that a revision makes.
type level struct {
	Model *mixed.Model // nil where no car measured it
	Seen  []string     // the cars that did, sorted
	Cars  int
	Pulls int
}

// levelSlopeSD is the prior deviation of the ratio's trend over speed, per 1000 rpm; common practice, no source.
const levelSlopeSD = 0.01

// levelCovariates is the design row of the log ratio: level and trend over speed.
func levelCovariates(s *state) []float64 { return []float64{1, s.rpm/1000 - 4} }

// fitLevel fits the ratio over logged states; bias is the deviation of the model's level before any measurement.
func (p *platform) fitLevel(m *metric, states []state) (level, error) {
	n := evidence.NewNest[mixed.Row]()
	for i := range states {
		s := &states[i]
		measured, computed := m.measured(p, s.row), m.predictor(p, s)
		if measured > 0 && computed > 0 {
			n.Add(s.row, mixed.Row{X: levelCovariates(s), Y: math.Log(measured / computed)})
		}
	}
	if len(n.Cars) == 0 {
		return level{}, nil
	}
	model, err := mixed.Fit(MixedCars(n), mixed.Prior{Mean: []float64{0, 0}, SD: []float64{m.bias, levelSlopeSD}})
	if err != nil {
		return level{}, err
	}
	return level{Model: model, Seen: n.IDs(), Cars: len(n.Cars), Pulls: n.Pulls}, nil
}

// posterior is the mean and covariance of the ratio's parameters for a car; the last parameter is the car's own.
func (l level) posterior(car string, bias float64) (mean []float64, cov *mat.SymDense) {
	if l.Model == nil {
		return []float64{0, 0}, mat.NewSymDense(2, []float64{bias * bias, 0, 0, 0})
	}
	mean, cov = l.Model.Joint(car)
	if own := len(mean) - 1; !slices.Contains(l.Seen, car) {
		cov.SetSym(own, own, l.unseenVariance())
	}
	return mean, cov
}

// Between cars of one platform the ratio is taken to spread by carLevelSD before any of them measured, which counts as
// much as carLevelCars cars; common practice, no source.
const (
	carLevelSD   = 0.03
	carLevelCars = 5
)

// unseenVariance blends that with the spread between the cars that measured (the conjugate estimate of a variance:
// Gelman and others, Bayesian Data Analysis, 2013, sec. 2.6).
func (l level) unseenVariance() float64 {
	n := float64(l.Cars - 1)
	return (carLevelCars*carLevelSD*carLevelSD + n*l.Model.Estimated.Car) / (carLevelCars + n)
}

// design holds the weights of posterior's parameters at a state.
func (l level) design(s *state) []float64 {
	if l.Model == nil {
		return []float64{1, 1}
	}
	return append(levelCovariates(s), 1)
}

// factor is measured over computed as expected of a car at a state.
func (l level) factor(s *state, car string, bias float64) float64 {
	mean, _ := l.posterior(car, bias)
	return math.Exp(value.Dot(l.design(s), mean))
}

// spread is the relative deviation shared by the cells of a pull and that of one cell.
func (l level) spread() (pull, cell float64) {
	if l.Model == nil {
		return 0, 0
	}
	return math.Sqrt(l.Model.DayVar + l.Model.PullVar), math.Sqrt(l.Model.ResidualVar)
}

// says how the level of a computed metric was set.
func (l level) says(car string) string {
	switch {
	case l.Model == nil:
		return "computed from logged states, not measured"
	case slices.Contains(l.Seen, car):
		return "computed from logged states, level from this car's own measurements"
	}
	return "computed from logged states, level from measurements on " + say.Count(l.Cars, "other car")
}
