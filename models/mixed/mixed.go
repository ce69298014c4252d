// Package mixed answers one question: given margins that are logged directly (an exhaust temperature, a rail
// pressure shortfall, a lambda error), what level should be expected of a pull on a given car, and how far may one
// pull of one car stray from it?
//
// The model is the linear mixed model with three nested levels
//
//	y = x'β + u_car + d_day + w_pull + e
//
// with independent normal u, d, w and e of variance CarVar, DayVar, PullVar and ResidualVar, days nested in cars and
// pulls in days, and an optional independent Gaussian prior on each coefficient (a slope known from physics). The
// variance components maximise the likelihood with β integrated out: with flat priors that is restricted maximum
// likelihood (Patterson and Thompson, Biometrika 58, 1971; Harville, J. Amer. Statist. Assoc. 72, 1977). Car effects
// are their best linear unbiased predictions (Robinson, Statistical Science 6, 1991). The nested covariance is inverted
// in closed form (Woodbury's identity, once a pull, once a day and once a car), so that time and memory grow with the
// number of rows and no matrix is larger than the number of coefficients and one.
//
// Where the data cannot tell a variance component, the model says so in Warnings and widens: see Fit.
package mixed

import (
	"fmt"
	"sort"
)

// Row is one observation: what one pull showed in one operating cell.
type Row struct {
	X []float64 // design: one value a coefficient, an intercept is a column of ones the caller supplies
	Y float64   // the metric, in its own unit
}

// Pull is the rows that share one pull: its start, its heat soak.
type Pull struct{ Rows []Row }

// Day is the pulls that share one day of one car: its weather, its tank of fuel.
type Day struct{ Pulls []Pull }

// Car is the days of one car.
type Car struct {
	ID   string
	Days []Day
}

// Prior is an independent Gaussian prior for each coefficient. SD = +Inf leaves a coefficient flat. The zero Prior
// leaves them all flat.
type Prior struct {
	Mean, SD []float64
}

// Components are variances, in the metric's unit squared.
type Components struct {
	Car      float64 `json:"car"`
	Day      float64 `json:"day"`
	Pull     float64 `json:"pull"`
	Residual float64 `json:"residual"`
}

// Effect is the posterior of one seen car's offset u.
type Effect struct {
	ID      string    `json:"id"`
	Mean    float64   `json:"mean"`
	Var     float64   `json:"var"`
	CovCoef []float64 `json:"cov_coef"` // covariance of u with each coefficient
	Days    int       `json:"days"`
	Pulls   int       `json:"pulls"`
	Rows    int       `json:"rows"`
}

// Model is a fitted model. Every field is plain data, so a Model survives JSON unchanged.
type Model struct {
	Coef []float64   `json:"coef"` // posterior mean of β
	Cov  [][]float64 `json:"cov"`  // posterior covariance of β

	// Variances that prediction uses: Estimated, widened where the data cannot tell them, see Fit.
	CarVar      float64 `json:"car_var"`
	DayVar      float64 `json:"day_var"`
	PullVar     float64 `json:"pull_var"`
	ResidualVar float64 `json:"residual_var"`

	// Estimated is as the likelihood says: 0 at the boundary or where the data cannot tell; of components that the
	// layout cannot separate one holds the sum (residual, else car before day before pull).
	Estimated Components `json:"estimated"`
	// LogLik is the log-likelihood at Estimated with β integrated out and all constants (REML when flat); 0 when every
	// value lies on the fit exactly.
	LogLik float64 `json:"log_lik"`

	Cars      int      `json:"cars"`
	Days      int      `json:"days"`
	Pulls     int      `json:"pulls"`
	Rows      int      `json:"rows"`
	Effects   []Effect `json:"effects"` // sorted by ID
	Warnings  []string `json:"warnings"`
	Converged bool     `json:"converged"`
}

