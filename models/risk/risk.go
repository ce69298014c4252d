// Package risk answers one question: how likely is it that a pull crosses a limit, and how sure is that likelihood?
//
// A margin (limit minus metric, positive inside the limit) in one state of one pull is taken as normal: its mean is
// linear in parameters θ whose posterior is normal, and around that mean lie a pull effect shared by every cell of
// the pull and a residual of the cell's own (the linear mixed model of Laird & Ware, Biometrics 38, 1982). Parameters
// are what is not known, so they make the interval; pulls and cells are what varies, so they make the probability
// inside it. Given θ and the pull effect the cells are independent, so the chance that any cell of a pull crosses is
// one minus a product, integrated over the pull effect by Gauss–Hermite quadrature, or the trapezium rule where that
// effect is wide: the maximum over a pull keeps the dependence between its cells. θ is drawn by Latin hypercube
// sampling (McKay, Beckman & Conover, Technometrics 21, 1979) and the same draws serve every problem compared (common
// random numbers; Law & Kelton, Simulation Modeling and Analysis, ch. 11).
package risk

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"

	"headroom/models/value"
)

// State is one pull's visit to one operating cell.
type State struct {
	Pull   int       // states with the same Pull share a pull effect
	Cell   int       // operating cell, any numbering
	Margin float64   // at the mean parameters, in the metric's unit; positive inside the limit
	Grad   []float64 // d margin / d parameters, as long as Problem.Cov is wide; empty when Cov is nil

	// Stands is how many visits to cells like this one the state stands for, itself among them, ≥ 1: a log with fewer
	// samples than the pull passed cells shows only some. 0 counts as 1.
	Stands float64
}

func (s *State) stands() float64 { return max(s.Stands, 1) }

// Problem is one limit under one calibration.
type Problem struct {
	States []State
	Cov    *mat.SymDense // joint posterior covariance of the parameters, the car effect included; nil: known exactly
	PullSD float64       // standard deviation of the pull effect, ≥ 0
	DaySD  float64       // of the part of it that pulls of a day have in common, 0 to PullSD; OverUse reads it
	CellSD float64       // standard deviation of the cell residual, ≥ 0

	// A share of the cell residuals may be wider than the rest: with chance TailShare (0–1) a residual is TailScale
	// times as wide as otherwise, CellSD being the standard deviation of both kinds together. TailShare 0: all alike.
	TailShare, TailScale float64

	// Excess widens every crossing to one side, in the metric's unit, ≥ 0: what crosses lands up to Excess further than
	// its margin says, all amounts equally likely, so a cell crosses when its margin falls below U·Excess, U uniform on
	// 0–1. A regulator that moves in whole steps does this.
	Excess float64

	Trust Trust // in the chance that all of this makes
}

// Result is what one problem comes to. Probabilities are 0–1, margins in the metric's unit.
type Result struct {
	Probability float64      // that a pull crosses the limit in any cell: mean over parameters and over the pulls given
	Low, High   float64      // 5 and 95 % quantiles over the parameters of that probability
	Pulls       int          // distinct pulls
	Worst       Margin       // the smallest margin of one pull
	Cells       []CellResult // by Cell, ascending
	Draws       []float64    // the probability at each parameter draw, in the order of the draws
	ModelHigh   float64      // High before Problem.Trust
	HighError   float64      // standard error of High from the finite number of draws; see quantileError
}

// Margin describes the distribution of a margin in one pull.
type Margin struct {
	Mean, SD  float64
	Low, High float64 // 5 and 95 % quantiles
}

// CellResult is one cell over the pulls that visit it.
type CellResult struct {
	Cell        int
	Visits      int     // states in the cell
	Margin      Margin  // of one visit: parameters, pull, residual and the spread between visits; normal quantiles
	PerVisit    float64 // chance that a visit crosses here, exact
	Probability float64 // chance that a pull crosses here: PerVisit times visits a pull, at most 1
}

// DefaultDraws is the number of parameter draws that keeps a 5 % quantile within about a hundredth.
const DefaultDraws = 128

