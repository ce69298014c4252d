package risk

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"headroom/models/value"
)

func normal(z float64) float64 { return distuv.UnitNormal.CDF(z) }

// A single state has a normal margin, so the chance of crossing is Φ(−margin/sd) whatever shares the sd.
func TestSingleStateIsNormal(t *testing.T) {
	for _, c := range []struct{ margin, param, pull, cell float64 }{
		{1, 0, 0, 1}, {1, 0, 1, 0}, {2, 0, 1, 1}, {-0.5, 0, 2, 0.7}, {1.5, 0, 3, 0.1},
		{1, 1, 0.8, 1}, {2, 0.7, 0.5, 1}, {-1, 2, 0.5, 1}, {3, 1, 1, 1},
	} {
		p := Problem{States: []State{{Margin: c.margin, Grad: []float64{c.param}}}, Cov: identity(1), PullSD: c.pull,
			CellSD: c.cell}
		r, err := Evaluate(p, 0, 7)
		if err != nil {
			t.Fatal(err)
		}
		sd := math.Sqrt(c.param*c.param + c.pull*c.pull + c.cell*c.cell)
		want := normal(-c.margin / sd)
		tol := 1e-5
		if c.param > 0 {
			tol = 1.0 / (4 * DefaultDraws) // a monotone function over 128 strata is at most half a stratum off
		}
		if math.Abs(r.Probability-want) > tol {
			t.Errorf("%+v: probability %.6f, want %.6f", c, r.Probability, want)
		}
		if math.Abs(r.Cells[0].PerVisit-want) > 1e-12 {
			t.Errorf("%+v: cell probability %.12f, want %.12f", c, r.Cells[0].PerVisit, want)
		}
		// Given θ = z the chance is Φ(−(m+az)/s), monotone in z, so its quantiles are at z = ±1.645.
		s := math.Hypot(c.pull, c.cell)
		low, high := normal(-(c.margin+c.param*1.6449)/s), normal(-(c.margin-c.param*1.6449)/s)
		if math.Abs(r.Low-low) > 0.012 || math.Abs(r.High-high) > 0.012 {
			t.Errorf("%+v: band %.4f–%.4f, want %.4f–%.4f", c, r.Low, r.High, low, high)
		}
	}
}

