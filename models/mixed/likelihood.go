package mixed

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
)

// solution is the generalised least-squares posterior at given components, in scaled units.
type solution struct {
	beta    []float64
	cov     *mat.SymDense
	logDetV float64
	logDetA float64
	quad    float64 // y'V⁻¹y + prior quadratic − what β explains
	ok      bool
}

// normal accumulates A = X'V⁻¹X + P, its right-hand side and the quadratic in y at components c.
//
// With q = n/(σ²+nσ_w²) for a pull and a = Σq for a car, V⁻¹ splits into sums inside pulls (weight 1/σ²), between the
// pulls of a car (weight q) and of car means (weight a/(1+σ_u²a)): Woodbury's identity applied twice.
func (d *data) normal(c Components) (a, rhs []float64, quad, logDetV float64) {
	p := d.p
	a, rhs = make([]float64, p*p), make([]float64, p)
	for i := range a {
		a[i] = d.withinXX[i] / c.Residual
	}
	for j := range p {
		rhs[j] = d.withinXY[j] / c.Residual
	}
	quad = d.withinYY / c.Residual
	logDetV = float64(d.rows-len(d.pullRows)) * math.Log(c.Residual)
	b, dx := make([]float64, p), make([]float64, p)
	for _, car := range d.cars {
		sum, by, logDet := d.carMean(car, c, b)
		logDetV += logDet
		for k := car.from; k < car.to && car.to-car.from > 1; k++ {
			q := d.weight(k, c)
			x := d.pullX[k*p : (k+1)*p]
			for j := range p {
				dx[j] = x[j] - b[j]
			}
			dy := d.pullY[k] - by
			addOuter(a, dx, q)
			addScaled(rhs, dx, q*dy)
			quad += q * dy * dy
		}
		w := sum / (1 + c.Car*sum)
		addOuter(a, b, w)
		addScaled(rhs, b, w*by)
		quad += w * by * by
		logDetV += math.Log1p(c.Car * sum)
	}
	for j := range p {
		if pr := d.priorPrec[j]; pr > 0 {
			a[j*p+j] += pr
			rhs[j] += pr * d.priorMean[j]
			quad += pr * d.priorMean[j] * d.priorMean[j]
		}
	}
	return a, rhs, quad, logDetV
}

// carMean returns a car's total weight Σq, its weighted mean y, and Σ ln(σ²+nσ_w²); x receives the mean design.
func (d *data) carMean(car carSpan, c Components, x []float64) (sum, y, logDet float64) {
	p := d.p
	clear(x)
	for k := car.from; k < car.to; k++ {
		q := d.weight(k, c)
		sum += q
		y += q * d.pullY[k]
		addScaled(x, d.pullX[k*p:(k+1)*p], q)
		logDet += math.Log(c.Residual + float64(d.pullRows[k])*c.Pull)
	}
	for j := range p {
		x[j] /= sum
	}
	return sum, y / sum, logDet
}

func (d *data) weight(pull int, c Components) float64 {
	n := float64(d.pullRows[pull])
	return n / (c.Residual + n*c.Pull)
}

// solve computes the posterior of the scaled coefficients.
func (d *data) solve(c Components) solution {
	a, rhs, quad, logDetV := d.normal(c)
	s := solution{beta: make([]float64, d.p), cov: mat.NewSymDense(d.p, nil), logDetV: logDetV}
	var chol mat.Cholesky
	if !chol.Factorize(mat.NewSymDense(d.p, a)) {
		return s
	}
	beta := mat.NewVecDense(d.p, s.beta)
	if err := chol.SolveVecTo(beta, mat.NewVecDense(d.p, rhs)); err != nil {
		if _, badly := err.(mat.Condition); !badly {
			return s
		}
	}
	if err := chol.InverseTo(s.cov); err != nil {
		if _, badly := err.(mat.Condition); !badly {
			return s
		}
	}
	s.quad = math.Max(0, quad-dot(s.beta, rhs))
	s.logDetA = chol.LogDet()
	s.ok = true
	return s
}

// objective is −2 × log-likelihood with β integrated out, without constants, scaled units.
func (d *data) objective(c Components) float64 {
	a, rhs, quad, logDetV := d.normal(c)
	var chol mat.Cholesky
	if !chol.Factorize(mat.NewSymDense(d.p, a)) {
		return math.Inf(1)
	}
	beta := mat.NewVecDense(d.p, nil)
	if err := chol.SolveVecTo(beta, mat.NewVecDense(d.p, rhs)); err != nil {
		if _, badly := err.(mat.Condition); !badly {
			return math.Inf(1)
		}
	}
	return logDetV + chol.LogDet() + quad - dot(beta.RawVector().Data, rhs)
}

// maximise finds the components. penalty is the weight of log σ_car added to the log-likelihood: 0, or 1 for the
// boundary-avoiding estimate of Chung and others (2013).
func (d *data) maximise(p plan, penalty float64) (Components, float64, bool) {
	free := 1
	if p.carFree {
		free++
	}
	if p.pullFree {
		free++
	}
	components := func(x []float64) Components {
		s2 := math.Max(math.Exp(2*x[0]), d.floor)
		c := Components{Residual: s2}
		i := 1
		if p.carFree {
			c.Car = x[i] * x[i] * s2
			i++
		}
		if p.pullFree {
			c.Pull = x[i] * x[i] * s2
		}
		return c
	}
	value := func(x []float64) float64 {
		if math.Abs(x[0]) > 40 {
			return math.Inf(1)
		}
		for _, v := range x[1:] {
			if math.Abs(v) > 1e8 {
				return math.Inf(1)
			}
		}
		c := components(x)
		v := d.objective(c)
		if penalty > 0 && p.carFree {
			v -= penalty * math.Log(c.Car)
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
	problem := optimize.Problem{Func: value}
	best, converged := start, false
	last := math.Inf(1)
	for range 4 { // a fresh simplex at the optimum guards against one that collapsed
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
	if p.carFree && penalty == 0 && c.Car < 1e-7*c.Residual {
		c.Car = 0
	}
	if p.pullFree && c.Pull < 1e-7*c.Residual {
		c.Pull = 0
	}
	return c, last, converged && !math.IsInf(last, 0)
}

// unscale returns components in the metric's unit squared.
func (d *data) unscale(c Components) Components {
	s := d.yScale * d.yScale
	return Components{c.Car * s, c.Pull * s, c.Residual * s}
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

func addScaled(dst, x []float64, w float64) {
	for j := range x {
		dst[j] += w * x[j]
	}
}