// Evaluate returns the probability that a pull crosses. draws is the number of parameter draws (2 or more, 0 means
// DefaultDraws); the same seed gives the same result to the bit. An error names the state or field that cannot be
// used; a problem without states is an error, because no visit is no evidence.
func Evaluate(p Problem, draws int, seed uint64) (Result, error) {
	r, err := EvaluateMany([]Problem{p}, draws, seed)
	if err != nil {
		return Result{}, err
	}
	return r[0], nil
}

// EvaluateMany evaluates problems that share one posterior (equal Cov), such as parent and child calibrations or
// stress conditions, at the same parameter draws, so that their Draws can be compared one by one.
func EvaluateMany(problems []Problem, draws int, seed uint64) ([]Result, error) {
	if draws == 0 {
		draws = DefaultDraws
	}
	if draws < 2 {
		return nil, fmt.Errorf("%d parameter draws: give 2 or more", draws)
	}
	f, err := familyOf(problems)
	if err != nil {
		return nil, err
	}
	return f.evaluate(f.work, draws, seed), nil
}

// MostDraws is where EvaluateAgainst stops doubling.
const MostDraws = 32 * DefaultDraws

// decided is the share of its distance to a threshold that the standard error of a bound may be for the bound to count
// as known on which side it lies: ten standard errors. Common practice, no source.
const decided = 0.1

// EvaluateAgainst is EvaluateMany with as many draws as it takes to know on which side of a threshold (0–1) the first
// problem's High lies: DefaultDraws, doubled until its HighError is at most a tenth of its distance to the threshold,
// or MostDraws are made. A bound nearer to the threshold than ten of the errors that MostDraws leave is returned with
// those; see Result.Decided.
func EvaluateAgainst(problems []Problem, threshold float64, seed uint64) ([]Result, error) {
	if !(threshold >= 0 && threshold <= 1) {
		return nil, fmt.Errorf("threshold %g is no probability", threshold)
	}
	f, err := familyOf(problems)
	if err != nil || len(f.work) == 0 {
		return nil, err
	}
	draws := DefaultDraws
	first := f.evaluate(f.work[:1], draws, seed)
	for !first[0].Decided(threshold) && draws < MostDraws {
		draws *= 2
		first = f.evaluate(f.work[:1], draws, seed)
	}
	return append(first, f.evaluate(f.work[1:], draws, seed)...), nil
}

// Decided reports whether the draws were enough to know on which side of a threshold High lies: whether HighError is at
// most a tenth of the distance between them.
func (r *Result) Decided(threshold float64) bool {
	return r.HighError <= decided*math.Abs(r.High-threshold)
}

// family is problems under one posterior, on the same axes of it.
type family struct {
	work []*workspace
	rank int
}

func familyOf(problems []Problem) (family, error) {
	for i := range problems {
		if err := problems[i].check(); err != nil {
			return family{}, fmt.Errorf("problem %d: %w", i, err)
		}
		if !sameCov(problems[0].Cov, problems[i].Cov) {
			return family{}, fmt.Errorf("problem %d has another parameter covariance than problem 0: compare "+
				"calibrations under one posterior", i)
		}
	}
	if len(problems) == 0 {
		return family{}, nil
	}
	root, err := squareRoot(problems[0].Cov)
	if err != nil {
		return family{}, err
	}
	f := family{work: make([]*workspace, len(problems)), rank: root.rank}
	for i := range problems {
		f.work[i] = newWorkspace(&problems[i], root)
	}
	if root.rank > 0 {
		alignFirstAxis(f.work, root.rank)
	}
	return f, nil
}

// evaluate evaluates some of the family at the same draws.
func (f *family) evaluate(work []*workspace, draws int, seed uint64) []Result {
	if len(work) == 0 {
		return nil
	}
	sample := latinNormal(draws, f.rank, seed)
	out := make([]Result, len(work))
	for i, w := range work {
		out[i] = w.evaluate(sample, draws, seed)
	}
	return out
}

