package knock

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// Model is the posterior of a fleet's knock-limited spark. It is plain data: write it as JSON and read it back to
// keep a fit.
type Model struct {
	Spline Spline `json:"spline"`
	// posterior means: the spline's coefficients, the NumCovariates slopes at the reference, what slopes change over
	// Reach
	Coef    []float64 `json:"coef"`
	CoefCov []float64 `json:"coef_cov"` // their covariance, row-major
	// how far each covariate reaches in the rows: the line over it bends as far as that, 0 not at all
	Reach [NumCovariates]float64 `json:"reach"`

	CarSD  float64 `json:"car_sd_deg"`
	PullSD float64 `json:"pull_sd_deg"`
	CellSD float64 `json:"cell_sd_deg"`
	// share of cell residuals TailScale times as wide; CellSD covers both
	TailShare     float64    `json:"tail_share"`
	Contamination float64    `json:"contamination"`   // share of cells with a false event
	SpreadLogSD   [4]float64 `json:"spread_log_sd"`   // sd of ln CarSD, ln PullSD, ln CellSD, logit Contamination
	Discrepancy   float64    `json:"discrepancy_deg"` // what the straight lines miss at a state; see Prior
	Roughness     float64    `json:"roughness"`       // scale of the spline's roughness, degrees per (1000 rev/min)^1.5

	Shown [NumCovariates]Shown `json:"shown"` // what rows alone show of the slopes that physics gives

	Effects []CarEffect `json:"effects"` // sorted by ID

	Rows          int      `json:"rows"`
	Events        int      `json:"events"`
	Cars          int      `json:"cars"`
	Pulls         int      `json:"pulls"`
	Warnings      []string `json:"warnings"`
	Converged     bool     `json:"converged"`
	Iterations    int      `json:"iterations"` // evaluations of the likelihood
	LogLikelihood float64  `json:"log_likelihood"`
}

// CarEffect is the posterior of one car's offset u from the fleet, in degrees (positive: takes more spark).
type CarEffect struct {
	ID       string    `json:"id"`
	Mean     float64   `json:"mean"`
	Variance float64   `json:"variance"` // with the uncertainty of every parameter in it
	CoefCov  []float64 `json:"coef_cov"` // covariance of u with each coefficient
	Rows     int       `json:"rows"`
	Pulls    int       `json:"pulls"`
	Events   int       `json:"events"`
}

func (m *Model) warn(format string, args ...any) {
	m.Warnings = append(m.Warnings, fmt.Sprintf(format, args...))
}

// priorModel is the model before the first row.
func priorModel(spline Spline, reach [NumCovariates]float64, prior Prior) *Model {
	nb := len(spline.Knots)
	centre, scale := whitening(nb, prior)
	p := numCoefs(nb)
	m := &Model{Spline: spline, Reach: reach, Coef: centre[:p:p], CoefCov: make([]float64, p*p),
		CarSD: prior.CarSD.Median, PullSD: prior.PullSD.Median, CellSD: prior.CellSD.Median,
		Contamination: prior.Contamination.Median, Discrepancy: prior.Discrepancy, Roughness: prior.CurvatureScale}
	for i := 0; i < p; i++ {
		m.CoefCov[i*p+i] = scale[i] * scale[i]
	}
	copy(m.SpreadLogSD[:], scale[p:])
	return m
}

func (m *Model) count(cars []Car) {
	for _, c := range cars {
		rows := 0
		for _, p := range c.Pulls {
			if len(p.Cells) > 0 {
				m.Pulls++
			}
			rows += len(p.Cells)
			for _, cell := range p.Cells {
				if !cell.Clean() {
					m.Events++
				}
			}
		}
		if rows > 0 {
			m.Cars++
		}
		m.Rows += rows
	}
}

// fill writes a converged search into the model.
func (s *search) fill(m *Model) {
	raw := s.raw(s.b)
	q := unpack(raw, s.tail)
	p, n := s.p, len(raw)
	cov := s.covariance()
	rates := s.rates(s.b)
	full := func(i, j int) float64 { return cov.At(i, j) * rates[i] * rates[j] }
	m.Coef = append([]float64(nil), q.beta...)
	for i := 0; i < p; i++ {
		for j := 0; j < p; j++ {
			m.CoefCov[i*p+j] = full(i, j)
		}
	}
	m.CarSD, m.PullSD, m.Contamination = q.carSD, q.pulSD, q.share
	m.TailShare = s.tail
	m.CellSD = q.sd * math.Sqrt(1+s.tail*(TailScale*TailScale-1))
	for i := range m.SpreadLogSD {
		m.SpreadLogSD[i] = math.Sqrt(full(p+i, p+i))
	}
	m.Roughness = s.roughness
	m.Shown = s.shown(cov, rates)
	m.LogLikelihood = s.logLike
	m.Iterations = s.evaluations
	m.Converged = true
	if s.frozen {
		m.warn("the rows of some pulls contradict each other, so that their effects have two likely values: the fit " +
			"is approximate")
	}
	if s.indefinite {
		m.warn("the posterior is flat or bent in some direction: its width there is held near the prior's")
	}
	for c, mo := range s.moments {
		e := CarEffect{ID: s.ids[c], Mean: mo.mean, Variance: mo.variance, CoefCov: make([]float64, p),
			Pulls: s.cars[c].hi - s.cars[c].lo}
		for i := 0; i < n; i++ {
			sum := 0.0
			for j := 0; j < n; j++ {
				sum += full(i, j) * mo.slope[j]
			}
			if i < p {
				e.CoefCov[i] = sum
			}
			e.Variance += sum * mo.slope[i]
		}
		for _, ps := range s.pulls[s.cars[c].lo:s.cars[c].hi] {
			e.Rows += ps.hi - ps.lo
			for _, r := range s.rows[ps.lo:ps.hi] {
				if r.kind != clean {
					e.Events++
				}
			}
		}
		m.Effects = append(m.Effects, e)
	}
}

