// Package mixed answers one question: given margins that are logged directly (an exhaust temperature, a rail
// pressure shortfall, a lambda error), what level should be expected of a pull on a given car, and how far may one
// pull of one car stray from it?
//
// The model is the two-level nested linear mixed model
//
//	y = x'β + u_car + w_pull + e,  u ~ N(0, CarVar), w ~ N(0, PullVar), e ~ N(0, ResidualVar)
//
// with an optional independent Gaussian prior on each coefficient (a slope known from physics). The variance
// components maximise the likelihood with β integrated out: with flat priors that is restricted maximum likelihood
// (Patterson and Thompson, Biometrika 58, 1971; Harville, J. Amer. Statist. Assoc. 72, 1977). Car effects are their
// best linear unbiased predictions (Robinson, Statistical Science 6, 1991). The nested covariance is inverted in
// closed form (Woodbury's identity, once a pull and once a car), so that time and memory grow with the number of
// rows and no matrix is larger than the number of coefficients.
//
// Where the data cannot tell a variance component, the model says so in Warnings and widens: see Fit.
package mixed

import (
	"fmt"
	"math"
	"sort"
)

// Row is one observation: what one pull showed in one operating cell.
type Row struct {
	X []float64 // design: one value a coefficient, an intercept is a column of ones the caller supplies
	Y float64   // the metric, in its own unit
}

// Pull is the rows that share one pull: its fuel, its weather, its heat soak.
type Pull struct{ Rows []Row }

// Car is the pulls of one car.
type Car struct {
	ID    string
	Pulls []Pull
}

// Prior is an independent Gaussian prior for each coefficient. SD = +Inf leaves a coefficient flat. The zero Prior
// leaves them all flat.
type Prior struct {
	Mean, SD []float64
}

// Components are variances, in the metric's unit squared.
type Components struct {
	Car      float64 `json:"car"`
	Pull     float64 `json:"pull"`
	Residual float64 `json:"residual"`
}

// Effect is the posterior of one seen car's offset u.
type Effect struct {
	ID      string    `json:"id"`
	Mean    float64   `json:"mean"`
	Var     float64   `json:"var"`
	CovCoef []float64 `json:"cov_coef"` // covariance of u with each coefficient
	Pulls   int       `json:"pulls"`
	Rows    int       `json:"rows"`
}

// Model is a fitted model. Every field is plain data, so a Model survives JSON unchanged.
type Model struct {
	Coef []float64   `json:"coef"` // posterior mean of β
	Cov  [][]float64 `json:"cov"`  // posterior covariance of β

	// Variances that prediction uses: Estimated, widened where the data cannot tell them, see Fit.
	CarVar      float64 `json:"car_var"`
	PullVar     float64 `json:"pull_var"`
	ResidualVar float64 `json:"residual_var"`

	// Estimated is as the likelihood says: 0 at the boundary or where the data cannot tell; of components that the
	// layout cannot separate one holds the sum (car before pull, residual before both).
	Estimated Components `json:"estimated"`
	// LogLik is the log-likelihood at Estimated with β integrated out and all constants (REML when flat); 0 when every
	// value lies on the fit exactly.
	LogLik float64 `json:"log_lik"`

	Cars      int      `json:"cars"`
	Pulls     int      `json:"pulls"`
	Rows      int      `json:"rows"`
	Effects   []Effect `json:"effects"` // sorted by ID
	Warnings  []string `json:"warnings"`
	Converged bool     `json:"converged"`
}

// Ratios and counts of the widening rules of Fit.
const (
	// fewCars is the number of cars, less the coefficients that only vary between cars, below which the car
	// variance is widened. Common practice, no source.
	fewCars = 5
	// assumedCarRatio is the car variance assumed for a single car, in units of PullVar + ResidualVar. Common
	// practice, no source: the widest ratio the envelope is proven for.
	assumedCarRatio = 4
	// assumedPullRatio is the pull variance assumed for a single pull, in units of ResidualVar. Common practice.
	assumedPullRatio = 1
	// aliasTolerance is the share of a column's length left after the earlier columns are taken out, below which
	// the column counts as a combination of them.
	aliasTolerance = 1e-5
	// aliasSDs is the prior deviation of the contribution x·β of such a column, in deviations of y.
	aliasSDs = 10
)

// Fit estimates the model from cars with prior. The order of cars does not matter.
//
// Widening, each with a warning:
//   - components that the layout cannot separate (one pull in every car, or one row in every pull) share their sum
//     evenly;
//   - a car variance at zero, or from fewer than five cars, is replaced by the estimate under the boundary-avoiding
//     penalty log σ_car (Chung, Rabe-Hesketh, Dorie, Gelman and Liu, Psychometrika 78, 2013), or with two cars by 4
//     times the larger of itself and pull plus residual variance;
//   - with a single car, or no more cars than coefficients that are constant within cars, the car variance is taken as
//     4 times pull plus residual variance; with a single pull the pull variance as the residual variance;
//   - a column that is a combination of earlier ones (a constant covariate) gets the prior N(0, (10·sd(y)/rms(x))²), so
//     that predictions away from the logged combination are wide.
//
// A factor of 4 or 10 is common practice, no source.
//
// Errors: no rows, ragged X, values that are not finite, duplicate car IDs, a prior of the wrong length or with a
// deviation that is not positive, or no more rows than flat coefficients.
func Fit(cars []Car, prior Prior) (*Model, error) {
	d, err := prepare(cars, prior)
	if err != nil {
		return nil, err
	}
	m := &Model{Cars: len(d.cars), Pulls: len(d.pullRows), Rows: d.rows, Warnings: d.warnings}
	if d.exact {
		m.Converged = true
		m.adopt(d, Components{Residual: d.floor})
		return m, nil
	}

	plan := d.plan()
	est, value, ok := d.maximise(plan, 0)
	m.Converged = ok
	m.Estimated = d.unscale(est)
	m.LogLik = d.logLik(value)
	if !ok {
		m.warn("the variance components did not converge: treat the deviations as a lower bound")
	}
	if m.Estimated.Residual <= d.floor*d.yScale*d.yScale*1.01 {
		m.warn("the residual variance is at its floor: values inside a pull repeat exactly")
	}
	m.adopt(d, m.widen(d, plan, est))
	return m, nil
}