// Ratios and counts of the widening rules of Fit.
const (
	// fewCarFreedom and fewDayFreedom are the degrees of freedom between cars (five cars and one mean leave four), and
	// between the days of cars, below which that variance is widened. Common practice, no source; from fewer than eight
	// a normal band of 90 % on a new day was seen to hold less than 86 %.
	fewCarFreedom = 4
	fewDayFreedom = 8
	// assumedCarRatio is the car variance assumed for a single car, in units of what varies within cars. Common
	// practice, no source: the widest ratio the envelope is proven for.
	assumedCarRatio = 4
	// assumedDayRatio is the day variance assumed for a single day, in units of PullVar + ResidualVar, and
	// assumedPullRatio the pull variance for a single pull, in units of ResidualVar. Common practice, no source.
	assumedDayRatio  = 1
	assumedPullRatio = 1
	// oneFreedomRatio widens a variance estimated from one degree of freedom. Common practice, no source.
	oneFreedomRatio = 4
	// zeroRatio is the share of the residual variance below which a component counts as estimated at zero.
	zeroRatio = 1e-6
	// aliasTolerance is the share of a column's length left after the earlier columns are taken out, below which
	// the column counts as a combination of them.
	aliasTolerance = 1e-5
	// aliasSDs is the prior deviation of the contribution x·β of such a column, in deviations of y.
	aliasSDs = 10
)

// Fit estimates the model from cars with prior. The order of cars does not matter; that of days and pulls matters to
// rounding only.
//
// Widening, each with a warning:
//   - components that the layout cannot separate (one day in every car, one pull on every day, one row in every pull,
//     or no more of them than coefficients take up) share their sum evenly;
//   - a car or day variance at zero, or from fewer than four degrees of freedom between cars (five cars) or eight
//     between days (days less cars), is replaced by the estimate under the boundary-avoiding penalty log σ (Chung,
//     Rabe-Hesketh, Dorie, Gelman and Liu, Psychometrika 78, 2013). From one degree of freedom that has no maximum:
//     there the car variance is 4 times the larger of itself and what varies within cars, the day variance the larger
//     of 4 times itself and pull plus residual variance;
//   - with a single car, or no more cars than coefficients that are constant within cars, the car variance is taken as
//     4 times day plus pull plus residual variance; with a single day as well the day variance as pull plus residual
//     variance; with a single pull the pull variance as the residual variance;
//   - a column that is a combination of earlier ones (a constant covariate) gets the prior N(0, (10·sd(y)/rms(x))²),
//     so that predictions away from the logged combination are wide.
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
	m := &Model{Cars: d.units(carLevel), Days: d.units(dayLevel), Pulls: d.units(pullLevel), Rows: d.rows,
		Warnings: d.warnings}
	if d.exact {
		m.Converged = true
		if err := m.adopt(d, Components{Residual: d.floor}); err != nil {
			return nil, err
		}
		return m, nil
	}

	plan := d.plan()
	est, loss, ok := d.maximise(plan, [3]bool{})
	m.Converged = ok
	m.Estimated = d.unscale(est)
	m.LogLik = d.logLik(loss)
	if !ok {
		m.warn("the variance components did not converge: treat the deviations as a lower bound")
	}
	if m.Estimated.Residual <= d.floor*d.yScale*d.yScale*1.01 {
		m.warn("the residual variance is at its floor: values inside a pull repeat exactly")
	}
	if err := m.adopt(d, m.widen(d, plan, est)); err != nil {
		return nil, err
	}
	return m, nil
}

func (m *Model) warn(format string, args ...any) {
	m.Warnings = append(m.Warnings, fmt.Sprintf(format, args...))
}

// adopt computes the posterior of β and of the car effects at the scaled components c and stores it in plain units.
func (m *Model) adopt(d *data, c Components) error {
	plain := d.unscale(c)
	m.CarVar, m.DayVar, m.PullVar, m.ResidualVar = plain.Car, plain.Day, plain.Pull, plain.Residual
	s, err := d.solve(c)
	if err != nil {
		return err
	}
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
	e := d.newEquations()
	e.weigh(d, c)
	for k := range d.cars {
		m.Effects[k] = d.effect(k, c, s, e)
	}
	return nil
}

// find returns the index of a seen car, or −1.
func (m *Model) find(carID string) int {
	i := sort.Search(len(m.Effects), func(i int) bool { return m.Effects[i].ID >= carID })
	if i < len(m.Effects) && m.Effects[i].ID == carID {
		return i
	}
	return -1
}
