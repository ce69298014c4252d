package knock

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"headroom/models/value"
)

// requireHonest fits and checks what every fit must satisfy: finite numbers, a covariance that is one, widths not
// wider than a little above the prior's.
func requireHonest(t *testing.T, cars []Car, opt Options) *Model {
	t.Helper()
	m, err := Fit(cars, ownPrior(), opt)
	if err != nil {
		t.Fatal(err)
	}
	ids := []string{"", "nobody"}
	for _, c := range cars {
		ids = append(ids, c.ID)
	}
	for _, id := range ids {
		mean, cov := m.Joint(id)
		if len(mean) != m.Dim() || !value.AllKnown(mean...) {
			t.Fatalf("mean %v", mean)
		}
		var e mat.EigenSym
		if !e.Factorize(cov, false) {
			t.Fatal("covariance cannot be decomposed")
		}
		if v := e.Values(nil); v[0] < -1e-8*v[len(v)-1] {
			t.Fatalf("covariance has a negative variance: %v", v)
		}
		for _, rpm := range []float64{1000, 3000, 9000} {
			k, sp, st := m.Predict(id, rpm, [NumCovariates]float64{})
			if !value.AllKnown(k, sp, st) || sp <= 0 || st <= sp {
				t.Fatalf("%q at %g rpm: %g ± %g, %g", id, rpm, k, sp, st)
			}
		}
	}
	if !value.AllKnown(m.CarSD, m.PullSD, m.CellSD, m.Contamination, m.LogLikelihood) {
		t.Fatalf("not finite: %+v", m)
	}
	return m
}

func requireWarning(t *testing.T, m *Model, words string) {
	t.Helper()
	for _, w := range m.Warnings {
		if strings.Contains(w, words) {
			return
		}
	}
	t.Errorf("no warning of %q in %q", words, m.Warnings)
}

func TestNoRowsIsThePrior(t *testing.T) {
	for _, cars := range [][]Car{nil, {{ID: "a"}}, {{ID: "a", Pulls: []Pull{{}}}}} {
		m := requireHonest(t, cars, Options{})
		requireWarning(t, m, "prior alone")
		k, sp, _ := m.Predict("a", m.Spline.RefRPM, [NumCovariates]float64{})
		if k != 10 || sp < 5 {
			t.Errorf("prediction %g ± %g, want the prior's 10 ± 5 and the car's spread", k, sp)
		}
	}
}

// Clean rows alone raise the lower end and leave the upper end to the prior.
func TestOnlyCleanIsBoundedBelowOnly(t *testing.T) {
	for _, spark := range []float64{2, 10, 16} {
		rng := rand.New(rand.NewPCG(8, 8))
		cars := ownFleet(rng, 12, 5, 8)
		for c := range cars {
			for p := range cars[c].Pulls {
				for i := range cars[c].Pulls[p].Cells {
					cell := &cars[c].Pulls[p].Cells[i]
					*cell = Cell{RPM: cell.RPM, Lower: spark, Upper: math.Inf(1), Detect: 1}
				}
			}
		}
		m := requireHonest(t, cars, Options{})
		if !m.Converged {
			t.Fatal(m.Warnings)
		}
		requireWarning(t, m, "bounded below only")
		k, sp, st := m.Predict("", 4000, [NumCovariates]float64{})
		t.Logf("clean to %g°: %.2f ± %.2f, %.2f", spark, k, sp, st)
		if k-1.645*sp < spark-3 {
			t.Errorf("clean to %g° in every row, yet the limit may be at %.2f", spark, k-1.645*sp)
		}
		if k < spark || sp < 1.5 {
			t.Errorf("limit %.2f ± %.2f above %g°: nothing bounds it above", k, sp, spark)
		}
	}
}