// Without parameter uncertainty and pull effect the cells are independent: one minus the product.
func TestIndependentCells(t *testing.T) {
	margins := []float64{0.5, 1.2, 2.5, -0.1}
	var p Problem
	p.CellSD = 0.9
	none := 1.0
	for i, m := range margins {
		p.States = append(p.States, State{Cell: i, Margin: m})
		none *= normal(m / 0.9)
	}
	r, err := Evaluate(p, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(r.Probability-(1-none)) > 4e-6 || r.Low != r.High {
		t.Errorf("probability %.8f (%g–%g), want %.8f and no width", r.Probability, r.Low, r.High, 1-none)
	}
}

// With nothing but the pull effect the cells of a pull cross together: the worst one decides.
func TestPerfectDependence(t *testing.T) {
	p := Problem{PullSD: 1.3}
	for i, m := range []float64{2, 0.7, 4} {
		p.States = append(p.States, State{Cell: i, Margin: m})
	}
	r, err := Evaluate(p, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	if want := normal(-0.7 / 1.3); math.Abs(r.Probability-want) > 1e-12 {
		t.Errorf("probability %.12f, want that of the worst cell, %.12f", r.Probability, want)
	}
	// Nearly so: a residual a hundredth of the pull effect changes little.
	p.CellSD = 0.013
	r, _ = Evaluate(p, 0, 1)
	if want := normal(-0.7 / 1.3); math.Abs(r.Probability-want) > 4e-3 {
		t.Errorf("probability %.5f, want near %.5f", r.Probability, want)
	}
}

// Two exchangeable cells with correlation ρ and zero margin: P(both inside) = 1/4 + asin(ρ)/2π (Sheppard 1899).
func TestTwoCellsSheppard(t *testing.T) {
	for _, rho := range []float64{0.1, 0.3, 0.5, 0.7, 0.9} {
		p := Problem{PullSD: math.Sqrt(rho), CellSD: math.Sqrt(1 - rho), States: []State{{Cell: 0}, {Cell: 1}}}
		r, err := Evaluate(p, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		want := 1 - (0.25 + math.Asin(rho)/(2*math.Pi))
		if math.Abs(r.Probability-want) > 1e-4 {
			t.Errorf("ρ=%g: probability %.6f, want %.6f", rho, r.Probability, want)
		}
	}
}

// A general problem against plain Monte Carlo of the same sentences: θ, pull effect, residual, excess, any cell.
func TestAgainstSimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	p := randomProblem(rng, 6, 8, 5)
	p.Excess, p.TailShare, p.TailScale = 1.5, 0.1, 2.5
	core := p.CellSD / math.Sqrt(1+0.1*(2.5*2.5-1))
	r, err := Evaluate(p, 512, 3)
	if err != nil {
		t.Fatal(err)
	}
	var chol mat.Cholesky
	if !chol.Factorize(p.Cov) {
		t.Fatal("covariance")
	}
	var l mat.TriDense
	chol.LTo(&l)
	const n = 100000
	hits := 0
	worst := 0.0
	for range n {
		theta := mat.NewVecDense(5, nil)
		for i := range 5 {
			theta.SetVec(i, rng.NormFloat64())
		}
		theta.MulVec(&l, theta)
		pull := rng.IntN(6)
		w := p.PullSD * rng.NormFloat64()
		crossed, least := false, math.Inf(1)
		for _, s := range p.States {
			if s.Pull != pull {
				continue
			}
			e := core * rng.NormFloat64()
			if rng.Float64() < 0.1 {
				e *= 2.5
			}
			m := s.Margin + value.Dot(s.Grad, theta.RawVector().Data) + w + e
			least = math.Min(least, m)
			crossed = crossed || m < rng.Float64()*p.Excess
		}
		worst += least / n
		if crossed {
			hits++
		}
	}
	got, sd := float64(hits)/n, math.Sqrt(0.25/n)
	if math.Abs(got-r.Probability) > 4*sd+0.003 {
		t.Errorf("probability %.4f, simulated %.4f ± %.4f", r.Probability, got, sd)
	}
	if math.Abs(worst-r.Worst.Mean) > 0.1 {
		t.Errorf("worst margin %.3f, simulated %.3f", r.Worst.Mean, worst)
	}
}

func TestDeterministic(t *testing.T) {
	p := randomProblem(rand.New(rand.NewPCG(1, 1)), 10, 5, 4)
	a, err := Evaluate(p, 64, 9)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := Evaluate(p, 64, 9)
	if !reflect.DeepEqual(a, b) {
		t.Error("same seed, other result")
	}
	c, _ := Evaluate(p, 64, 10)
	if reflect.DeepEqual(a.Draws, c.Draws) {
		t.Error("another seed, same draws")
	}
	if math.Abs(a.Probability-c.Probability) > 0.01 {
		t.Errorf("seeds disagree: %.4f and %.4f", a.Probability, c.Probability)
	}
}

// A smaller margin anywhere raises the probability at every draw, and so the comparison says worse.
func TestMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 5))
		parent := randomProblem(rng, rapid.IntRange(1, 5).Draw(t, "pulls"), rapid.IntRange(1, 6).Draw(t, "cells"), 3)
		parent.Excess = rapid.SampledFrom([]float64{0, 1.5}).Draw(t, "excess")
		child := parent
		child.States = append([]State(nil), parent.States...)
		i := rapid.IntRange(0, len(child.States)-1).Draw(t, "state")
		child.States[i].Margin -= rapid.Float64Range(0, 3).Draw(t, "drop")
		both, err := EvaluateMany([]Problem{parent, child}, 16, 1)
		if err != nil {
			t.Fatal(err)
		}
		for k := range both[0].Draws {
			if was, now := both[0].Draws[k], both[1].Draws[k]; now < was-1e-9 {
				t.Fatalf("draw %d: child %.6f below parent %.6f", k, now, was)
			}
		}
		if low, high := Difference(both[0], both[1]); low < -1e-9 || high < low || Worse(both[1], both[0]) > 0 &&
			high < 1e-9 {
			t.Fatalf("difference %g to %g", low, high)
		}
		for _, r := range both {
			if r.Probability < 0 || r.Probability > 1 || r.Low > r.High || r.Low < 0 || r.High > 1 {
				t.Fatalf("probability %g, band %g–%g", r.Probability, r.Low, r.High)
			}
		}
	})
}

