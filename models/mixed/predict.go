package mixed

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"headroom/models/value"
)

// Dim is the length of the joint vector (β, u_car): the number of coefficients and one.
func (m *Model) Dim() int { return len(m.Coef) + 1 }

// Joint returns the posterior mean and covariance of (β, u_car). A seen car has its own posterior offset, tied to β;
// an unseen one has u ~ N(0, CarVar), independent of β.
func (m *Model) Joint(carID string) (mean []float64, cov *mat.SymDense) {
	p := len(m.Coef)
	mean = append(append([]float64(nil), m.Coef...), 0)
	cov = mat.NewSymDense(p+1, nil)
	for i := range p {
		for j := i; j < p; j++ {
			cov.SetSym(i, j, m.Cov[i][j])
		}
	}
	k := m.find(carID)
	if k < 0 {
		cov.SetSym(p, p, m.CarVar)
		return mean, cov
	}
	e := m.Effects[k]
	mean[p] = e.Mean
	for j := range p {
		cov.SetSym(j, p, e.CovCoef[j])
	}
	cov.SetSym(p, p, e.Var)
	return mean, cov
}

// Design returns the vector d for which d·(β, u) is the level of a row with design x: x followed by 1. It reuses dst
// when that is long enough.
func (m *Model) Design(x, dst []float64) ([]float64, error) {
	if len(x) != len(m.Coef) {
		return nil, fmt.Errorf("mixed: design has %d columns, the model has %d", len(x), len(m.Coef))
	}
	return append(append(dst[:0], x...), 1), nil
}

// Predict returns the expected metric of a row with design x on the car, the deviation of that level (coefficients
// and car offset), and the deviation of one row of one pull on a new day (level, day, pull and residual). Variance
// components are taken as known.
func (m *Model) Predict(carID string, x []float64) (mean, sdParam, sdTotal float64, err error) {
	d, err := m.Design(x, nil)
	if err != nil {
		return 0, 0, 0, err
	}
	for j, v := range x {
		if !value.Known(v) {
			return 0, 0, 0, fmt.Errorf("mixed: design column %d is %g: give a finite number", j, v)
		}
	}
	mu, cov := m.Joint(carID)
	mean = value.Dot(d, mu)
	vec := mat.NewVecDense(len(d), d)
	v := math.Max(0, mat.Inner(vec, cov, vec))
	return mean, math.Sqrt(v), math.Sqrt(v + m.DayVar + m.PullVar + m.ResidualVar), nil
}

// effect is the posterior of car k's offset at scaled components c, in plain units:
// u|β,y ~ N(h(ȳ−x̄'β), v), h = σ_u²a/(1+σ_u²a), v = σ_u²/(1+σ_u²a), with β integrated out, a the weight
// of the car's mean (see fill). e has its weights at c.
func (d *data) effect(k int, c Components, s solution, e *equations) Effect {
	car := d.cars[k]
	e.fillCar(d, car, c, nil)
	x, y, a := e.car.value[:d.p], e.car.value[d.p], e.car.weight
	v := c.Car / (1 + c.Car*a)
	h := v * a
	out := Effect{ID: car.id, Days: car.to - car.from, Pulls: car.pulls, Rows: car.rows, CovCoef: make([]float64, d.p)}
	out.Mean = h * (y - value.Dot(x, s.beta)) * d.yScale
	vec := mat.NewVecDense(d.p, x)
	cx := mat.NewVecDense(d.p, nil)
	cx.MulVec(s.cov, vec)
	out.Var = (v + h*h*mat.Dot(vec, cx)) * d.yScale * d.yScale
	for j := range d.p {
		out.CovCoef[j] = -h * cx.AtVec(j) * d.yScale * d.yScale / d.xScale[j]
	}
	return out
}