func TestDegenerateFleets(t *testing.T) {
	fleet := func(cars, pulls int) []Car { return ownFleet(rand.New(rand.NewPCG(21, 22)), cars, pulls, 8) }
	edit := func(cars []Car, f func(c, p, i int, cell *Cell)) []Car {
		for c := range cars {
			for p := range cars[c].Pulls {
				for i := range cars[c].Pulls[p].Cells {
					f(c, p, i, &cars[c].Pulls[p].Cells[i])
				}
			}
		}
		return cars
	}
	event := func(cell *Cell, at float64) { cell.Lower, cell.Upper = at-1.5, at }
	isClean := func(cell *Cell, at float64) { cell.Lower, cell.Upper = at, math.Inf(1) }
	big := fleet(3, 1)
	big[2].Pulls = fleet(1, 25)[0].Pulls
	for _, c := range []struct {
		name, warning string
		cars          []Car
	}{
		{"one car", "one car", fleet(1, 6)},
		{"one pull", "one car", fleet(1, 1)},
		{"one row", "one car", []Car{{ID: "x", Pulls: []Pull{{Cells: fleet(1, 1)[0].Pulls[0].Cells[:1]}}}}},
		{"one pull a car", "one pull a car", fleet(10, 1)},
		{"knock everywhere", "every one", edit(fleet(8, 4), func(_, _, _ int, cell *Cell) { event(cell, 9) })},
		{"constant covariate", "coolant temperature does not vary",
			edit(fleet(8, 4), func(_, _, _ int, cell *Cell) { cell.Z[CoolantTemperature] = 4 })},
		{"separated", "without overlap", edit(fleet(8, 4), func(_, _, i int, cell *Cell) {
			cell.Z[ChargeTemperature] = float64(i)
			if i >= 6 {
				event(cell, 8)
			} else {
				isClean(cell, 8)
			}
		})},
		{"one car with most rows", "holds 9", big},
		{"blind logs", "weak evidence", edit(fleet(8, 4), func(_, _, _ int, cell *Cell) { cell.Detect = 0 })},
		{"one speed", "", edit(fleet(8, 4), func(_, _, _ int, cell *Cell) { cell.RPM = 3000 })},
		{"absurd sparks", "", edit(fleet(8, 4), func(_, _, i int, cell *Cell) { event(cell, 200*float64(i%2)) })},
		{"absurd charge", "", edit(fleet(8, 4), func(_, _, i int, cell *Cell) { cell.Z[LnCharge] = 1e4 })},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := requireHonest(t, c.cars, Options{})
			if c.warning != "" {
				requireWarning(t, m, c.warning)
			}
			if !m.Converged {
				requireWarning(t, m, "full width")
				if c.warning != "" {
					t.Errorf("did not converge: %v", m.Warnings)
				}
			}
			t.Logf("%v %d %q", m.Converged, m.Iterations, m.Warnings)
		})
	}
}

// A fit that is not given the rounds to converge says so and is the prior with its full width.
func TestNotConverged(t *testing.T) {
	m := requireHonest(t, ownFleet(rand.New(rand.NewPCG(1, 9)), 10, 4, 8), Options{MaxRounds: 1})
	if m.Converged {
		t.Fatal("converged in one round")
	}
	requireWarning(t, m, "did not converge")
	k, sp, _ := m.Predict("car-0001", m.Spline.RefRPM, [NumCovariates]float64{})
	if k != 10 || sp < 5 || m.Rows != 320 {
		t.Errorf("prediction %g ± %g over %d rows, want the prior's 10 ± 5", k, sp, m.Rows)
	}
}