func TestErrors(t *testing.T) {
	bad := []Problem{
		{},
		{States: []State{{Margin: math.NaN()}}},
		{States: []State{{}}, Cov: identity(2)},
		{States: []State{{}}, PullSD: -1},
		{States: []State{{}}, CellSD: 1, TailShare: 0.1},
		{States: []State{{Grad: []float64{1, 1}}}, Cov: mat.NewSymDense(2, []float64{1, 2, 2, 1})},
		{States: []State{{Grad: []float64{1}}}, Cov: mat.NewSymDense(1, []float64{math.Inf(1)})},
	}
	for i, p := range bad {
		if _, err := Evaluate(p, 0, 1); err == nil {
			t.Errorf("problem %d passed", i)
		}
	}
	if _, err := Evaluate(Problem{States: []State{{}}}, 1, 1); err == nil {
		t.Error("one draw passed")
	}
}

func TestRank(t *testing.T) {
	f := []Finding{
		{1, 0.9, -1, 1},    // 0.9
		{30, 0.02, 2, 1},   // 0.6
		{10, 0.09, 1.5, 1}, // 0.9, closer: first of the tie is the smaller margin
		{3, 0.5, 0, 1},     // 1.5
		{10, 0, 4, 2},
		{1, 0, 4, 1},
	}
	order, err := Rank(f)
	if err != nil {
		t.Fatal(err)
	}
	if want := []int{3, 0, 2, 1, 4, 5}; !reflect.DeepEqual(order, want) {
		t.Errorf("order %v, want %v", order, want)
	}
	if _, err := Rank([]Finding{{Weight: 0, Probability: 0.5}}); err == nil {
		t.Error("a finding without weight passed")
	}
	if _, err := Rank([]Finding{{1, math.NaN(), 0, 1}}); err == nil {
		t.Error("NaN passed")
	}
}

// The reduction equals what a Bayesian update of the whole covariance says: Σ − Σxxᵀ​Σ/(xᵀΣx+σ²), done
// here by inverting precisions.
func TestVarianceReductionIsBayes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		n := rapid.IntRange(1, 6).Draw(t, "n")
		cov := randomCov(rng, n)
		g, x := make([]float64, n), make([]float64, n)
		for i := range g {
			g[i], x[i] = rng.NormFloat64(), rng.NormFloat64()
		}
		noise := 0.3 + rng.Float64()
		gains, err := NextPulls(cov, []Binding{{Grad: g, Weight: 1}},
			[]Candidate{{Design: x, NoiseSD: math.Sqrt(noise)}})
		if err != nil {
			t.Fatal(err)
		}
		got := gains[0].Reduction
		var precision mat.Dense
		if err := precision.Inverse(cov); err != nil {
			t.Skip("singular")
		}
		xv, gv := mat.NewVecDense(n, x), mat.NewVecDense(n, g)
		var outer, after mat.Dense
		outer.Outer(1/noise, xv, xv)
		precision.Add(&precision, &outer)
		if err := after.Inverse(&precision); err != nil {
			t.Skip("singular")
		}
		want := mat.Inner(gv, cov, gv) - mat.Inner(gv, &after, gv)
		if math.Abs(got-want) > 1e-6*(1+want) {
			t.Fatalf("reduction %g, Bayes %g", got, want)
		}
	})
}

