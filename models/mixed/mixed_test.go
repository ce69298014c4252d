package mixed

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const reference = "../../testdata/reference/mixed"

func readCSV(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join(reference, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// readCars reads a data set; onePullPerRow makes each row a pull of its own.
func readCars(t *testing.T, set string, onePullPerRow bool) []Car {
	t.Helper()
	var cars []Car
	index, last := map[string]int{}, ""
	for _, r := range readCSV(t, set+".csv") {
		id := strings.TrimSpace(r[0])
		k, seen := index[id]
		if !seen {
			k = len(cars)
			index[id] = k
			cars = append(cars, Car{ID: id})
		}
		key := id + "/" + r[1]
		if onePullPerRow || key != last || len(cars[k].Pulls) == 0 {
			cars[k].Pulls = append(cars[k].Pulls, Pull{})
		}
		last = key
		x := []float64{1}
		for _, v := range r[3:] {
			x = append(x, number(t, v))
		}
		p := &cars[k].Pulls[len(cars[k].Pulls)-1]
		p.Rows = append(p.Rows, Row{X: x, Y: number(t, r[2])})
	}
	return cars
}

func near(t *testing.T, what string, got, want, rel, abs float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > abs+rel*math.Abs(want) {
		t.Errorf("%s = %.10g, want %.10g", what, got, want)
	}
}

// Reference: R lme4 1.1-31, testdata/reference/mixed/reference.R. The data are Davies and Goldsmith 1972 (dyestuff,
// pastes), Box and Tiao 1973 (dyestuff2) and Belenky and others 2003 (sleepstudy), as shipped with lme4.
func TestAgainstLme4(t *testing.T) {
	want := map[string]map[string]float64{}
	for _, r := range readCSV(t, "reference.csv") {
		if want[r[0]] == nil {
			want[r[0]] = map[string]float64{}
		}
		want[r[0]][r[1]+" "+strings.TrimSpace(r[2])] = number(t, r[3])
	}
	sets := []struct {
		name, car, pull string
		rowsArePulls    bool
		covariate       string
	}{
		{"dyestuff", "Batch", "", true, ""},
		{"dyestuff2", "Batch", "", true, ""},
		{"pastes", "batch", "cask:batch", false, ""},
		{"sleepstudy", "Subject", "", true, "Days"},
		{"sleepstudy2", "Subject", "half:Subject", false, "Days"},
	}
	for _, s := range sets {
		t.Run(s.name, func(t *testing.T) {
			w := want[s.name]
			m, err := Fit(readCars(t, s.name, s.rowsArePulls), Prior{})
			if err != nil {
				t.Fatal(err)
			}
			if !m.Converged {
				t.Error("not converged")
			}
			near(t, "car variance", m.Estimated.Car, w["variance "+s.car], 1e-4, 1e-6)
			near(t, "residual variance", m.Estimated.Residual, w["variance residual"], 1e-4, 0)
			if s.pull != "" {
				near(t, "pull variance", m.Estimated.Pull, w["variance "+s.pull], 1e-4, 0)
			}
			near(t, "log-likelihood", m.LogLik, w["loglik reml"], 0, 1e-6)
			near(t, "intercept", m.Coef[0], w["coef (Intercept)"], 1e-6, 0)
			if s.covariate != "" {
				near(t, "slope", m.Coef[1], w["coef "+s.covariate], 1e-5, 0)
				near(t, "slope se", math.Sqrt(m.Cov[1][1]), w["se "+s.covariate], 1e-4, 0)
			}
			if w["variance "+s.car] == 0 { // boundary: prediction is widened, see TestBoundary
				return
			}
			near(t, "intercept se", math.Sqrt(m.Cov[0][0]), w["se (Intercept)"], 1e-4, 0)
			for _, e := range m.Effects {
				near(t, "effect "+e.ID, e.Mean, w["effect "+e.ID], 1e-3, 1e-3)
			}
		})
	}
}

// The likelihood cannot depend on how inseparable components are laid out.
func TestInseparableLayouts(t *testing.T) {
	one, err := Fit(readCars(t, "dyestuff", false), Prior{})
	if err != nil {
		t.Fatal(err)
	}
	many, err := Fit(readCars(t, "dyestuff", true), Prior{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "log-likelihood", one.LogLik, many.LogLik, 0, 1e-8)
	_, _, a, _ := one.Predict("new", []float64{1})
	_, _, b, _ := many.Predict("new", []float64{1})
	near(t, "deviation for an unseen car", a, b, 1e-5, 0)
	near(t, "shared evenly", one.CarVar, one.PullVar, 1e-12, 0)
	if !warns(one, "one pull in every car") || !warns(many, "one row in every pull") {
		t.Errorf("warnings: %q / %q", one.Warnings, many.Warnings)
	}
}

func warns(m *Model, part string) bool { return strings.Contains(strings.Join(m.Warnings, "\n"), part) }

func TestBoundary(t *testing.T) {
	m, err := Fit(readCars(t, "dyestuff2", true), Prior{})
	if err != nil {
		t.Fatal(err)
	}
	if m.Estimated.Car != 0 {
		t.Errorf("estimated car variance = %g, want 0 (Box and Tiao 1973)", m.Estimated.Car)
	}
	if !(m.CarVar > 0) || !warns(m, "estimated as 0") {
		t.Errorf("car variance for prediction %g, warnings %q", m.CarVar, m.Warnings)
	}
}

// With known variances the joint posterior of (β, u) is the solution of Henderson's equations (Biometrics 31, 1975),
// built here densely.
func TestJointAgainstDenseAlgebra(t *testing.T) {
	cars := simulate(rand.New(rand.NewPCG(7, 1)), 6, 5, 3, 2, 1, 0.5)
	prior := Prior{Mean: []float64{0, 1.5}, SD: []float64{math.Inf(1), 0.4}}
	m, err := Fit(cars, prior)
	if err != nil {
		t.Fatal(err)
	}
	// V built densely, GLS by brute force
	mean, cov, u, uv := dense(cars, prior, m.CarVar, m.PullVar, m.ResidualVar)
	for i := range mean {
		near(t, fmt.Sprint("coef ", i), m.Coef[i], mean[i], 1e-8, 1e-10)
		for j := range mean {
			near(t, fmt.Sprint("cov ", i, j), m.Cov[i][j], cov[i][j], 1e-7, 1e-10)
		}
	}
	for k, e := range m.Effects {
		near(t, "effect "+e.ID, e.Mean, u[k], 1e-7, 1e-9)
		near(t, "effect variance "+e.ID, e.Var, uv[k], 1e-7, 1e-9)
	}
}

func simulate(rng *rand.Rand, cars, pulls, rows int, carSD, pullSD, sd float64) []Car {
	out := make([]Car, cars)
	for c := range out {
		out[c].ID = fmt.Sprintf("car-%04d", c)
		u := carSD * rng.NormFloat64()
		for range pulls {
			w := pullSD * rng.NormFloat64()
			p := Pull{}
			for range rows {
				x := rng.NormFloat64()
				p.Rows = append(p.Rows, Row{X: []float64{1, x}, Y: 800 + 2*x + u + w + sd*rng.NormFloat64()})
			}
			out[c].Pulls = append(out[c].Pulls, p)
		}
	}
	return out
}

// Mean squared error of the prediction must match what the model says of it, for seen and unseen cars.
func TestPredictionSpread(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 2))
	var seen, unseen []float64
	for range 150 {
		all := simulate(rng, 15, 4, 4, 6, 3, 4)
		train := append([]Car(nil), all[:14]...)
		held := train[3].Pulls[3]
		train[3] = Car{ID: train[3].ID, Pulls: train[3].Pulls[:3]}
		m, err := Fit(train, Prior{})
		if err != nil {
			t.Fatal(err)
		}
		score := func(id string, r Row) float64 {
			mean, _, sd, err := m.Predict(id, r.X)
			if err != nil {
				t.Fatal(err)
			}
			return (r.Y - mean) / sd
		}
		seen = append(seen, score(train[3].ID, held.Rows[0]))
		unseen = append(unseen, score("other", all[14].Pulls[0].Rows[0]))
	}
	for name, z := range map[string][]float64{"seen": seen, "unseen": unseen} {
		// deviation of a standard deviation from n normals is 1/√(2n); plug-in variances with 14 cars add about 5 %
		if got := rms(z); math.Abs(got-1.03) > 4/math.Sqrt(2*float64(len(z))) {
			t.Errorf("%s: standardised errors have deviation %.3f, want about 1", name, got)
		}
	}
}

func TestDegenerate(t *testing.T) {
	row := func(y float64, x ...float64) Row { return Row{X: x, Y: y} }
	pull := func(rows ...Row) Pull { return Pull{Rows: rows} }
	tests := []struct {
		name string
		cars []Car
		warn string
	}{
		{"one car, one pull", []Car{{"a", []Pull{pull(row(10, 1), row(12, 1), row(11, 1))}}}, "a single car cannot"},
		{"one car, several pulls", []Car{{"a", []Pull{pull(row(10, 1), row(12, 1)), pull(row(15, 1), row(14, 1)), pull(row(9, 1))}}}, "a single car cannot"},
		{"one row a car", []Car{{"a", []Pull{pull(row(10, 1))}}, {"b", []Pull{pull(row(12, 1))}}}, "cannot be told apart"},
		{"constant column", []Car{
			{"a", []Pull{pull(row(10, 1, 5), row(12, 1, 5)), pull(row(11, 1, 5))}},
			{"b", []Pull{pull(row(15, 1, 5), row(13, 1, 5)), pull(row(14, 1, 5))}}}, "column 1"},
		{"collinear columns", []Car{
			{"a", []Pull{pull(row(10, 1, 1, 2), row(12, 1, 2, 4)), pull(row(11, 1, 3, 6))}},
			{"b", []Pull{pull(row(15, 1, 4, 8), row(13, 1, 1, 2)), pull(row(14, 1, 2, 4))}}}, "column 2"},
		{"a column of zeros", []Car{
			{"a", []Pull{pull(row(10, 1, 0), row(12, 1, 0)), pull(row(11, 1, 0))}},
			{"b", []Pull{pull(row(15, 1, 0), row(13, 1, 0))}}}, "column 1"},
		{"all values equal", []Car{
			{"a", []Pull{pull(row(100, 1), row(100, 1)), pull(row(100, 1))}},
			{"b", []Pull{pull(row(100, 1))}}}, "exactly"},
		{"all zero", []Car{{"a", []Pull{pull(row(0, 1), row(0, 1))}}, {"b", []Pull{pull(row(0, 1))}}}, "exactly"},
		{"covariate separates the cars", []Car{
			{"a", []Pull{pull(row(10, 1, 0), row(12, 1, 0)), pull(row(11, 1, 0))}},
			{"b", []Pull{pull(row(15, 1, 1), row(13, 1, 1)), pull(row(14, 1, 1))}}}, "only vary between cars"},
		{"values repeat inside pulls", []Car{
			{"a", []Pull{pull(row(10, 1), row(10, 1)), pull(row(11, 1), row(11, 1))}},
			{"b", []Pull{pull(row(15, 1), row(15, 1)), pull(row(14, 1), row(14, 1))}}}, "floor"},
		{"huge and tiny", []Car{
			{"a", []Pull{pull(row(1e12, 1, 1e-9), row(1.2e12, 1, 2e-9)), pull(row(1.1e12, 1, 5e-9))}},
			{"b", []Pull{pull(row(1.5e12, 1, 1e-9), row(1.3e12, 1, 4e-9))}}}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m, err := Fit(tt.cars, Prior{})
			if err != nil {
				t.Fatal(err)
			}
			if tt.warn != "" && !warns(m, tt.warn) {
				t.Errorf("warnings %q do not say %q", m.Warnings, tt.warn)
			}
			if tt.name != "all values equal" && tt.name != "all zero" && !(m.CarVar > 0) {
				t.Errorf("car variance %g: an untold variance must not be 0", m.CarVar)
			}
			x := tt.cars[0].Pulls[0].Rows[0].X
			for _, id := range []string{"a", "new"} {
				mean, sp, st, err := m.Predict(id, x)
				if err != nil || !finite(mean) || !finite(sp) || !finite(st) || !(st > 0) {
					t.Errorf("predict %s: %g %g %g %v", id, mean, sp, st, err)
				}
			}
			if _, err := json.Marshal(m); err != nil {
				t.Error(err)
			}
		})
	}
	// away from the logged value of a constant covariate the prediction is wide
	m, _ := Fit(tests[3].cars, Prior{})
	_, at, _, _ := m.Predict("new", []float64{1, 5})
	mean, away, _, _ := m.Predict("new", []float64{1, 8})
	want := math.Hypot(at, 10*1.87*3/5) // sd(y) = 1.87 over the six values, 3 units away, rms(x) = 5
	if math.Abs(away-want) > 0.01*want || math.Abs(mean-12.5) > 0.5 {
		t.Errorf("constant covariate: deviation %g at the logged value, %g away from it, mean %g", at, away, mean)
	}
}

