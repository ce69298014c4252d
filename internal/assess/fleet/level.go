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
//
// What physics misses has a shape over speed, load and spark: a wrong burn anchor, volumetric efficiency or friction
// costs more in one place than in another. The shape is read where a pull was logged, whatever calibration is put on
// it, so that it sets the level and leaves the change that a revision makes to physics. What the shape does not say is
// split into each car's pattern over cells, which stays from pull to pull, and what is drawn anew in each.
type Level struct {
	Model *mixed.Model // nil where no car measured it
	Seen  []string     // the cars that did, sorted
	Cars  int
	Pulls int
	// Guessed is the deviation of the level before any measurement that a guess in the platform file adds to bias
	Guessed float64
	// Between and Within split the residual variance, as in Margin.
	Between, Within float64
	Burns           bool // spark has a part in the metric, and in the shape
	// Plain says that the shape is over speed and knock retard alone: too few cars measured to tell what load and spark
	// do from what the cars differ by, since calibrations and fuels differ with the cars
	Plain             bool
	LoadRef, SparkRef float64 // operating point about which the shape is written: medians of where it was measured
	// Settled is, for each loose number of the platform file, the coefficients of the shape that would take a deviation
	// of it, relative to what is computed, out of the ratio: what measurements settle of it (see Quantity.LooseChange)
	Settled [state.NumLoose][]float64
}

// What the ratio may do before a measurement. Speed: with 2.5 ° of ignition lag torque moves from 1 to 6 % between 1500
// and 7000 rpm, so ±5 ° bend it by 0.02 to 0.03 per 1000 rpm; a volumetric efficiency that is 4 % wrong at one
// breakpoint bends it by 0.04 to 0.08 there. Load: ln(ratio) over ln(load), the tenth of Quantity.ChangeSD. Spark: the
// loss of torque grows with the square of phasing, about a tenth at 20 ° (Ayala, Gerty and Heywood, SAE 2006-01-0229,
// from memory), so that an anchor ±5 ° wrong tilts it by 0.025 in 10 °; as much again for friction and heat loss. The
// numbers are of computed torque; that they are the right priors is common practice, no source.
const (
	levelTrendSD     = 0.02  // per 1000 rpm
	levelKinkSD      = 0.03  // change of the trend at a knot, per 1000 rpm
	levelLoadSD      = 0.1   // per unit of ln(load)
	levelLoadSpeedSD = 0.05  // change of that per 1000 rpm
	levelSparkSD     = 0.05  // per 10 ° of commanded spark
	levelBowSD       = 0.025 // per (10 °)²
	// Torque is computed at commanded spark, knock retard takes some away: by the same law 0.5 to 1 % a degree at 10 to
	// 20 ° from the best.
	retardLoss   = -0.0075
	retardLossSD = 0.0075
)

// levelKnots are the speeds at which the trend of the ratio may change, 1000 rpm; common practice, no source.
var levelKnots = [...]float64{2, 3, 4, 5, 6}

// covariates is the design row of the log ratio: level, a bent line over speed, load, load over speed, and for
// combustion spark, its square and knock retard.
func (l *Level) covariates(s *state.State) []float64 {
	at := s
	if !s.Placed {
		at = s.Root()
	}
	k := at.RPM / 1000
	out := append(make([]float64, 0, numShape+1), 1, k-4)
	for _, knot := range levelKnots {
		out = append(out, math.Max(0, k-knot))
	}
	if !l.Plain {
		load := 0.0
		if at.Load > 0 && l.LoadRef > 0 {
			load = math.Log(at.Load / l.LoadRef)
		}
		out = append(out, load, load*(k-4))
	}
	if l.Burns && !l.Plain {
		spark := value.Or(at.Spark-l.SparkRef, 0) / 10
		out = append(out, spark, spark*spark)
	}
	if l.Burns {
		out = append(out, retardOf(s))
	}
	return out
}

// numShape is the number of the covariates of combustion, the longest row.
const numShape = 2 + len(levelKnots) + 2 + 3

// prior holds the level to what a computed one may be wrong by, and the shape to what errors of the platform file make.
func (l *Level) prior(m *Quantity) mixed.Prior {
	sd := []float64{math.Hypot(m.bias, l.Guessed), levelTrendSD}
	for range levelKnots {
		sd = append(sd, levelKinkSD)
	}
	if !l.Plain {
		sd = append(sd, levelLoadSD, levelLoadSpeedSD)
	}
	if l.Burns && !l.Plain {
		sd = append(sd, levelSparkSD, levelBowSD)
	}
	mean := make([]float64, len(sd), numShape)
	if l.Burns {
		sd, mean = append(sd, retardLossSD), append(mean, retardLoss)
	}
	return mixed.Prior{Mean: mean, SD: sd}
}

// retardOf is the knock retard, degrees, at which torque was made: as logged, less what a move of commanded spark to
// later takes of the need for it. Another fuel may need none. That a move may need more is not counted.
func retardOf(s *state.State) float64 {
	at := s.Root()
	if s.Placed || s.Fuel != at.Fuel {
		return 0
	}
	return math.Min(at.Retard, math.Max(0, value.Or(at.Retard+s.Spark-at.Spark, at.Retard)))
}