func TestNextPullsOrders(t *testing.T) {
	cov := mat.NewSymDense(2, []float64{4, 0, 0, 1})
	gains, err := NextPulls(cov, []Binding{{Grad: []float64{1, 0}, Weight: 1}},
		[]Candidate{{Design: []float64{0, 1}, NoiseSD: 1}, {Design: []float64{1, 0}, NoiseSD: 1},
			{Design: []float64{1, 0}, NoiseSD: 1, Count: 4}})
	if err != nil {
		t.Fatal(err)
	}
	if gains[0].Candidate != 2 || gains[1].Candidate != 1 || gains[2].Candidate != 0 {
		t.Errorf("order %+v", gains)
	}
	if math.Abs(gains[1].Reduction-16.0/5) > 1e-12 || math.Abs(gains[1].Share-0.8) > 1e-12 || gains[2].Reduction != 0 {
		t.Errorf("gains %+v", gains)
	}
	if _, err := NextPulls(cov, nil, []Candidate{{Design: []float64{1}}}); err == nil {
		t.Error("short design passed")
	}
}

func identity(n int) *mat.SymDense {
	m := mat.NewSymDense(n, nil)
	for i := range n {
		m.SetSym(i, i, 1)
	}
	return m
}

func randomCov(rng *rand.Rand, n int) *mat.SymDense {
	a := mat.NewDense(n, n, nil)
	for i := range n {
		for j := range n {
			a.Set(i, j, 0.5*rng.NormFloat64())
		}
	}
	m := mat.NewSymDense(n, nil)
	m.SymOuterK(1, a)
	for i := range n {
		m.SetSym(i, i, m.At(i, i)+0.05)
	}
	return m
}

func randomProblem(rng *rand.Rand, pulls, cells, dim int) Problem {
	p := Problem{Cov: randomCov(rng, dim), PullSD: 0.8, CellSD: 1}
	for i := range pulls {
		for c := range cells {
			g := make([]float64, dim)
			g[0] = 1
			for k := 1; k < dim; k++ {
				g[k] = 0.3 * rng.NormFloat64()
			}
			p.States = append(p.States, State{Pull: i, Cell: c, Margin: 2.5 + rng.NormFloat64(), Grad: g})
		}
	}
	return p
}

func BenchmarkEvaluate(b *testing.B) {
	p := randomProblem(rand.New(rand.NewPCG(1, 1)), 100, 12, 15)
	p.Excess = 1.5
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Evaluate(p, 0, 1); err != nil {
			b.Fatal(err)
		}
	}
}

// Members of a family: the square root reproduces the covariance; two members without an own part agree draw by draw,
// and the correlation of two members' margins over the draws is that of the shared part (analytic: s²/(s² + o²)).
func TestMemberDraws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(t, "n")
		a := mat.NewDense(n, n, nil)
		for i := range n {
			for j := range n {
				a.Set(i, j, rapid.Float64Range(-2, 2).Draw(t, "a"))
			}
		}
		var cov mat.SymDense
		cov.SymOuterK(1, a)
		r := memberRoot(&cov, rapid.IntRange(0, n-1).Draw(t, "own"))
		var back mat.SymDense
		back.SymOuterK(1, r.l)
		if !mat.EqualApprox(&cov, &back, 1e-6*(1+mat.Max(&cov))) {
			t.Fatalf("root of %v gives %v", mat.Formatted(&cov), mat.Formatted(&back))
		}
	})
	member := func(shared, own float64, k uint64) []float64 {
		p := Problem{
			States: []State{{Margin: 0, Grad: []float64{1, 1}}}, PullSD: 1,
			Cov: mat.NewSymDense(2, []float64{shared * shared, 0, 0, own * own}),
		}
		d, err := MemberDraws(p, 1, 4000, 5, k)
		if err != nil {
			t.Fatal(err)
		}
		for i := range d { // back to the margin, in pull deviations
			d[i] = math.Sqrt2 * math.Erfinv(2*d[i]-1)
		}
		return d
	}
	if a, b := member(0.4, 0, 1), member(0.4, 0, 2); !slices.Equal(a, b) {
		t.Error("members with nothing of their own differ")
	}
	if got := stat.Correlation(member(0.4, 0.3, 1), member(0.4, 0.3, 2), nil); math.Abs(got-0.64) > 0.04 {
		t.Errorf("correlation %.3f, want 0.64", got)
	}
	if got := stat.StdDev(member(0.4, 0.3, 1), nil); math.Abs(got-0.5) > 0.02 {
		t.Errorf("deviation %.3f, want 0.5", got)
	}
	if _, err := MemberDraws(Problem{States: []State{{Margin: 1}}}, 0, 10, 1, 1); err == nil {
		t.Error("a problem without parameters passes")
	}
}

