package knock

import "math"

// place moves the quadrature nodes to each car's joint mode of (u, w_1 … w_P) at the given parameters, with the
// spreads of the normal approximation there. The Hessian is an arrow (u against every w, the w's among themselves
// independent), so a Newton step costs one pass over the car's rows.
//
// With damp the nodes go only half way and are widened to reach both ends: where a car's posterior has two modes, nodes
// that follow the higher one would swing the fit for ever.
func (g *integrator) place(raw []float64, damp bool) {
	q := unpack(raw, g.tail)
	g.each(func(ch int, s *scratch) {
		for c := g.chunks[ch].lo; c < g.chunks[ch].hi; c++ {
			g.placeCar(c, &q, damp, s)
		}
	})
}

const (
	modeSteps     = 25
	modeTolerance = 1e-3 // of the effect's own spread: nodes need no better
)

func (g *integrator) placeCar(c int, q *params, damp bool, s *scratch) {
	rs, ps := g.rowsOf(c), g.cars[c]
	np := ps.hi - ps.lo
	eta := grow(&s.eta, rs.hi-rs.lo)
	g.linear(c, q.beta, eta)
	first, curv := grow(&s.pullG, np), grow(&s.pullH, np)
	step, trial := grow(&s.stepW, np), grow(&s.trialW, np)
	u, w := g.u[c], g.w[ps.lo:ps.hi]
	precU, precW := 1/(q.carSD*q.carSD), 1/(q.pulSD*q.pulSD)
	before := append(growZero(&s.before, 0), w...)
	s.before = before
	beforeU := u
	at := g.jointLog(c, q, u, w, eta)
	var schur float64
	for range modeSteps {
		g.modeDerivatives(c, q, u, w, eta, first, curv)
		schur = precU
		right := -u * precU
		for p := range w {
			a := curv[p] + precW
			r := first[p] - w[p]*precW
			schur += curv[p] * precW / a
			right += first[p] - curv[p]*r/a
		}
		du := right / schur
		largest := math.Abs(du) * math.Sqrt(schur)
		for p := range w {
			a := curv[p] + precW
			step[p] = (first[p] - w[p]*precW - curv[p]*du) / a
			largest = math.Max(largest, math.Abs(step[p])*math.Sqrt(a))
		}
		if largest < modeTolerance {
			break
		}
		shrink := 1.0
		moved := false
		for range 12 {
			for p := range w {
				trial[p] = w[p] + shrink*step[p]
			}
			if v := g.jointLog(c, q, u+shrink*du, trial, eta); v > at {
				at, moved = v, true
				break
			}
			shrink /= 2
		}
		if !moved {
			break
		}
		u += shrink * du
		copy(w, trial)
	}
	g.u[c], g.uSD[c] = u, 1/math.Sqrt(schur)
	for p := range w {
		a := curv[p] + precW
		g.wSlope[ps.lo+p] = -curv[p] / a
		g.wSD[ps.lo+p] = 1 / math.Sqrt(a)
	}
	g.recentre(c, q, eta, s)
	if !damp {
		return
	}
	half := (g.u[c] - beforeU) / 2
	g.u[c] -= half
	g.uSD[c] = math.Hypot(g.uSD[c], half)
	for p := range w {
		half := (w[p] - before[p]) / 2
		w[p] -= half
		g.wSD[ps.lo+p] = math.Hypot(g.wSD[ps.lo+p], half)
	}
}

// recentre moves car c's nodes from the joint mode of (u, w) to the posterior mean and standard deviation of u alone
// (Naylor & Smith, Applied Statistics 31, 1982), which differ where bounds on one side make the posterior lean.
func (g *integrator) recentre(c int, q *params, eta []float64, s *scratch) {
	if len(g.car.x) < 3 {
		return
	}
	post := g.carPosterior(c, q, eta, s)
	mean, square := 0.0, 0.0
	for a, x := range g.car.x {
		mean += post[a] * x
		square += post[a] * x * x
	}
	sd := math.Sqrt(math.Max(square-mean*mean, 0))
	shift := mean * g.uSD[c]
	for p := g.cars[c].lo; p < g.cars[c].hi; p++ {
		g.w[p] += g.wSlope[p] * shift
	}
	g.u[c] += shift
	g.uSD[c] *= math.Min(math.Max(sd, 0.5), 2)
}

// jointLog is the log density of the car's rows and effects, up to a constant.
func (g *integrator) jointLog(c int, q *params, u float64, w, eta []float64) float64 {
	ps, rs := g.cars[c], g.rowsOf(c)
	sum := -0.5 * u * u / (q.carSD * q.carSD)
	for p, v := range w {
		sum -= 0.5 * v * v / (q.pulSD * q.pulSD)
		pr := g.pulls[ps.lo+p]
		prod := 1.0
		for i := pr.lo; i < pr.hi; i++ {
			prod *= g.rows[i].like(eta[i-rs.lo]+u+v, &q.residual)
			if prod < 1e-200 {
				sum += math.Log(prod)
				prod = 1
			}
		}
		sum += math.Log(prod)
	}
	return sum
}

// modeDerivatives sets each pull's first derivative by its shift and minus its second, kept from going negative.
func (g *integrator) modeDerivatives(c int, q *params, u float64, w, eta, first, curv []float64) {
	ps, rs := g.cars[c], g.rowsOf(c)
	for p, v := range w {
		pr := g.pulls[ps.lo+p]
		f, h := 0.0, 0.0
		for i := pr.lo; i < pr.hi; i++ {
			d1, d2 := g.rows[i].curvature(eta[i-rs.lo]+u+v, &q.residual)
			f += d1
			h -= d2.etaEta
		}
		first[p], curv[p] = f, math.Max(h, 0)
	}
}
