package mixed

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
)

// solution is the generalised least-squares posterior at given components, in scaled units.
type solution struct {
	beta []float64
	cov  *mat.SymDense
}

// equations are the normal equations at given components: sums holds X'V⁻¹X + P, its right-hand side and the
// quadratic in y. It is used over and over.
type equations struct {
	*sums
	logDetV  float64
	weights  []float64 // of a pull, by size
	day, car mean
}

func (d *data) newEquations() *equations {
	w := d.p + 1
	return &equations{sums: newSums(w), weights: make([]float64, len(d.sizes)), day: newMean(w), car: newMean(w)}
}

// fill takes the sums at components c. With q = n/(σ²+nσ_w²) for a pull, g = Σq/(1+σ_d²Σq) for a day and
// Σg/(1+σ_u²Σg) for a car, V⁻¹ splits into sums inside pulls (weight 1/σ²), between the pulls of a day (weight
// q), between the days of a car (weight g) and of car means: Woodbury's identity applied three times.
func (e *equations) fill(d *data, c Components) {
	e.set(d.within, 1/c.Residual)
	e.logDetV = float64(d.rows-d.units(pullLevel)) * math.Log(c.Residual)
	e.weigh(d, c)
	for k, s := range d.sizes {
		e.plus(s.between, e.weights[k])
		e.logDetV += float64(s.pulls) * math.Log(c.Residual+float64(s.rows)*c.Pull)
	}
	for _, car := range d.cars {
		e.logDetV += e.fillCar(d, car, c, e.sums)
		e.outer(e.car.value, e.car.weight/(1+c.Car*e.car.weight))
		e.logDetV += math.Log1p(c.Car * e.car.weight)
	}
	for j := range d.p {
		if w := d.priorPrec[j]; w > 0 {
			row := e.a[j*e.width : (j+1)*e.width]
			row[j] += w
			row[d.p] += w * d.priorMean[j]
			e.a[len(e.a)-1] += w * d.priorMean[j] * d.priorMean[j]
		}
	}
}

func (e *equations) weigh(d *data, c Components) {
	for k, s := range d.sizes {
		n := float64(s.rows)
		e.weights[k] = n / (c.Residual + n*c.Pull)
	}
}

// fillCar leaves the weighted mean and total weight of a car in e.car and returns its days' part of ln|V|; s takes
// what scatters about the means.
func (e *equations) fillCar(d *data, car carSpan, c Components, s *sums) (logDet float64) {
	e.car.weight = 0
	for _, day := range d.days[car.from:car.to] {
		e.day.weight = 0
		for _, g := range d.groups[day.from:day.to] {
			e.day.add(e.weights[g.size]*g.pulls.weight, g.pulls.value, s)
		}
		shrink := 1 + c.Day*e.day.weight
		logDet += math.Log(shrink)
		e.car.add(e.day.weight/shrink, e.day.value, s)
	}
	return logDet
}

// solve computes the posterior of the scaled coefficients.
func (d *data) solve(c Components) (solution, error) {
	e := d.newEquations()
	e.fill(d, c)
	s := solution{beta: make([]float64, d.p), cov: mat.NewSymDense(d.p, nil)}
	a, rhs := mat.NewSymDense(d.p, nil), mat.NewVecDense(d.p, nil)
	for i := range d.p {
		for j := i; j < d.p; j++ {
			a.SetSym(i, j, e.a[i*e.width+j])
		}
		rhs.SetVec(i, e.a[i*e.width+d.p])
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) {
		return s, errors.New("mixed: the columns combine too closely to tell the coefficients: drop or join some")
	}
	if err := unlessIll(chol.SolveVecTo(mat.NewVecDense(d.p, s.beta), rhs)); err != nil {
		return s, fmt.Errorf("mixed: solve for the coefficients: %w", err)
	}
	if err := unlessIll(chol.InverseTo(s.cov)); err != nil {
		return s, fmt.Errorf("mixed: covariance of the coefficients: %w", err)
	}
	return s, nil
}

// unlessIll drops the remark that a solution, which is there, rests on ill-conditioned equations.
func unlessIll(err error) error {
	var ill mat.Condition
	if errors.As(err, &ill) {
		return nil
	}
	return err
}

// objective is −2 × log-likelihood with β integrated out, without constants, scaled units.
func (e *equations) objective(d *data, c Components) float64 {
	e.fill(d, c)
	logDetA, quad, ok := e.eliminate()
	if !ok {
		return math.Inf(1)
	}
	return e.logDetV + logDetA + quad
}

// maximise finds the components. For penalised levels log σ is added to the log-likelihood: the boundary-avoiding
// estimate of Chung and others (2013).
func (d *data) maximise(p plan, penalised [3]bool) (Components, float64, bool) {
	var levels []level // of x[1:]
	for l, free := range p.free {
		if free {
			levels = append(levels, level(l))
		}
	}
	free := 1 + len(levels)
	components := func(x []float64) Components {
		c := Components{Residual: math.Max(math.Exp(2*x[0]), d.floor)}
		for i, l := range levels {
			*c.at(l) = x[i+1] * x[i+1] * c.Residual
		}
		return c
	}
	equations := d.newEquations()
	loss := func(x []float64) float64 {
		if math.Abs(x[0]) > 40 {
			return math.Inf(1)
		}
		for _, v := range x[1:] {
			if math.Abs(v) > 1e8 {
				return math.Inf(1)
			}
		}
		c := components(x)
		v := equations.objective(d, c)
		for _, l := range levels {
			if penalised[l] {
				v -= math.Log(*c.at(l))
			}
		}
		if math.IsNaN(v) {
			return math.Inf(1)
		}
		return v
	}
	start := make([]float64, free)
	start[0] = math.Log(0.7)
	for i := 1; i < free; i++ {
		start[i] = 0.7
	}
	problem := optimize.Problem{Func: loss}
	best, converged := start, false
	last := math.Inf(1)
	for range 8 { // a fresh simplex at the optimum guards against one that collapsed
		settings := &optimize.Settings{
			Converger:       &optimize.FunctionConverge{Absolute: 1e-11, Iterations: 50 * free},
			MajorIterations: 2000,
		}
		res, err := optimize.Minimize(problem, best, settings, &optimize.NelderMead{SimplexSize: 0.3})
		if res == nil || (err != nil && res.X == nil) {
			break
		}
		if res.F <= last {
			best = res.X
		}
		if last-res.F < 1e-9 {
			converged = err == nil
			last = math.Min(last, res.F)
			break
		}
		last = res.F
	}
	for i := 1; i < free; i++ { // even in each deviation: the sign means nothing
		best[i] = math.Abs(best[i])
	}
	c := components(best)
	for _, l := range levels {
		if !penalised[l] && *c.at(l) < 1e-7*c.Residual {
			*c.at(l) = 0
		}
	}
	return c, last, converged && !math.IsInf(last, 0)
}

// unscale returns components in the metric's unit squared.
func (d *data) unscale(c Components) Components {
	s := d.yScale * d.yScale
	return Components{c.Car * s, c.Day * s, c.Pull * s, c.Residual * s}
}

// logLik adds the constants to an objective and undoes the scaling.
func (d *data) logLik(objective float64) float64 {
	v := objective + float64(d.rows-d.flat)*math.Log(2*math.Pi) + 2*float64(d.rows)*math.Log(d.yScale)
	for j := range d.p {
		if d.priorPrec[j] > 0 {
			v -= math.Log(d.priorPrec[j])
			continue
		}
		v += 2 * math.Log(d.xScale[j]/d.yScale)
	}
	return -v / 2
}