// fitLevel fits the ratio over logged states.
func fitLevel(p *state.Platform, m *Quantity, visits []*state.Visit) (Level, error) {
	l := Level{Guessed: m.guessed(p), Burns: m.SparkSD > 0}
	var used []*state.State
	for _, v := range visits {
		if s := &v.State; m.Fine(p, s) > 0 && m.Predictor(p, s) > 0 {
			used = append(used, s)
		}
	}
	if len(used) == 0 {
		return l, nil
	}
	l.LoadRef = medianOf(used, func(s *state.State) float64 { return s.Load })
	l.SparkRef = medianOf(used, func(s *state.State) float64 { return s.Spark })
	cars := evidence.NewIndex[string]()
	for _, s := range used {
		cars.Of(s.Car)
	}
	l.Plain = len(cars.Keys) < carLevelCars
	n := evidence.NewNest[mixed.Row]()
	for _, s := range used {
		x, y, _ := l.observe(p, m, s)
		n.Add(s.Row, mixed.Row{X: x, Y: y})
	}
	model, err := mixed.Fit(MixedCars(n), l.prior(m))
	if err != nil {
		return Level{}, err
	}
	l.Model, l.Seen, l.Cars, l.Pulls = model, n.IDs(), len(n.Cars), n.Pulls
	l.Between, l.Within = patternVariances(leftovers(p, model, used, l.observer(p, m)))
	l.Settled = l.settle(p, m, used)
	return l, nil
}

// observe is the design row of a logged state and its log ratio; ok is false where it was not measured or computed.
func (l *Level) observe(p *state.Platform, m *Quantity, s *state.State) (x []float64, y float64, ok bool) {
	measured, computed := m.Fine(p, s), m.Predictor(p, s)
	if !(measured > 0 && computed > 0) {
		return nil, 0, false
	}
	return l.covariates(s), math.Log(measured / computed), true
}

func (l *Level) observer(p *state.Platform, m *Quantity) observer {
	return func(s *state.State) ([]float64, float64, bool) { return l.observe(p, m, s) }
}

func medianOf(states []*state.State, of func(*state.State) float64) float64 {
	var known []float64
	for _, s := range states {
		if v := of(s); value.Known(v) {
			known = append(known, v)
		}
	}
	return value.Or(value.Median(known), 0)
}

// settle fits the shape, with its priors, to what a deviation of each loose number changes of the computed metric: the
// fit of the ratio is linear in it, so that much of such an error the fit has taken out.
func (l *Level) settle(p *state.Platform, m *Quantity, states []*state.State) (out [state.NumLoose][]float64) {
	if m.SparkSD == 0 {
		return out
	}
	prior := l.prior(m)
	n := len(prior.SD)
	normal := mat.NewSymDense(n, nil)
	right := mat.NewDense(n, state.NumLoose, nil)
	step := 1 + len(states)/looseStates
	weight := float64(step) / l.Model.ResidualVar // each stands for step states
	for i := 0; i < len(states); i += step {
		x := l.covariates(states[i])
		normal.SymRankOne(normal, weight, mat.NewVecDense(n, x))
		by := m.Predictor(p, states[i])
		for k, d := range m.LooseChange(p, states[i]) {
			for j := range x {
				right.Set(j, k, right.At(j, k)+weight*x[j]*d/by)
			}
		}
	}
	for j, sd := range prior.SD {
		normal.SetSym(j, j, normal.At(j, j)+1/(sd*sd))
	}
	var factor mat.Cholesky
	var coef mat.Dense
	if !factor.Factorize(normal) || factor.SolveTo(&coef, right) != nil {
		return out // nothing settled: the file's errors stay whole
	}
	for k := range out {
		out[k] = mat.Col(nil, k, &coef)
	}
	return out
}

// SettledAt is what the level has taken out of an error of each loose number at a state, in units of the metric, whose
// expected value there is v.
func (l *Level) SettledAt(s *state.State, v float64) (out [state.NumLoose]float64) {
	x := l.covariates(s)
	for k, coef := range l.Settled {
		if len(coef) > 0 {
			out[k] = v * value.Dot(x, coef)
		}
	}
	return out
}

// Posterior is the mean and covariance of the ratio's parameters for a car; the last parameter is the car's own.
func (l *Level) Posterior(m *Quantity, car string) (mean []float64, cov *mat.SymDense) {
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
func (l *Level) unseenVariance() float64 {
	n := float64(l.Cars - 1)
	return (carLevelCars*carLevelSD*carLevelSD + n*l.Model.Estimated.Car) / (carLevelCars + n)
}

// Design holds the weights of Posterior's parameters at a state.
func (l *Level) Design(s *state.State) []float64 {
	if l.Model == nil {
		return []float64{1, 1}
	}
	return append(l.covariates(s), 1)
}

// Factor is measured over computed as expected of a car at a state, without the car's pattern.
func (l *Level) Factor(m *Quantity, s *state.State, car string) float64 {
	mean, _ := l.Posterior(m, car)
	return math.Exp(value.Dot(l.Design(s), mean))
}

// PullSD is the relative deviation shared by the cells of a pull, its day's included.
func (l *Level) PullSD() float64 {
	if l.Model == nil {
		return 0
	}
	return math.Sqrt(l.Model.DayVar + l.Model.PullVar)
}

// DaySD is the relative deviation that pulls of a day have in common.
func (l *Level) DaySD() float64 {
	if l.Model == nil {
		return 0
	}
	return math.Sqrt(l.Model.DayVar)
}

// Expect is the log ratio expected of a car at a state, with the deviation of that level and of one row about it; ok is
// false where no car measured the metric.
func (l *Level) Expect(s *state.State, car string) (mean, sd, row float64, ok bool, err error) {
	if l.Model == nil {
		return 0, 0, 0, false, nil
	}
	mean, sd, _, err = l.Model.Predict(car, l.covariates(s))
	return mean, sd, math.Sqrt(l.Model.ResidualVar), true, err
}

// MeasuredOn reports whether a car's own measurements are behind the level.
func (l *Level) MeasuredOn(car string) bool { return slices.Contains(l.Seen, car) }