// MemberDraws is the probability that a pull crosses at each parameter draw, for one member of a family whose problems
// share all parameters but one, own (an index into the parameters: a car's offset). Equal draws, seed and covariance of
// the shared parameters give every member the same draws of these; its own parameter is drawn given them, apart from
// other members' (member numbers it). So draws of different members may be counted together, one by one. Errors as in
// Evaluate, and for an own that is no parameter.
func MemberDraws(p Problem, own, draws int, seed, member uint64) ([]float64, error) {
	if draws < 2 {
		return nil, fmt.Errorf("%d parameter draws: give 2 or more", draws)
	}
	if err := p.check(); err != nil {
		return nil, err
	}
	if p.Cov == nil || own < 0 || own >= p.Cov.SymmetricDim() {
		return nil, fmt.Errorf("parameter %d is not one of the problem's", own)
	}
	r := memberRoot(p.Cov, own)
	shared, apart := latinNormal(draws, r.rank-1, seed), latinNormal(draws, 1, seed^(member+1)*0x9e3779b97f4a7c15)
	sample := make([]float64, 0, draws*r.rank)
	for d := range draws {
		sample = append(append(sample, shared[d*(r.rank-1):(d+1)*(r.rank-1)]...), apart[d])
	}
	return newWorkspace(&p, r).evaluate(sample, draws, seed).Draws, nil
}

// memberRoot is a square root of cov in which direction k moves parameter k and those after it, the own parameter being
// last: Cholesky's factor, with nothing in the directions that carry no variance. So equal covariances of the shared
// parameters give equal directions, and the last one moves the own parameter alone.
func memberRoot(cov *mat.SymDense, own int) root {
	n := cov.SymmetricDim()
	order := make([]int, 0, n)
	for i := range n {
		if i != own {
			order = append(order, i)
		}
	}
	order = append(order, own)
	r := root{l: mat.NewDense(n, n, nil), rank: n}
	for k, pivot := range order {
		left := cov.At(pivot, pivot)
		for c := range k {
			left -= r.l.At(pivot, c) * r.l.At(pivot, c)
		}
		if !(left > negligible*cov.At(pivot, pivot)) {
			continue
		}
		r.l.Set(pivot, k, math.Sqrt(left))
		for _, i := range order[k+1:] {
			v := cov.At(i, pivot)
			for c := range k {
				v -= r.l.At(i, c) * r.l.At(pivot, c)
			}
			r.l.Set(i, k, v/math.Sqrt(left))
		}
	}
	return r
}

// Difference is the 5 and the 95 % quantile over the parameters of b's probability less a's, both from one call of
// EvaluateMany.
func Difference(a, b Result) (low, high float64) {
	diff := make([]float64, len(a.Draws))
	for i := range diff {
		diff[i] = b.Draws[i] - a.Draws[i]
	}
	return band(diff)
}

// Worse is the share of parameter draws at which b is more likely to cross than a, both from one call of EvaluateMany.
func Worse(a, b Result) float64 {
	n := 0
	for i := range a.Draws {
		if b.Draws[i] > a.Draws[i] {
			n++
		}
	}
	return float64(n) / float64(len(a.Draws))
}