func TestErrorsNameTheCell(t *testing.T) {
	good := Cell{RPM: 3000, Lower: 10, Upper: math.Inf(1), Detect: 1}
	for _, f := range []func(c *Cell){
		func(c *Cell) { c.RPM = math.NaN() },
		func(c *Cell) { c.Z[Lambda] = math.NaN() },
		func(c *Cell) { c.Lower = math.NaN() },
		func(c *Cell) { c.Upper = 9 },
		func(c *Cell) { c.Upper = 10 },
		func(c *Cell) { c.Lower = math.Inf(-1) },
		func(c *Cell) { c.Detect = 1.1 },
		func(c *Cell) { c.Detect = math.NaN() },
	} {
		bad := good
		f(&bad)
		_, err := Fit([]Car{{ID: "k", Pulls: []Pull{{Cells: []Cell{good}}, {Cells: []Cell{good, bad}}}}}, ownPrior(),
			Options{})
		if err == nil || !strings.Contains(err.Error(), `car "k", pull 1, cell 1`) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	if _, err := Fit([]Car{{ID: "a"}, {ID: "a"}}, ownPrior(), Options{}); err == nil {
		t.Error("the same car twice passed")
	}
	if _, err := Fit(nil, Prior{}, Options{}); err == nil {
		t.Error("a level without width passed")
	}
	if _, err := Fit(nil, ownPrior(), Options{Knots: 1}); err == nil {
		t.Error("one knot passed")
	}
}

// The result depends neither on the number of goroutines nor on the order of the cars, to the last bit, and survives
// being written and read.
func TestDeterministicAndSerialisable(t *testing.T) {
	cars := ownFleet(rand.New(rand.NewPCG(2, 2)), 30, 5, 8)
	one, err := Fit(cars, ownPrior(), Options{Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	rand.New(rand.NewPCG(1, 1)).Shuffle(len(cars), func(i, j int) { cars[i], cars[j] = cars[j], cars[i] })
	four, err := Fit(cars, ownPrior(), Options{Workers: 4})
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(one, four) {
		t.Error("order of cars or goroutines changed the result")
	}
	text, err := json.Marshal(one)
	if err != nil {
		t.Fatal(err)
	}
	var back Model
	if err := json.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	k1, p1, t1 := one.Predict("car-0003", 3456, [NumCovariates]float64{0.1})
	k2, p2, t2 := back.Predict("car-0003", 3456, [NumCovariates]float64{0.1})
	if k1 != k2 || p1 != p2 || t1 != t2 {
		t.Error("prediction changed by writing and reading the model")
	}
}

// Detectability lies in 0–1, falls with the sample interval and with recovery, and rises with the step.
func TestDetectability(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dt := rapid.Float64Range(0.01, 3).Draw(t, "interval")
		step := rapid.Float64Range(0.5, 5).Draw(t, "step")
		rec := rapid.Float64Range(0, 10).Draw(t, "recovery")
		dwell := rapid.Float64Range(0.05, 5).Draw(t, "dwell")
		d := Detectability(dt, step, rec, dwell)
		if !(d >= 0 && d <= 1) {
			t.Fatalf("detectability %g", d)
		}
		if Detectability(2*dt, step, rec, dwell) > d+1e-12 {
			t.Fatal("a slower log shows more")
		}
		if Detectability(dt, step, rec, 2*dwell) < d-1e-12 {
			t.Fatal("a longer stay shows less")
		}
	})
	for _, bad := range [][4]float64{{0, 1, 1, 1}, {math.NaN(), 1, 1, 1}, {1, 0, 1, 1}, {1, 1, -1, 1}, {1, 1, 1, 0}} {
		if d := Detectability(bad[0], bad[1], bad[2], bad[3]); d != 0 {
			t.Errorf("%v: %g, want 0", bad, d)
		}
	}
	if d := Detectability(0.05, 1.5, 1, 0.5); d != 1 {
		t.Errorf("a fast log shows every rise, got %g", d)
	}
}

// A car with only clean pulls at high spark is placed above the fleet but keeps a wide upper side; a car that knocks
// early is placed below it.
func TestCarEffects(t *testing.T) {
	cars := ownFleet(rand.New(rand.NewPCG(31, 1)), 25, 6, 8)
	var clean, early Car
	clean.ID, early.ID = "z-clean", "z-early"
	for p := range 4 {
		var a, b Pull
		for i := range 8 {
			rpm := 2200 + 500*float64(i) + 10*float64(p)
			k := ownMean(rpm, [NumCovariates]float64{})
			a.Cells = append(a.Cells, Cell{RPM: rpm, Lower: k + 1, Upper: math.Inf(1), Detect: 1})
			b.Cells = append(b.Cells, Cell{RPM: rpm, Lower: k - 4.5, Upper: k - 3, Detect: 1})
		}
		clean.Pulls, early.Pulls = append(clean.Pulls, a), append(early.Pulls, b)
	}
	m := requireHonest(t, append(cars, clean, early), Options{})
	c, _ := m.Effect("z-clean")
	e, _ := m.Effect("z-early")
	if c.Mean < 1 || e.Mean > -2 {
		t.Errorf("effects %.2f and %.2f", c.Mean, e.Mean)
	}
	if c.Variance < 1.5*e.Variance {
		t.Errorf("a car never heard knocking is known to %.2f°, one that knocks to %.2f°", math.Sqrt(c.Variance),
			math.Sqrt(e.Variance))
	}
	if e.Events != 32 || e.Rows != 32 || e.Pulls != 4 {
		t.Errorf("counts %+v", e)
	}
}