func TestErrors(t *testing.T) {
	ok := []Car{{"a", []Pull{{[]Row{{[]float64{1}, 1}, {[]float64{1}, 2}}}}}}
	tests := []struct {
		name  string
		cars  []Car
		prior Prior
	}{
		{"no cars", nil, Prior{}},
		{"no rows", []Car{{ID: "a"}}, Prior{}},
		{"ragged", []Car{{"a", []Pull{{[]Row{{[]float64{1}, 1}, {[]float64{1, 2}, 2}}}}}}, Prior{}},
		{"nan y", []Car{{"a", []Pull{{[]Row{{[]float64{1}, math.NaN()}}}}}}, Prior{}},
		{"inf x", []Car{{"a", []Pull{{[]Row{{[]float64{math.Inf(1)}, 1}}}}}}, Prior{}},
		{"twice", append([]Car{{"a", ok[0].Pulls}}, ok...), Prior{}},
		{"no columns", []Car{{"a", []Pull{{[]Row{{nil, 1}}}}}}, Prior{}},
		{"prior length", ok, Prior{Mean: []float64{0, 0}, SD: []float64{1, 1}}},
		{"prior deviation", ok, Prior{Mean: []float64{0}, SD: []float64{0}}},
		{"prior mean", ok, Prior{Mean: []float64{math.NaN()}, SD: []float64{1}}},
		{"too few rows", []Car{{"a", []Pull{{[]Row{{[]float64{1}, 1}}}}}}, Prior{}},
	}
	for _, tt := range tests {
		if m, err := Fit(tt.cars, tt.prior); err == nil {
			t.Errorf("%s: no error, model %+v", tt.name, m)
		}
	}
}