// widen turns the estimated components into those that prediction uses.
func (m *Model) widen(d *data, p plan, est Components) Components {
	used := est
	switch p.split {
	case splitAll:
		t := est.Residual
		used = Components{t / 3, t / 3, t / 3}
		m.warn("one row in every car: car, pull and residual variance cannot be told apart and share their sum evenly")
	case splitCarPull:
		used.Car, used.Pull = est.Car/2, est.Car/2
		m.warn("one pull in every car: car and pull variance cannot be told apart and share their sum evenly")
	case splitPullResidual:
		used.Pull, used.Residual = est.Residual/2, est.Residual/2
		m.warn("one row in every pull: pull and residual variance cannot be told apart and share their sum evenly")
	}
	if p.assumePull {
		used.Pull = assumedPullRatio * used.Residual
		m.warn("a single pull cannot tell the variance between pulls: taken equal to the residual variance")
	}
	if p.assumeCar {
		used.Car = assumedCarRatio * (used.Pull + used.Residual)
		if len(d.cars) == 1 {
			m.warn("a single car cannot tell the variance between cars: taken as %d times pull plus residual variance", assumedCarRatio)
		} else {
			m.warn("%d cars with %d coefficients that only vary between cars cannot tell the variance between cars: taken as %d times pull plus residual variance",
				len(d.cars), d.betweenCoefs, assumedCarRatio)
		}
		return used
	}
	atZero := p.carFree && est.Car < 1e-6*est.Residual
	few := p.carFree && len(d.cars)-d.betweenCoefs+1 < fewCars
	if atZero || few {
		car := d.widerCar(p, est)
		used.Car = car
		if p.split == splitCarPull {
			used.Car, used.Pull = car/2, car/2
		}
	}
	switch {
	case atZero:
		m.warn("the variance between cars is estimated as 0 from %d cars: widened to %.3g (deviation %.3g)",
			len(d.cars), used.Car*d.yScale*d.yScale, math.Sqrt(used.Car)*d.yScale)
	case few:
		m.warn("the variance between cars rests on %d cars only: widened to %.3g (deviation %.3g)",
			len(d.cars), used.Car*d.yScale*d.yScale, math.Sqrt(used.Car)*d.yScale)
	}
	if p.pullFree && est.Pull < 1e-6*est.Residual {
		m.warn("the variance between pulls is estimated as 0")
	}
	return used
}

// widerCar is the car variance under the boundary-avoiding penalty. With one degree of freedom between cars the
// penalty cancels the likelihood's decay and has no maximum: there it is 4 times the larger of the estimate and
// pull plus residual variance.
func (d *data) widerCar(p plan, est Components) float64 {
	if len(d.cars)-d.betweenCoefs < 2 {
		return assumedCarRatio * math.Max(est.Car, est.Pull+est.Residual)
	}
	pen, _, ok := d.maximise(p, 1)
	if !ok || pen.Car < est.Car {
		return math.Max(est.Car, est.Pull+est.Residual)
	}
	return pen.Car
}

func (m *Model) warn(format string, args ...any) {
	m.Warnings = append(m.Warnings, fmt.Sprintf(format, args...))
}

// adopt computes the posterior of β and of the car effects at the scaled components c and stores it in plain units.
func (m *Model) adopt(d *data, c Components) {
	plain := d.unscale(c)
	m.CarVar, m.PullVar, m.ResidualVar = plain.Car, plain.Pull, plain.Residual
	s := d.solve(c)
	p := d.p
	m.Coef = make([]float64, p)
	m.Cov = make([][]float64, p)
	for i := range p {
		m.Coef[i] = (d.offset[i] + s.beta[i]) * d.yScale / d.xScale[i]
		m.Cov[i] = make([]float64, p)
		for j := range p {
			m.Cov[i][j] = s.cov.At(i, j) * d.yScale * d.yScale / (d.xScale[i] * d.xScale[j])
		}
	}
	m.Effects = make([]Effect, len(d.cars))
	for k := range d.cars {
		m.Effects[k] = d.effect(k, c, s)
	}
}

// find returns the index of a seen car, or −1.
func (m *Model) find(carID string) int {
	i := sort.Search(len(m.Effects), func(i int) bool { return m.Effects[i].ID >= carID })
	if i < len(m.Effects) && m.Effects[i].ID == carID {
		return i
	}
	return -1
}