func (p *Problem) check() error {
	if len(p.States) == 0 {
		return errors.New("no states: nothing to evaluate")
	}
	dim := 0
	if p.Cov != nil {
		dim = p.Cov.SymmetricDim()
	}
	for _, s := range []struct {
		what string
		v    float64
	}{{"pull sd", p.PullSD}, {"day sd", p.DaySD}, {"cell sd", p.CellSD}, {"excess", p.Excess},
		{"tail share", p.TailShare}, {"tail scale", p.TailScale}} {
		if !value.Known(s.v) || s.v < 0 {
			return fmt.Errorf("%s is %g: it must be finite and not negative", s.what, s.v)
		}
	}
	if p.DaySD > p.PullSD {
		return fmt.Errorf("day sd %g is part of the pull sd and above it, %g", p.DaySD, p.PullSD)
	}
	if p.TailShare > 1 || p.TailShare > 0 && p.TailScale == 0 {
		return fmt.Errorf("tail share %g with scale %g: give a share up to 1 and a scale above zero", p.TailShare,
			p.TailScale)
	}
	if err := p.Trust.check(); err != nil {
		return err
	}
	for i, s := range p.States {
		if len(s.Grad) != dim {
			return fmt.Errorf("state %d has %d derivatives for %d parameters", i, len(s.Grad), dim)
		}
		if !value.Known(s.Margin) || !value.AllKnown(s.Grad...) {
			return fmt.Errorf("state %d (pull %d, cell %d) has a margin or derivative that is not finite: leave it out",
				i, s.Pull, s.Cell)
		}
		if !value.Known(s.Stands) || s.Stands < 0 {
			return fmt.Errorf("state %d (pull %d, cell %d) stands for %g visits: give 1 or more, or 0 for one", i,
				s.Pull, s.Cell, s.Stands)
		}
	}
	return nil
}

func sameCov(a, b *mat.SymDense) bool {
	if a == b {
		return true
	}
	return a != nil && b != nil && a.SymmetricDim() == b.SymmetricDim() && mat.Equal(a, b)
}

// root holds a square root of the covariance, cov = L·Lᵀ, with the directions that carry no variance left out.
type root struct {
	l    *mat.Dense // dim × rank
	rank int
}

// negligible is the share of the largest variance below which a direction is left out of the draws.
const negligible = 1e-12