// The bound that is held against a threshold has a standard error of at most a tenth of its distance to it, or
// MostDraws were made; that error is the true one, as the spread over seeds shows: against bounds of many more draws
// the standardised error has a root mean square below one. A bound far from the threshold costs no more than
// DefaultDraws, and a second problem stands at the same draws.
func TestEvaluateAgainst(t *testing.T) {
	const threshold = 0.242
	var z2 float64
	var n, capped, fewest int
	for k := range uint64(24) {
		rng := rand.New(rand.NewPCG(k, 21))
		p := randomProblem(rng, 4, 5, 6)
		shift := 2.2 + 0.9*rng.NormFloat64()
		for i := range p.States {
			p.States[i].Margin += shift
			for j := range p.States[i].Grad {
				p.States[i].Grad[j] *= 0.35
			}
		}
		truth := highOf(t, p)
		for seed := range uint64(8) {
			r, err := EvaluateAgainst([]Problem{p, p}, threshold, seed)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(r[0], r[1]) {
				t.Fatal("equal problems at other draws")
			}
			again, _ := EvaluateAgainst([]Problem{p, p}, threshold, seed)
			if !reflect.DeepEqual(r, again) {
				t.Fatal("same seed, other result")
			}
			draws := len(r[0].Draws)
			switch {
			case draws < DefaultDraws || draws > MostDraws || draws%DefaultDraws != 0:
				t.Fatalf("%d draws", draws)
			case draws == MostDraws:
				capped++
			case !r[0].Decided(threshold):
				t.Errorf("problem %d: %d draws leave %.4f ± %.4f", k, draws, r[0].High, r[0].HighError)
			case math.Abs(r[0].High-truth) > 3*0.1*math.Abs(truth-threshold):
				t.Errorf("problem %d: bound %.4f, truly %.4f, threshold %g", k, r[0].High, truth, threshold)
			}
			if draws == DefaultDraws {
				fewest++
			}
			n++
			if r[0].HighError > 0 {
				z := (r[0].High - truth) / r[0].HighError
				z2 += z * z
			}
		}
	}
	if rms := math.Sqrt(z2 / float64(n)); rms > 1 {
		t.Errorf("standardised error of the bound has root mean square %.2f", rms)
	}
	if capped > n/4 || fewest < n/4 {
		t.Errorf("of %d evaluations %d at the most draws, %d at the fewest", n, capped, fewest)
	}
	t.Logf("rms %.2f, %d of %d capped, %d at the fewest", math.Sqrt(z2/float64(n)), capped, n, fewest)
}

// highOf is the mean High of many seeds and draws.
func highOf(t *testing.T, p Problem) float64 {
	t.Helper()
	const seeds = 16
	sum := 0.0
	for seed := range uint64(seeds) {
		r, err := Evaluate(p, 4096, 1000+seed)
		if err != nil {
			t.Fatal(err)
		}
		sum += r.High
	}
	return sum / seeds
}

// Parameters known exactly leave nothing to draw, and a threshold that is no probability is refused.
func TestEvaluateAgainstEdges(t *testing.T) {
	p := Problem{States: []State{{Margin: 1}}, CellSD: 1}
	r, err := EvaluateAgainst([]Problem{p}, normal(-1), 1)
	if err != nil || len(r[0].Draws) != DefaultDraws || r[0].HighError != 0 {
		t.Errorf("known exactly: %d draws, error %g, %v", len(r[0].Draws), r[0].HighError, err)
	}
	for _, bad := range []float64{-0.1, 1.1, math.NaN()} {
		if _, err := EvaluateAgainst([]Problem{p}, bad, 1); err == nil {
			t.Errorf("threshold %g accepted", bad)
		}
	}
}