// Dim returns the number of parameters a prediction depends on: the coefficients and one car effect.
func (m *Model) Dim() int { return len(m.Coef) + 1 }

// Slope returns the posterior mean and standard deviation of the slope of covariate k at the reference, degrees per
// unit. k outside the covariates gives zeros.
func (m *Model) Slope(k int) (mean, sd float64) {
	if k < 0 || k >= NumCovariates {
		return 0, 0
	}
	i := len(m.Spline.Knots) + k
	return m.Coef[i], math.Sqrt(math.Max(m.CoefCov[i*len(m.Coef)+i], 0))
}

// Effect returns the posterior of a car the fit has seen.
func (m *Model) Effect(carID string) (CarEffect, bool) {
	i := sort.Search(len(m.Effects), func(i int) bool { return m.Effects[i].ID >= carID })
	if i < len(m.Effects) && m.Effects[i].ID == carID {
		return m.Effects[i], true
	}
	return CarEffect{}, false
}

// unseenVariance is E[σ_u²] with ln σ_u normal about its mode: σ_u²·exp(2·Var ln σ_u), the mean of a
// log-normal's square (Johnson & Kotz, Continuous Univariate Distributions), with the variance of the log held below
// 0.5 where the normal approximation of ln σ_u is no longer worth using.
func (m *Model) unseenVariance() float64 {
	v := math.Min(m.SpreadLogSD[atCarSD]*m.SpreadLogSD[atCarSD], 0.5)
	return m.CarSD * m.CarSD * math.Exp(2*v)
}

// Joint returns the posterior mean and covariance of (coefficients, car effect). A car of the fit has its own
// posterior; "" or any other id is a car not seen before: u ~ N(0, E[σ_u²]), independent of the coefficients, where
// the expectation over σ_u's own uncertainty widens it. Either way the variance of the car effect holds the model's
// Discrepancy.
func (m *Model) Joint(carID string) (mean []float64, cov *mat.SymDense) {
	p := len(m.Coef)
	mean = append(append(make([]float64, 0, p+1), m.Coef...), 0)
	cov = mat.NewSymDense(p+1, nil)
	for i := 0; i < p; i++ {
		for j := i; j < p; j++ {
			cov.SetSym(i, j, m.CoefCov[i*p+j])
		}
	}
	misfit := m.Discrepancy * m.Discrepancy
	e, seen := m.Effect(carID)
	if !seen {
		cov.SetSym(p, p, m.unseenVariance()+misfit)
		return mean, cov
	}
	mean[p] = e.Mean
	for i, v := range e.CoefCov {
		cov.SetSym(i, p, v)
	}
	cov.SetSym(p, p, e.Variance+misfit)
	return mean, cov
}

// Design writes into dst[:Dim()] the weights x with which the expected knock-limited spark (°BTDC, pull and cell
// effects left out) is x·params, params as in Joint. rpm is rev/min; z are differences from the reference. dst
// shorter than Dim is replaced; the slice written is returned.
func (m *Model) Design(rpm float64, z [NumCovariates]float64, dst []float64) []float64 {
	if len(dst) < m.Dim() {
		dst = make([]float64, m.Dim())
	}
	nb := len(m.Spline.Knots)
	m.Spline.design(rpm, dst[:nb])
	copy(dst[nb:], z[:])
	bends(&z, &m.Reach, dst[nb+NumCovariates:])
	dst[m.Dim()-1] = 1
	return dst[:m.Dim()]
}

// Predict returns the knock-limited spark (°BTDC) expected of a car at a state, its standard deviation from what is
// not known of the parameters and the car, and that of one cell of one pull. carID as in Joint.
func (m *Model) Predict(carID string, rpm float64, z [NumCovariates]float64) (mean, sdParam, sdTotal float64) {
	params, cov := m.Joint(carID)
	x := mat.NewVecDense(m.Dim(), m.Design(rpm, z, nil))
	v := math.Max(mat.Inner(x, cov, x), 0)
	mean = mat.Dot(x, mat.NewVecDense(m.Dim(), params))
	return mean, math.Sqrt(v), math.Sqrt(v + m.PullSD*m.PullSD + m.CellSD*m.CellSD)
}