func squareRoot(cov *mat.SymDense) (root, error) {
	if cov == nil || cov.SymmetricDim() == 0 {
		return root{}, nil
	}
	n := cov.SymmetricDim()
	for i := 0; i < n; i++ {
		for j := i; j < n; j++ {
			if !value.AllKnown(cov.At(i, j)) {
				return root{}, fmt.Errorf("parameter covariance is not finite at %d, %d", i, j)
			}
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(cov, true) {
		return root{}, errors.New("parameter covariance has no eigenvalues to be found: it is badly scaled")
	}
	values := eig.Values(nil)
	largest := values[n-1]
	if values[0] < -1e-6*math.Max(largest, 0)-1e-12 {
		return root{}, fmt.Errorf("parameter covariance is not one: it has a variance of %g in some direction",
			values[0])
	}
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	r := root{}
	for i := n - 1; i >= 0 && values[i] > negligible*largest && values[i] > 0; i-- {
		r.rank++
	}
	if r.rank == 0 {
		return r, nil
	}
	r.l = mat.NewDense(n, r.rank, nil)
	for k := 0; k < r.rank; k++ {
		sd := math.Sqrt(values[n-1-k])
		for i := 0; i < n; i++ {
			r.l.Set(i, k, sd*vectors.At(i, n-1-k))
		}
	}
	return r, nil
}

// workspace is a problem with its states grouped by pull and their gradients turned into loadings on independent
// standard normals.
type workspace struct {
	p       *Problem
	order   []int // states, by pull
	pulls   []int // start of each pull in order, with len(order) at the end
	loading []float64
	rank    int
	stands  []float64 // of the states, in order
}

func newWorkspace(p *Problem, r root) *workspace {
	w := &workspace{p: p, rank: r.rank, order: make([]int, len(p.States)),
		loading: make([]float64, len(p.States)*r.rank)}
	for i := range w.order {
		w.order[i] = i
	}
	sort.SliceStable(w.order, func(a, b int) bool { return p.States[w.order[a]].Pull < p.States[w.order[b]].Pull })
	for i, s := range w.order {
		if i == 0 || p.States[s].Pull != p.States[w.order[i-1]].Pull {
			w.pulls = append(w.pulls, i)
		}
		w.stands = append(w.stands, p.States[s].stands())
		for k := 0; k < r.rank; k++ {
			sum := 0.0
			for j, g := range p.States[s].Grad {
				sum += g * r.l.At(j, k)
			}
			w.loading[i*r.rank+k] = sum
		}
	}
	w.pulls = append(w.pulls, len(w.order))
	return w
}

// alignFirstAxis turns the independent normals so that the first one moves the states most likely to cross: the
// sample is most even along its axes.
func alignFirstAxis(work []*workspace, rank int) {
	v := make([]float64, rank)
	for _, w := range work {
		for i, s := range w.order {
			row := w.loading[i*rank : (i+1)*rank]
			weight := 1e-9 + w.stands[i]*w.p.crossing(w.p.States[s].Margin,
				math.Sqrt(w.p.CellSD*w.p.CellSD+w.p.PullSD*w.p.PullSD+value.Dot(row, row)))
			for k := range v {
				v[k] += weight * row[k]
			}
		}
	}
	norm := math.Sqrt(value.Dot(v, v))
	if norm == 0 {
		return
	}
	// Householder reflection that takes v to the first axis.
	sign := math.Copysign(1, v[0])
	v[0] += sign * norm
	vv := value.Dot(v, v)
	for _, w := range work {
		for i := range w.order {
			row := w.loading[i*rank : (i+1)*rank]
			f := 2 * value.Dot(v, row) / vv
			for k := range row {
				row[k] -= f * v[k]
			}
		}
	}
}

// crossing is the chance that margin + sd·Z falls below U·Excess: Φ(−m/sd) without excess, else
// (sd/h)·[Ψ((h−m)/sd) − Ψ(−m/sd)] with Ψ(x) = xΦ(x) + φ(x), the integral of Φ.
func (p *Problem) crossing(margin, sd float64) float64 {
	h := p.Excess
	switch {
	case sd > 0 && h == 0:
		return value.NormalCDF(-margin / sd)
	case sd > 0 && h < 1e-4*sd:
		return value.NormalCDF((h/2 - margin) / sd)
	case sd > 0:
		return min(max(sd/h*(integralCDF((h-margin)/sd)-integralCDF(-margin/sd)), 0), 1)
	case h > 0:
		return min(max((h-margin)/h, 0), 1)
	case margin < 0:
		return 1
	}
	return 0
}

func integralCDF(x float64) float64 {
	if x > 9 {
		return x
	}
	if x < -9 {
		return 0
	}
	return x*value.NormalCDF(x) + math.Exp(-0.5*x*x)/math.Sqrt(2*math.Pi)
}

// latinNormal returns draws × dim standard normals, each column the midpoint quantiles of equal strata in its own
// random order, scaled to unit variance.
func latinNormal(draws, dim int, seed uint64) []float64 {
	q := make([]float64, draws)
	ss := 0.0
	for i := range q {
		q[i] = math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/float64(draws)-1)
		ss += q[i] * q[i]
	}
	scale := math.Sqrt(float64(draws) / ss)
	rng := rand.New(rand.NewPCG(seed, 0x6c68736e))
	out := make([]float64, draws*dim)
	order := make([]int, draws)
	for k := 0; k < dim; k++ {
		for i := range order {
			order[i] = i
		}
		rng.Shuffle(draws, func(a, b int) { order[a], order[b] = order[b], order[a] })
		for i, o := range order {
			out[i*dim+k] = scale * q[o]
		}
	}
	return out
}

// The pull effect is integrated by Gauss–Hermite while it is no wider than what blurs a crossing within a pull.
// Beyond that the integrand has an edge too sharp for a polynomial, and the trapezium rule with steps no wider than the
// blur is used: for integrands blurred by a normal its error falls like exp(−2π²·blur²/step²) (Trefethen &
// Weideman, SIAM Review 56, 2014).
const (
	fewNodes  = 5 // pull sd up to half the blur
	someNodes = 9 // up to the blur
	reachSDs  = 5 // of the trapezium rule
	mostSteps = 200
)

func (p *Problem) pullRule() (x, weight []float64) { return effectRule(p.PullSD, p.blur()) }

// blur is how far the crossing of one margin is smeared within a pull.
func (p *Problem) blur() float64 {
	core, _ := p.parts()
	return math.Sqrt(core*core + p.Excess*p.Excess/12)
}

// effectRule is nodes and weights that integrate over a normal effect what is smeared by blur.
func effectRule(sd, blur float64) (x, weight []float64) {
	switch {
	case sd == 0:
		return []float64{0}, []float64{1}
	case sd <= 0.5*blur:
		return hermite(fewNodes, sd)
	case sd <= blur:
		return hermite(someNodes, sd)
	}
	steps := mostSteps
	if blur > 0 {
		steps = int(min(math.Ceil(reachSDs*sd/blur), mostSteps))
	}
	sum := 0.0
	for i := -steps; i <= steps; i++ {
		z := reachSDs * float64(i) / float64(steps)
		x = append(x, z*sd)
		weight = append(weight, math.Exp(-0.5*z*z))
		sum += weight[len(weight)-1]
	}
	for i := range weight {
		weight[i] /= sum
	}
	return x, weight
}

func hermite(n int, sd float64) (x, weight []float64) {
	x, weight = make([]float64, n), make([]float64, n)
	quad.Hermite{}.FixedLocations(x, weight, math.Inf(-1), math.Inf(1))
	for i := range x {
		x[i] *= math.Sqrt2 * sd
		weight[i] /= math.SqrtPi
	}
	return x, weight
}

// clearSDs is the number of standard deviations at which a state is taken to be certainly inside its limit.
const clearSDs = 6.5

// curve is visit(·, 0) on an even grid, interpolated linearly: right to 1e-6 and many times faster, and it is
// asked for at every draw, state and node. A point is worked out when it is first asked for.
type curve struct {
	p        *Problem
	low, per float64 // first margin of the grid, points per unit of margin
	step     float64
	at       []float64 // NaN where not worked out yet
}

const curvePoints = 4096

func newCurve(p *Problem) curve {
	c := curve{p: p}
	if p.CellSD == 0 {
		return c
	}
	core, wide := p.parts()
	reach := 6 * math.Max(core, wide)
	c.low = -reach
	step := (p.Excess + 2*reach) / (curvePoints - 1)
	c.per = 1 / step
	c.at = make([]float64, curvePoints)
	for i := range c.at {
		c.at[i] = math.NaN()
	}
	c.step = step
	return c
}

func (c *curve) point(i int) float64 {
	if v := c.at[i]; v == v {
		return v
	}
	c.at[i] = c.p.visit(c.low+float64(i)*c.step, 0)
	return c.at[i]
}

func (c *curve) value(margin float64) float64 {
	if c.at == nil {
		return c.p.crossing(margin, 0)
	}
	t := (margin - c.low) * c.per
	if t < 0 {
		return 1
	}
	i := int(t)
	if i >= curvePoints-1 {
		return 0
	}
	v := c.point(i)
	return v + (t-float64(i))*(c.point(i+1)-v)
}

func (w *workspace) evaluate(sample []float64, draws int, seed uint64) Result {
	p := w.p
	in := p.integrand()
	r := Result{Pulls: len(w.pulls) - 1, Draws: make([]float64, draws)}
	margins := make([]float64, len(w.order))
	worst := newWorstSample(w, draws, seed)
	for d := range r.Draws {
		w.at(sample[d*w.rank:(d+1)*w.rank], margins)
		sum := 0.0
		for k := 0; k+1 < len(w.pulls); k++ {
			sum += in.anyCrossing(margins[w.pulls[k]:w.pulls[k+1]], w.stands[w.pulls[k]:w.pulls[k+1]])
		}
		r.Draws[d] = sum / float64(r.Pulls)
		worst.add(margins)
	}
	p.Trust.apply(&r, sample, w.rank, seed)
	r.Worst = worst.summary()
	r.Cells = w.cells(r.Pulls)
	return r
}

// at fills in the margins at a draw of the parameters.
func (w *workspace) at(z, margins []float64) {
	for i, s := range w.order {
		margins[i] = w.p.States[s].Margin + value.Dot(w.loading[i*w.rank:(i+1)*w.rank], z)
	}
}

// parts returns the standard deviations of the two kinds of cell residual.
func (p *Problem) parts() (core, wide float64) {
	if p.TailShare == 0 {
		return p.CellSD, p.CellSD
	}
	core = p.CellSD / math.Sqrt(1+p.TailShare*(p.TailScale*p.TailScale-1))
	return core, core * p.TailScale
}

// visit is the chance that a margin with a normal spread besides the cell's residual crosses.
func (p *Problem) visit(margin, spread float64) float64 {
	core, wide := p.parts()
	c := p.crossing(margin, math.Hypot(spread, core))
	if p.TailShare > 0 {
		c += p.TailShare * (p.crossing(margin, math.Hypot(spread, wide)) - c)
	}
	return c
}

// integrand holds what the chance of any crossing in a pull needs besides the pull's margins.
type integrand struct {
	p              *Problem
	curve          curve
	nodes, weights []float64
	certain        float64   // a larger margin cannot cross
	near           []float64 // working memory: the margins that can
	standing       []float64 // and how many visits each stands for
}

func (p *Problem) integrand() integrand {
	in := integrand{p: p, curve: newCurve(p)}
	in.nodes, in.weights = p.pullRule()
	core, wide := p.parts()
	in.certain = clearSDs*math.Hypot(math.Max(core, wide), p.PullSD) + p.Excess
	return in
}

// anyCrossing is the chance that any of one pull's margins crosses, given the parameters. A state that stands for
// several visits has as many residuals.
func (in *integrand) anyCrossing(margins, stands []float64) float64 {
	in.near, in.standing = in.near[:0], in.standing[:0]
	least := math.Inf(1)
	for i, m := range margins {
		if m < in.certain {
			in.near, in.standing = append(in.near, m), append(in.standing, stands[i])
			least = min(least, m)
		}
	}
	if len(in.near) == 0 {
		return 0
	}
	if in.p.CellSD == 0 && in.p.Excess == 0 {
		return in.p.crossing(least, in.p.PullSD)
	}
	none := 0.0
	for j, w := range in.nodes {
		product := 1.0
		for i, m := range in.near {
			within := 1 - in.curve.value(m+w)
			if in.standing[i] != 1 {
				within = math.Pow(within, in.standing[i])
			}
			product *= within
		}
		none += in.weights[j] * product
	}
	return min(max(1-none, 0), 1)
}

// cells summarises each cell from its states' exact normal margins.
func (w *workspace) cells(pulls int) []CellResult {
	p := w.p
	index := map[int]int{}
	var out []CellResult
	for i, s := range w.order {
		st := &p.States[s]
		at, ok := index[st.Cell]
		if !ok {
			at = len(out)
			index[st.Cell] = at
			out = append(out, CellResult{Cell: st.Cell})
		}
		row := w.loading[i*w.rank : (i+1)*w.rank]
		v := value.Dot(row, row) + p.PullSD*p.PullSD + p.CellSD*p.CellSD
		c := &out[at]
		c.Visits++
		c.Margin.Mean += st.Margin
		c.Margin.Low += st.Margin * st.Margin
		c.Margin.SD += v
		crosses := p.visit(st.Margin, math.Sqrt(value.Dot(row, row)+p.PullSD*p.PullSD))
		c.PerVisit += crosses
		c.Probability += crosses * st.stands()
	}
	for i := range out {
		c := &out[i]
		n := float64(c.Visits)
		c.Margin.Mean /= n
		between := math.Max(c.Margin.Low/n-c.Margin.Mean*c.Margin.Mean, 0)
		c.Margin.SD = math.Sqrt(c.Margin.SD/n + between)
		c.Margin.Low = c.Margin.Mean - value.Z95*c.Margin.SD
		c.Margin.High = c.Margin.Mean + value.Z95*c.Margin.SD
		c.PerVisit /= n
		c.Probability = math.Min(c.Probability/float64(pulls), 1)
	}
	sort.Slice(out, func(a, b int) bool { return out[a].Cell < out[b].Cell })
	return out
}

// worstSample collects smallest margins of simulated pulls: at every parameter draw a few of the pulls, in turn.
type worstSample struct {
	w      *workspace
	rng    *rand.Rand
	next   int
	values []float64

	core, wide float64 // standard deviations of the cell residual
}

const worstPerDraw = 8

func newWorstSample(w *workspace, draws int, seed uint64) *worstSample {
	core, wide := w.p.parts()
	return &worstSample{core: core, wide: wide, w: w, rng: rand.New(rand.NewPCG(seed, 0x776f7273)),
		values: make([]float64, 0, draws*worstPerDraw)}
}

func (s *worstSample) add(margins []float64) {
	for range worstPerDraw {
		k := s.next % (len(s.w.pulls) - 1)
		s.next++
		shift := s.w.p.PullSD * s.rng.NormFloat64()
		least := math.Inf(1)
		for i := s.w.pulls[k]; i < s.w.pulls[k+1]; i++ {
			for range s.times(s.w.stands[i]) {
				sd := s.core
				if s.w.p.TailShare > 0 && s.rng.Float64() < s.w.p.TailShare {
					sd = s.wide
				}
				least = min(least, margins[i]+shift+sd*s.rng.NormFloat64())
			}
		}
		s.values = append(s.values, least)
	}
}

// times is a whole number of visits, right on average.
func (s *worstSample) times(stands float64) int {
	whole, part := math.Modf(stands)
	if part > 0 && s.rng.Float64() < part {
		whole++
	}
	return int(whole)
}

func (s *worstSample) summary() Margin {
	m := Margin{}
	n := float64(len(s.values))
	for _, v := range s.values {
		m.Mean += v / n
	}
	for _, v := range s.values {
		m.SD += (v - m.Mean) * (v - m.Mean) / n
	}
	m.SD = math.Sqrt(m.SD)
	m.Low, m.High = band(s.values)
	return m
}

// band returns the 5 and 95 % quantiles, linearly between order statistics (type 7 of Hyndman & Fan, American
// Statistician 50, 1996).
func band(values []float64) (low, high float64) {
	s := append([]float64(nil), values...)
	sort.Float64s(s)
	return quantile(s, 0.05), quantile(s, 0.95)
}

func quantile(sorted []float64, q float64) float64 {
	h := min(max(q, 0), 1) * float64(len(sorted)-1)
	i := min(int(h), len(sorted)-2)
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}

// errorWindow is the share of the draws on either side of a quantile from which the slope of the quantile function is
// taken: about four of DefaultDraws. A narrower one lets two draws that happen to agree pass for certainty.
const errorWindow = 0.03

// quantileError is the standard error of a quantile of values drawn by Latin hypercube. The share of draws below the
// quantile varies by what it varies inside strata of the first axis, which half the squared differences between
// neighbours along that axis measure (collapsed strata: Cochran, Sampling Techniques, 1977, § 5A.12, from memory); what
// the strata of other axes take off is not counted. That error of a share, times the steeper slope of the quantile
// function on either side (Woodruff, JASA 47, 1952), is the quantile's. TestEvaluateAgainst measures it. spread, in
// ascending order, are the values whose quantile it is: the drawn ones, or each with errors of its own whose strata are
// full.
func quantileError(values, spread, sample []float64, rank int, q float64) float64 {
	if rank == 0 {
		return 0
	}
	sorted := append([]float64(nil), values...)
	sort.Float64s(sorted)
	at, there := quantile(sorted, q), quantile(spread, q)
	along := make([]int, len(values))
	for i := range along {
		along[i] = i
	}
	sort.SliceStable(along, func(a, b int) bool { return sample[along[a]*rank] < sample[along[b]*rank] })
	changes := 0.0
	for i, d := range along[1:] {
		if (values[d] > at) != (values[along[i]] > at) {
			changes++
		}
	}
	n := float64(len(values))
	share := math.Sqrt(changes / 2 / (n - 1) / n)
	steeper := math.Max(quantile(spread, q+errorWindow)-there, there-quantile(spread, q-errorWindow))
	return share * steeper / errorWindow
}
