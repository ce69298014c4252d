package knock

import (
	"math"
	"math/rand/v2"
	"testing"

	"headroom/models/value"
)

// smallSearch is a search on a small fleet with false events, slow logs and every kind of bound, away from the mode.
func smallSearch(t *testing.T) *search {
	t.Helper()
	rng := rand.New(rand.NewPCG(3, 4))
	cars := ownFleet(rng, 6, 4, 5)
	for c := range cars {
		for p := range cars[c].Pulls {
			for i := range cars[c].Pulls[p].Cells {
				cell := &cars[c].Pulls[p].Cells[i]
				cell.Detect = 0.2 + 0.8*rng.Float64()
				switch {
				case rng.Float64() < 0.05:
					cell.Lower, cell.Upper, cell.Steps = cell.Lower-1.5, cell.Lower, 1+rng.IntN(2)
					cell.FalseShare = 0.3
				case !cell.Clean() && rng.Float64() < 0.2:
					cell.Lower = math.Inf(-1)
				}
			}
		}
	}
	prior, opt := ownPrior().withDefaults(), Options{CarNodes: 4, PullNodes: 3}.withDefaults()
	sorted, err := checked(cars)
	if err != nil {
		t.Fatal(err)
	}
	spline, err := splineFor(sorted, prior, opt)
	if err != nil {
		t.Fatal(err)
	}
	reach := reachOf(sorted)
	s := newSearch(flatten(sorted, &spline, &reach, opt.MissShare), spline, prior, opt)
	for i := range s.b {
		s.b[i] = 0.3 * rng.NormFloat64()
	}
	s.b[0] += 1
	s.tail = 0.1
	s.place(s.raw(s.b), false)
	return s
}

// The gradient against central differences of the value (Abramowitz & Stegun 25.3.21).
func TestGradientAgainstDifferences(t *testing.T) {
	s := smallSearch(t)
	raw := s.raw(s.b)
	grad := make([]float64, len(raw))
	s.value(raw, grad)
	scratch := make([]float64, len(raw))
	for i := range raw {
		if s.scale[i] == 0 {
			continue
		}
		h := 1e-4 * s.scale[i]
		at := raw[i]
		raw[i] = at + h
		up := s.value(raw, scratch)
		raw[i] = at - h
		down := s.value(raw, scratch)
		raw[i] = at
		want := (up - down) / (2 * h)
		if math.Abs(grad[i]-want) > 2e-5*(math.Abs(want)+1/s.scale[i]) {
			t.Errorf("parameter %d: gradient %.8f, differences %.8f", i, grad[i], want)
		}
	}
}

// Louis's information against central differences of the gradient.
func TestInformationAgainstDifferences(t *testing.T) {
	s := smallSearch(t)
	raw := s.raw(s.b)
	n := len(raw)
	info := s.information(raw, make([]carMoments, len(s.cars)))
	up, down := make([]float64, n), make([]float64, n)
	for i := range raw {
		if s.scale[i] == 0 {
			continue
		}
		h := 1e-4 * s.scale[i]
		at := raw[i]
		raw[i] = at + h
		s.value(raw, up)
		raw[i] = at - h
		s.value(raw, down)
		raw[i] = at
		for j := range raw {
			if s.scale[j] == 0 {
				continue
			}
			want := -(up[j] - down[j]) / (2 * h)
			unit := 1 / (s.scale[i] * s.scale[j])
			if math.Abs(info[i*n+j]-want) > 5e-5*(math.Abs(want)+unit) {
				t.Errorf("%d, %d: information %.8f, differences %.8f", i, j, info[i*n+j], want)
			}
		}
	}
}

