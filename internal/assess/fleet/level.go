package fleet

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/models/mixed"
	"headroom/models/value"
)

// Level is how far measurements of a computed metric lie from what physics says, as a model of ln(measured/computed):
// what the cars that measure say about the model's level on all others. A ratio, because what physics misses of a
// charge or a pulse it misses in proportion; a straight line through measured and computed values would bend with the
// operating points that happen to be logged, and lose the change that a revision makes.
type Level struct {
	Model *mixed.Model // nil where no car measured it
	Seen  []string     // the cars that did, sorted
	Cars  int
	Pulls int
	// Guessed is the deviation of the level before any measurement that a guess in the platform file adds to bias
	Guessed float64
	Loose   [state.NumLoose]float64 // mean relative change of what was computed there (see Quantity.LooseChange)
}

// levelSlopeSD is the prior deviation of the ratio's trend over speed, per 1000 rpm; common practice, no source.
const levelSlopeSD = 0.01

// levelCovariates is the design row of the log ratio: level and trend over speed.
func levelCovariates(s *state.State) []float64 { return []float64{1, s.RPM/1000 - 4} }

// fitLevel fits the ratio over logged states.
func fitLevel(p *state.Platform, m *Quantity, visits []*state.Visit) (Level, error) {
	n := evidence.NewNest[mixed.Row]()
	var used []*state.State
	for _, v := range visits {
		s := &v.State
		measured, computed := m.Measured(p, s), m.Predictor(p, s)
		if measured > 0 && computed > 0 {
			used = append(used, s)
			n.Add(s.Row, mixed.Row{X: levelCovariates(s), Y: math.Log(measured / computed)})
		}
	}
	level := Level{Guessed: m.guessed(p)}
	if len(n.Cars) == 0 {
		return level, nil
	}
	model, err := mixed.Fit(MixedCars(n), mixed.Prior{Mean: []float64{0, 0},
		SD: []float64{math.Hypot(m.bias, level.Guessed), levelSlopeSD}})
	if err != nil {
		return Level{}, err
	}
	level.Model, level.Seen, level.Cars, level.Pulls = model, n.IDs(), len(n.Cars), n.Pulls
	level.Loose = m.meanLoose(p, used, true)
	return level, nil
}

// Posterior is the mean and covariance of the ratio's parameters for a car; the last parameter is the car's own.
func (l Level) Posterior(m *Quantity, car string) (mean []float64, cov *mat.SymDense) {
	if l.Model == nil {
		return []float64{0, 0}, mat.NewSymDense(2, []float64{m.bias*m.bias + l.Guessed*l.Guessed, 0, 0, 0})
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
func (l Level) unseenVariance() float64 {
	n := float64(l.Cars - 1)
	return (carLevelCars*carLevelSD*carLevelSD + n*l.Model.Estimated.Car) / (carLevelCars + n)
}

// Design holds the weights of Posterior's parameters at a state.
func (l Level) Design(s *state.State) []float64 {
	if l.Model == nil {
		return []float64{1, 1}
	}
	return append(levelCovariates(s), 1)
}

// Factor is measured over computed as expected of a car at a state.
func (l Level) Factor(m *Quantity, s *state.State, car string) float64 {
	mean, _ := l.Posterior(m, car)
	return math.Exp(value.Dot(l.Design(s), mean))
}

// Spread is the relative deviation shared by the cells of a pull and that of one cell.
func (l Level) Spread() (pull, cell float64) {
	if l.Model == nil {
		return 0, 0
	}
	return math.Sqrt(l.Model.DayVar + l.Model.PullVar), math.Sqrt(l.Model.ResidualVar)
}

// Expect is the log ratio expected of a car at a state with its deviation; ok is false where no car measured the
// metric.
func (l Level) Expect(s *state.State, car string) (mean, sd float64, ok bool, err error) {
	if l.Model == nil {
		return 0, 0, false, nil
	}
	mean, sd, _, err = l.Model.Predict(car, levelCovariates(s))
	return mean, sd, true, err
}

// MeasuredOn reports whether a car's own measurements are behind the level.
func (l Level) MeasuredOn(car string) bool { return slices.Contains(l.Seen, car) }
