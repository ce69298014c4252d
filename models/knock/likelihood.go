package knock

import (
	"math"
	"runtime"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

// span is a half-open range of indices.
type span struct{ lo, hi int }

// Positions of the four parameters after the coefficients.
const (
	atCarSD = iota
	atPullSD
	atCellSD
	atShare
	numSpreads
)

// data is the flattened rows: cars hold pulls, pulls hold rows, each row a design vector of p coefficients.
type data struct {
	p      int
	rows   []row
	x      []float64 // len(rows)·p
	pulls  []span    // rows of each pull
	cleans []int     // clean rows of each pull
	cars   []span    // pulls of each car
	ids    []string
	chunks []span // cars of each unit of parallel work; fixed by the data, so sums are added in one order
}

// nodes is where the quadrature looks: for each car the centre and spread of u, for each pull the centre of w at that
// u, its slope with u, and its spread.
type nodes struct {
	u, uSD         []float64
	w, wSlope, wSD []float64
}

// params are the parameters in their own units.
type params struct {
	beta         []float64
	carSD, pulSD float64
	residual
}

func unpack(raw []float64, tail float64) params {
	p := len(raw) - numSpreads
	sd := math.Exp(raw[p+atCellSD])
	var mix *mixture
	if tail > 0 {
		mix = mixtureOf(tail)
	}
	return params{
		beta:     raw[:p],
		carSD:    math.Exp(raw[p+atCarSD]),
		pulSD:    math.Exp(raw[p+atPullSD]),
		residual: residual{sd: sd, inv: 1 / sd, share: 1 / (1 + math.Exp(-raw[p+atShare])), tail: tail, mix: mix},
	}
}

// rule is Gauss–Hermite for a standard normal: nodes x and ln(weight) + x²/2, so that
// ∫f(x)dx ≈ √(2π) Σ exp(logW)·f(x).
type rule struct{ x, logW []float64 }

func hermite(n int) rule {
	x, w := make([]float64, n), make([]float64, n)
	quad.Hermite{}.FixedLocations(x, w, math.Inf(-1), math.Inf(1))
	r := rule{x: make([]float64, n), logW: make([]float64, n)}
	for i := range x {
		r.x[i] = math.Sqrt2 * x[i]
		r.logW[i] = math.Log(w[i]/math.SqrtPi) + x[i]*x[i]
	}
	return r
}

// chunkRows is the least work worth handing to a goroutine.
const chunkRows = 1024

func (d *data) split() {
	lo, rows := 0, 0
	for c, ps := range d.cars {
		if ps.hi > ps.lo {
			rows += d.pulls[ps.hi-1].hi - d.pulls[ps.lo].lo
		}
		if rows >= chunkRows || c == len(d.cars)-1 {
			d.chunks = append(d.chunks, span{lo, c + 1})
			lo, rows = c+1, 0
		}
	}
}

// integrator evaluates the marginal log-likelihood of the data with nodes held where they are, and its derivatives.
// With nodes held, the value is a finite mixture and the derivatives are its exact ones.
type integrator struct {
	*data
	nodes
	car, pull rule
	workers   int
	tail      float64 // share of wide residuals
}

func newIntegrator(d *data, carNodes, pullNodes, workers int, carSD, pullSD float64) *integrator {
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	g := &integrator{data: d, car: hermite(carNodes), pull: hermite(pullNodes), workers: workers}
	g.u, g.uSD = make([]float64, len(d.cars)), constant(len(d.cars), carSD)
	g.w, g.wSlope, g.wSD = make([]float64, len(d.pulls)), make([]float64, len(d.pulls)), constant(len(d.pulls), pullSD)
	return g
}

func constant(n int, v float64) []float64 {
	s := make([]float64, n)
	for i := range s {
		s[i] = v
	}
	return s
}

// each runs do on every chunk, in parallel, with one scratch a goroutine.
func (g *integrator) each(do func(chunk int, s *scratch)) {
	next := make(chan int)
	var wg sync.WaitGroup
	for range min(g.workers, len(g.chunks)) {
		wg.Go(func() {
			var s scratch
			for c := range next {
				do(c, &s)
			}
		})
	}
	for c := range g.chunks {
		next <- c
	}
	close(next)
	wg.Wait()
}

// scratch is one goroutine's working memory; it grows to the largest car it meets, not with the fleet.
type scratch struct {
	eta           []float64 // by row of the car
	dEta          []float64 // [node][row of the pull]
	logA, post    []float64 // by pull node
	dSD, dShare   []float64 // by pull node
	rowK          []float64 // [car node][row of the car]: mean derivative by eta given u
	sumSD, sumSh  []float64 // by car node
	sumW2         []float64 // by car node: Σ E[w²|u]
	logK, postK   []float64
	hess          []second  // by row of the pull, posterior mean
	score         []float64 // [pull node][parameter]
	mean          []float64 // parameter: E[score|u] of a pull
	carScore      []float64 // [car node][parameter]
	within        []float64 // [car node][parameter²]: Σ over pulls of Var(score|u)
	pullG, pullH  []float64 // by pull of the car: first and second derivatives at the mode
	stepW, trialW []float64
	before        []float64
}

func grow(s *[]float64, n int) []float64 {
	if cap(*s) < n {
		*s = make([]float64, n)
	}
	*s = (*s)[:n]
	return *s
}

func growZero(s *[]float64, n int) []float64 {
	v := grow(s, n)
	clear(v)
	return v
}

// rowsOf returns the rows of car c.
func (d *data) rowsOf(c int) span {
	ps := d.cars[c]
	if ps.hi == ps.lo {
		return span{}
	}
	return span{d.pulls[ps.lo].lo, d.pulls[ps.hi-1].hi}
}

func (d *data) linear(c int, beta []float64, dst []float64) {
	rs := d.rowsOf(c)
	for i := rs.lo; i < rs.hi; i++ {
		x := d.x[i*d.p : (i+1)*d.p]
		sum := 0.0
		for k, b := range beta {
			sum += x[k] * b
		}
		dst[i-rs.lo] = sum
	}
}

// pullNode sets the derivatives of one pull's rows at shift t into dEta, and returns their log-likelihood and summed
// derivatives by ln σ and by the logit of the share. eta is that of the pull's rows.
func pullNode(rows []row, eta []float64, t float64, cleans int, r *residual, dEta []float64) (
	logLike, dSD, dShare float64) {
	prod := 1.0
	for i := range rows {
		like, e, s, c := rows[i].score(eta[i]+t, r)
		dEta[i] = e
		dSD += s
		dShare += c
		prod *= like
		if prod < 1e-200 {
			logLike += math.Log(prod)
			prod = 1
		}
	}
	logLike += math.Log(prod) + float64(cleans)*math.Log1p(-r.share)
	return logLike, dSD, dShare - float64(cleans)*r.share
}

// pullGivenU integrates pull p over w at car effect u. It leaves the pull's node posteriors in s.post, its
// derivatives in s.dEta, s.dSD and s.dShare, and returns ln of the integral and E[w²].
func (g *integrator) pullGivenU(p, car int, u float64, eta []float64, q *params, s *scratch) (logI, w2 float64) {
	ps := g.pulls[p]
	rows := g.rows[ps.lo:ps.hi]
	n, m := len(rows), len(g.pull.x)
	dEta := grow(&s.dEta, n*m)
	logA, post := grow(&s.logA, m), grow(&s.post, m)
	dSD, dShare := grow(&s.dSD, m), grow(&s.dShare, m)
	centre := g.w[p] + g.wSlope[p]*(u-g.u[car])
	scale := math.Log(g.wSD[p] / q.pulSD)
	for j, x := range g.pull.x {
		w := centre + g.wSD[p]*x
		logA[j], dSD[j], dShare[j] = pullNode(rows, eta, u+w, g.cleans[p], &q.residual, dEta[j*n:(j+1)*n])
		z := w / q.pulSD
		logA[j] += g.pull.logW[j] + scale - 0.5*z*z
	}
	logI = normalise(logA, post)
	for j, x := range g.pull.x {
		w := centre + g.wSD[p]*x
		w2 += post[j] * w * w
	}
	return logI, w2
}

// normalise turns logs of weights into shares of their sum and returns ln of the sum.
func normalise(log, share []float64) float64 {
	top := math.Inf(-1)
	for _, l := range log {
		top = math.Max(top, l)
	}
	sum := 0.0
	for j, l := range log {
		share[j] = math.Exp(l - top)
		sum += share[j]
	}
	for j := range share {
		share[j] /= sum
	}
	return top + math.Log(sum)
}

// carLogWeight is ln of node a's weight under the car effect's normal density.
func (g *integrator) carLogWeight(c, a int, q *params) float64 {
	z := (g.u[c] + g.uSD[c]*g.car.x[a]) / q.carSD
	return g.car.logW[a] + math.Log(g.uSD[c]/q.carSD) - 0.5*z*z
}

// carPosterior sets postK to the posterior of car c's nodes.
func (g *integrator) carPosterior(c int, q *params, eta []float64, s *scratch) (postK []float64) {
	rs, ps, k := g.rowsOf(c), g.cars[c], len(g.car.x)
	logK, postK := grow(&s.logK, k), grow(&s.postK, k)
	for a, x := range g.car.x {
		u := g.u[c] + g.uSD[c]*x
		logK[a] = g.carLogWeight(c, a, q)
		for p := ps.lo; p < ps.hi; p++ {
			pr := g.pulls[p]
			logI, _ := g.pullGivenU(p, c, u, eta[pr.lo-rs.lo:pr.hi-rs.lo], q, s)
			logK[a] += logI
		}
	}
	normalise(logK, postK)
	return postK
}

// carValue adds car c's derivatives into grad (coefficients, then the four spreads) and returns its log-likelihood.
func (g *integrator) carValue(c int, q *params, grad []float64, s *scratch) float64 {
	rs, ps, k := g.rowsOf(c), g.cars[c], len(g.car.x)
	n := rs.hi - rs.lo
	eta := grow(&s.eta, n)
	g.linear(c, q.beta, eta)
	rowK := growZero(&s.rowK, n*k)
	sumSD, sumSh, sumW2 := growZero(&s.sumSD, k), growZero(&s.sumSh, k), growZero(&s.sumW2, k)
	logK, postK := grow(&s.logK, k), grow(&s.postK, k)
	for a, x := range g.car.x {
		u := g.u[c] + g.uSD[c]*x
		logK[a] = g.carLogWeight(c, a, q)
		for p := ps.lo; p < ps.hi; p++ {
			pr := g.pulls[p]
			m := pr.hi - pr.lo
			logI, w2 := g.pullGivenU(p, c, u, eta[pr.lo-rs.lo:pr.hi-rs.lo], q, s)
			logK[a] += logI
			sumW2[a] += w2
			dst := rowK[a*n+pr.lo-rs.lo : a*n+pr.hi-rs.lo]
			for j, w := range s.post {
				sumSD[a] += w * s.dSD[j]
				sumSh[a] += w * s.dShare[j]
				for i, d := range s.dEta[j*m : (j+1)*m] {
					dst[i] += w * d
				}
			}
		}
	}
	logLik := normalise(logK, postK)
	pulls := float64(ps.hi - ps.lo)
	for a, x := range g.car.x {
		u := g.u[c] + g.uSD[c]*x
		w := postK[a]
		grad[g.p+atCarSD] += w * (u*u/(q.carSD*q.carSD) - 1)
		grad[g.p+atPullSD] += w * (sumW2[a]/(q.pulSD*q.pulSD) - pulls)
		grad[g.p+atCellSD] += w * sumSD[a]
		grad[g.p+atShare] += w * sumSh[a]
	}
	for i := 0; i < n; i++ {
		d := 0.0
		for a, w := range postK {
			d += w * rowK[a*n+i]
		}
		if d == 0 {
			continue
		}
		x := g.x[(rs.lo+i)*g.p : (rs.lo+i+1)*g.p]
		for j, v := range x {
			grad[j] += d * v
		}
	}
	return logLik
}

// value returns the log-likelihood at raw parameters and writes its gradient.
func (g *integrator) value(raw, grad []float64) float64 {
	q := unpack(raw, g.tail)
	d := len(raw)
	values := make([]float64, len(g.chunks))
	grads := make([]float64, len(g.chunks)*d)
	g.each(func(ch int, s *scratch) {
		for c := g.chunks[ch].lo; c < g.chunks[ch].hi; c++ {
			values[ch] += g.carValue(c, &q, grads[ch*d:(ch+1)*d], s)
		}
	})
	clear(grad)
	total := 0.0
	for ch, v := range values {
		total += v
		for j := range grad {
			grad[j] += grads[ch*d+j]
		}
	}
	return total
}