// The default quadrature against one with many more nodes: no estimate may move by more than 7 % of its sd, for cars of
// few rows and of many. That is a tenth for fleets twice as large.
func TestQuadratureHasConverged(t *testing.T) {
	for _, c := range []struct{ cars, pulls int }{{20, 1}, {12, 4}, {4, 20}} {
		fleet := ownFleet(rand.New(rand.NewPCG(5, uint64(c.pulls))), c.cars, c.pulls, 8)
		few, err := Fit(fleet, ownPrior(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		many, err := Fit(fleet, ownPrior(), Options{CarNodes: 11, PullNodes: 11})
		if err != nil {
			t.Fatal(err)
		}
		if !few.Converged || !many.Converged {
			t.Fatalf("%d pulls: not converged: %v, %v", c.pulls, few.Warnings, many.Warnings)
		}
		for i := range few.Coef {
			sd := math.Sqrt(many.CoefCov[i*len(many.Coef)+i])
			if math.Abs(few.Coef[i]-many.Coef[i]) > 0.07*sd+1e-12 {
				t.Errorf("%d pulls, coefficient %d: %.4f and %.4f ± %.4f", c.pulls, i, few.Coef[i], many.Coef[i], sd)
			}
		}
		for i, p := range [][2]float64{{few.CarSD, many.CarSD}, {few.PullSD, many.PullSD}, {few.CellSD, many.CellSD}} {
			if math.Abs(math.Log(p[0]/p[1])) > 0.07*many.SpreadLogSD[i] {
				t.Errorf("%d pulls, spread %d: %.4f and %.4f, ln sd %.3f", c.pulls, i, p[0], p[1], many.SpreadLogSD[i])
			}
		}
		t.Logf("%d pulls: log-likelihood %.4f and %.4f", c.pulls, few.LogLikelihood, many.LogLikelihood)
	}
}

// The spline: through straight lines exactly, curvature of a natural spline, ∫α″² equal to the sum of squares.
func TestSplineBasis(t *testing.T) {
	s, err := newSpline([]float64{1500, 2200, 3000, 4500, 6500}, 4000)
	if err != nil {
		t.Fatal(err)
	}
	coef := []float64{3, 0.7, 0.4, -1.1, 0.9}
	x := make([]float64, 5)
	at := func(rpm float64) float64 {
		s.design(rpm, x)
		sum := 0.0
		for i, c := range coef {
			sum += c * x[i]
		}
		return sum
	}
	const h = 1.0 // rpm
	integral := 0.0
	for rpm := 1500.5; rpm < 6500; rpm++ {
		d := (at(rpm+h) - 2*at(rpm) + at(rpm-h)) / (h * h / 1e6)
		integral += d * d * 1e-3
	}
	if want := 0.4*0.4 + 1.1*1.1 + 0.9*0.9; math.Abs(integral-want) > 0.01*want {
		t.Errorf("∫α″² = %.4f, coefficients say %.4f", integral, want)
	}
	for _, rpm := range []float64{1000, 1500, 6500, 8000} {
		if d := at(rpm+300) - 2*at(rpm+150) + at(rpm); rpm != 1000 && rpm < 6500 {
			continue
		} else if rpm != 1500 && math.Abs(d) > 1e-9 {
			t.Errorf("not straight beyond the knots at %g: %g", rpm, d)
		}
	}
	for _, k := range s.Knots {
		if math.Abs(at(k-1e-7)-at(k+1e-7)) > 1e-6 || math.Abs((at(k)-at(k-1))-(at(k+1)-at(k))) > 1e-4 {
			t.Errorf("kink at %g", k)
		}
	}
	coef = []float64{3, 0.7, 0, 0, 0}
	if math.Abs(at(5000)-3.7) > 1e-12 {
		t.Errorf("straight part gives %g at 5000 rpm, want 3.7", at(5000))
	}
}

// The tabulated normal distribution against math.Erfc.
func TestNormalTable(t *testing.T) {
	for z := -6.0; z <= 6; z += 0.00371 {
		c, d := both(z)
		if math.Abs(c-value.NormalCDF(z)) > 1e-9 || math.Abs(d-pdf(z)) > 1e-9 {
			t.Fatalf("z=%g: %.12f, %.12f; want %.12f, %.12f", z, c, d, value.NormalCDF(z), pdf(z))
		}
	}
}

// The precision of the whitened parameters, the curve of slopes that keep their sign with it, against central
// differences of the objective's gradient.
func TestPrecisionAgainstDifferences(t *testing.T) {
	s := smallSearch(t)
	n := len(s.b)
	if len(s.signed) == 0 {
		t.Fatal("no slope keeps its sign")
	}
	if err := s.rounds(); err != nil {
		t.Fatal(err)
	}
	grad, up, down := make([]float64, n), make([]float64, n), make([]float64, n)
	s.objective(s.b, grad)
	s.measure(grad)
	precision := func(i, j int) (sum float64) {
		for k, l := range s.lambda {
			sum += s.vectors.At(i, k) * s.vectors.At(j, k) * l
		}
		return sum
	}
	if s.indefinite {
		t.Fatal("the precision was floored")
	}
	for i := range s.b {
		const h = 1e-4
		at := s.b[i]
		s.b[i] = at + h
		s.objective(s.b, up)
		s.b[i] = at - h
		s.objective(s.b, down)
		s.b[i] = at
		for j := range s.b {
			want := (up[j] - down[j]) / (2 * h)
			if got := precision(i, j); math.Abs(got-want) > 1e-4*(math.Abs(want)+1) {
				t.Errorf("%d, %d: precision %.8f, differences %.8f", i, j, got, want)
			}
		}
	}
}