func TestPriorPulls(t *testing.T) {
	cars := simulate(rand.New(rand.NewPCG(3, 4)), 8, 4, 2, 1, 1, 1)
	tight, err := Fit(cars, Prior{Mean: []float64{0, -3}, SD: []float64{math.Inf(1), 1e-6}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope under a tight prior", tight.Coef[1], -3, 1e-4, 0)
	flat, _ := Fit(cars, Prior{})
	loose, _ := Fit(cars, Prior{Mean: []float64{0, -3}, SD: []float64{math.Inf(1), 1e6}})
	near(t, "slope under a loose prior", loose.Coef[1], flat.Coef[1], 1e-4, 0)
	near(t, "car variance under a loose prior", loose.CarVar, flat.CarVar, 1e-3, 0)
	// more coefficients than rows, carried by priors
	few := []Car{{"a", []Pull{{[]Row{{[]float64{1, 2, 3}, 1}, {[]float64{1, 1, 0}, 2}}}}}}
	m, err := Fit(few, Prior{Mean: make([]float64, 3), SD: []float64{math.Inf(1), 1, 1}})
	if err != nil || !finite(m.Coef[2]) {
		t.Errorf("priors should carry the fit: %v %v", m, err)
	}
}

func TestOrderAndJSON(t *testing.T) {
	cars := simulate(rand.New(rand.NewPCG(5, 6)), 9, 3, 4, 2, 1, 1)
	a, err := Fit(cars, Prior{})
	if err != nil {
		t.Fatal(err)
	}
	rev := make([]Car, len(cars))
	for i := range cars {
		rev[len(cars)-1-i] = cars[i]
	}
	b, _ := Fit(rev, Prior{})
	if diff := cmp.Diff(a, b); diff != "" {
		t.Error("the order of cars matters:", diff)
	}
	raw, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var back Model
	if err := json.Unmarshal(raw, &back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(a, &back); diff != "" {
		t.Error("JSON loses something:", diff)
	}
	m1, s1, t1, _ := a.Predict("car-0003", []float64{1, 2})
	m2, s2, t2, _ := back.Predict("car-0003", []float64{1, 2})
	if m1 != m2 || s1 != s2 || t1 != t2 {
		t.Error("prediction differs after JSON")
	}
	if _, err := a.Design([]float64{1}, nil); err == nil {
		t.Error("wrong design length accepted")
	}
}

func BenchmarkFit(b *testing.B) {
	for _, n := range []int{100, 300, 1000} {
		cars := simulate(rand.New(rand.NewPCG(1, 1)), n, 20, 10, 2, 1, 1)
		b.Run(fmt.Sprintf("cars=%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Fit(cars, Prior{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
