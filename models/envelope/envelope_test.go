package envelope

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

	"pgregory.net/rapid"
)

func readCSV(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("../../testdata/reference/envelope", name))
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

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.8g, want %.8g ± %.2g", what, got, want, tolerance)
	}
}

func summary(t testing.TB, cars map[string][]float64) *Summary {
	t.Helper()
	s := &Summary{}
	for id, values := range cars {
		for _, v := range values {
			if err := s.Add(id, v); err != nil {
				t.Fatal(err)
			}
		}
	}
	return s
}

// NIST/SEMATECH e-Handbook 7.2.6.3; Natrella, NBS Handbook 91; ISO 16269-6.
func TestToleranceFactorPublished(t *testing.T) {
	for _, v := range []struct {
		n                      int
		content, confidence, k float64
	}{
		{2, .95, .95, 26.260}, {5, .95, .95, 4.203}, {10, .95, .95, 2.911}, {30, .95, .95, 2.220},
		{10, .99, .95, 3.981}, {20, .90, .95, 1.926}, {43, .90, .99, 1.874},
	} {
		k, err := ToleranceFactor(v.n, v.content, v.confidence)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprint("k", v), k, v.k, 0.0005)
	}
}

// R 4.2.2 qt with ncp, testdata/reference/envelope/reference.R.
func TestToleranceFactorAgainstR(t *testing.T) {
	for _, r := range readCSV(t, "factors.csv") {
		n, _ := strconv.Atoi(strings.TrimSpace(r[0]))
		k, err := ToleranceFactor(n, number(t, r[1]), number(t, r[2]))
		if err != nil {
			t.Fatal(err)
		}
		want := number(t, r[3])
		near(t, fmt.Sprint("k ", r), k, want, 2e-7*want)
	}
	k, err := ToleranceFactor(1_000_000, 0.95, 0.95) // large n: z + z√((1+z²/2)/n)
	if err != nil {
		t.Fatal(err)
	}
	z := 1.6448536269514722
	near(t, "k for a million", k, z+z*math.Sqrt((1+z*z/2)/1e6), 1e-5)
}

// Wilks 1941.
func TestCarsForDistributionFree(t *testing.T) {
	for _, v := range []struct {
		content, confidence float64
		cars                int
	}{{.95, .95, 59}, {.90, .95, 29}, {.99, .95, 299}, {.5, .5, 1}, {.5, .75, 2}, {.9, .1, 1}} {
		n, err := CarsForDistributionFree(v.content, v.confidence)
		if err != nil || n != v.cars {
			t.Errorf("%g/%g: %d cars (%v), want %d", v.content, v.confidence, n, err, v.cars)
		}
	}
	for _, bad := range [][2]float64{{0, .95}, {1, .95}, {.95, 0}, {.95, 1}, {math.NaN(), .95}, {.95, math.NaN()},
		{1 - 1e-12, .95}} {
		if n, err := CarsForDistributionFree(bad[0], bad[1]); err == nil {
			t.Errorf("%v accepted: %d", bad, n)
		}
	}
}

// The j-th largest must keep the confidence and the next must not (Conover, Practical Nonparametric Statistics, ch. 3;
// e.g. 93 values allow the second largest at 0.95/0.95).
func TestOrderStatistic(t *testing.T) {
	for _, v := range []struct{ n, j int }{{59, 1}, {92, 1}, {93, 2}, {123, 2}, {124, 3}} {
		if j := orderStatistic(v.n, .95, .95); j != v.j {
			t.Errorf("%d values: rank %d, want %d", v.n, j, v.j)
		}
	}
}

func oneway(t *testing.T) map[string]*Summary {
	sets := map[string]*Summary{}
	for _, r := range readCSV(t, "oneway.csv") {
		if sets[r[0]] == nil {
			sets[r[0]] = &Summary{}
		}
		if err := sets[r[0]].Add(r[1], number(t, r[2])); err != nil {
			t.Fatal(err)
		}
	}
	return sets
}

// Davies and Goldsmith 1972; R lme4 1.1-31.
func TestREML(t *testing.T) {
	sets := oneway(t)
	for _, r := range readCSV(t, "oneway_reml.csv") {
		l, err := sets[r[0]].Upper(.95, .95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r[0]+" mean", l.Mean, number(t, r[1]), 1e-4)
		near(t, r[0]+" between", l.BetweenSD*l.BetweenSD, number(t, r[2]), 1e-4*number(t, r[2]))
		near(t, r[0]+" within", l.WithinSD*l.WithinSD, number(t, r[3]), 1e-4*number(t, r[3]))
	}
	l, _ := sets["balanced"].Upper(.95, .95)
	near(t, "Dyestuff mean", l.Mean, 1527.5, 1e-9)
	near(t, "Dyestuff batch variance", l.BetweenSD*l.BetweenSD, 1764, 1)
	near(t, "Dyestuff residual variance", l.WithinSD*l.WithinSD, 2451, 1)
}

// Box and Tiao 1973; R lme4.
func TestREMLBoundary(t *testing.T) {
	f, err := os.ReadFile("../../testdata/reference/mixed/dyestuff2.csv")
	if err != nil {
		t.Fatal(err)
	}
	s := &Summary{}
	for _, line := range strings.Split(strings.TrimSpace(string(f)), "\n")[1:] {
		c := strings.Split(line, ",")
		if err := s.Add(c[0], number(t, c[2])); err != nil {
			t.Fatal(err)
		}
	}
	l, err := s.Upper(.95, .95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "between", l.BetweenSD, 0, 0)
	near(t, "mean", l.Mean, 5.6656, 1e-9)
	near(t, "within", l.WithinSD, 3.716, 0.0005)
	if !warned(l, "estimated as 0") {
		t.Errorf("warnings %q", l.Warnings)
	}
}

// The quadrature against a Monte Carlo of the same pivot written separately in R.
func TestLimitAgainstMonteCarlo(t *testing.T) {
	sets := oneway(t)
	for _, r := range readCSV(t, "oneway_limit.csv") {
		limit := sets[r[0]].Upper
		if r[1] == "lower" {
			limit = sets[r[0]].Lower
		}
		l, err := limit(number(t, r[2]), number(t, r[3]))
		if err != nil {
			t.Fatal(err)
		}
		near(t, strings.Join(r[:4], " "), l.Value, number(t, r[4]), 4*number(t, r[5]))
	}
}

// Where two pulls of each car repeat exactly there is no variance within, and the car means are exact: the general
// quadrature must give the non-central-t limit, published factors above.
func TestQuadratureIsExactWithoutWithinVariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, k := range []int{3, 5, 10, 30, 200} {
		one, two := &Summary{}, &Summary{}
		for c := range k {
			v := 850 + 20*rng.NormFloat64()
			for _, s := range []*Summary{one, two, two} {
				if err := s.Add(fmt.Sprintf("%03d", c), v); err != nil {
					t.Fatal(err)
				}
			}
		}
		a, err := one.Upper(.95, .95)
		if err != nil {
			t.Fatal(err)
		}
		b, err := two.Upper(.95, .95)
		if err != nil {
			t.Fatal(err)
		}
		if a.Method == MethodGeneralised || b.Method != MethodGeneralised {
			t.Skip("shape fallback")
		}
		near(t, fmt.Sprint(k, " cars"), (b.Value-b.Mean)/b.TotalSD, (a.Value-a.Mean)/a.TotalSD,
			2e-5*(a.Value-a.Mean)/a.TotalSD)
	}
}

func warned(l Limit, part string) bool { return strings.Contains(strings.Join(l.Warnings, "\n"), part) }

func TestNotEnoughCars(t *testing.T) {
	for n := 1; n <= 3; n++ {
		s := &Summary{}
		for c := range n {
			for i := range 40 {
				if err := s.Add(fmt.Sprint(c), float64(c*3+i%7)); err != nil {
					t.Fatal(err)
				}
			}
		}
		l, err := s.Upper(.95, .95)
		if err != nil {
			t.Fatal(err)
		}
		if n < 3 && (l.Status != StatusNotEnoughCars || l.CarsNeeded != 3-n || !math.IsNaN(l.Value) ||
			len(l.Warnings) == 0) {
			t.Errorf("%d cars: %+v", n, l)
		}
		if n == 3 && (l.Status != StatusAssessed || l.CarsNeeded != 0 || math.IsNaN(l.Value) ||
			!warned(l, "rests on 3 cars")) {
			t.Errorf("%d cars: %+v", n, l)
		}
		if l.DistributionFreeCars != 59 || !math.IsNaN(l.DistributionFree) {
			t.Errorf("%d cars: side information %+v", n, l)
		}
	}
	if _, err := (&Summary{}).Upper(.95, .95); err == nil {
		t.Error("empty summary accepted")
	}
}

func TestDegenerate(t *testing.T) {
	many := make([]float64, 900)
	for i := range many {
		many[i] = float64(i % 13)
	}
	tests := []struct {
		name string
		cars map[string][]float64
		warn string
	}{
		{"all equal", map[string][]float64{"a": {5, 5}, "b": {5}, "c": {5}}, "every value is the same"},
		{"repeats in cars", map[string][]float64{"a": {5, 5}, "b": {6, 6}, "c": {9}}, "repeat exactly"},
		{"one pull a car", map[string][]float64{"a": {5}, "b": {6}, "c": {9}}, "one pull a car"},
		{"no variance between", map[string][]float64{"a": {4, 6}, "b": {4, 6}, "c": {4, 6}}, "estimated as 0"},
		{"one car dominates", map[string][]float64{"a": many, "b": {4, 6}, "c": {4, 9}, "d": {7}}, "counts as one car"},
		{"huge", map[string][]float64{"a": {1e119, 2e119}, "b": {3e119}, "c": {2e119}}, ""},
		{"tiny", map[string][]float64{"a": {1e-119, 2e-119}, "b": {3e-119}, "c": {2e-119}}, ""},
		{"large offset", map[string][]float64{"a": {1e9, 1e9 + 1}, "b": {1e9 + 3}, "c": {1e9 + 2, 1e9 + 5}}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := summary(t, tt.cars)
			hi, err := s.Upper(.95, .95)
			if err != nil {
				t.Fatal(err)
			}
			lo, err := s.Lower(.95, .95)
			if err != nil {
				t.Fatal(err)
			}
			if math.IsNaN(hi.Value) || math.IsInf(hi.Value, 0) || math.IsNaN(lo.Value) || !(lo.Value <= hi.Value) {
				t.Errorf("limits %g, %g", lo.Value, hi.Value)
			}
			if tt.warn != "" && !warned(hi, tt.warn) {
				t.Errorf("warnings %q do not say %q", hi.Warnings, tt.warn)
			}
		})
	}
	s := &Summary{}
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e121} {
		if err := s.Add("a", v); err == nil {
			t.Errorf("%g accepted", v)
		}
	}
	if s.Cars() != 0 || s.Pulls() != 0 {
		t.Error("a refused value left a trace")
	}
}

// Shifting and scaling the metric shifts and scales the limit; mirroring it swaps upper and lower.
func TestEquivariance(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		k := rapid.IntRange(3, 12).Draw(rt, "cars")
		shift := rapid.Float64Range(-1000, 1000).Draw(rt, "shift")
		scale := rapid.Float64Range(0.01, 100).Draw(rt, "scale")
		a, b, m := &Summary{}, &Summary{}, &Summary{}
		for c := range k {
			for i := range rapid.IntRange(1, 6).Draw(rt, "pulls") {
				v := rapid.Float64Range(-10, 10).Draw(rt, "value") + float64(i)*0.1
				for s, w := range map[*Summary]float64{a: v, b: shift + scale*v, m: -v} {
					if err := s.Add(fmt.Sprint(c), w); err != nil {
						rt.Fatal(err)
					}
				}
			}
		}
		la, err := a.Upper(.9, .95)
		if err != nil {
			rt.Fatal(err)
		}
		lb, _ := b.Upper(.9, .95)
		lm, _ := m.Lower(.9, .95)
		if la.TotalSD < 1e-3 {
			return // rounding against the shift
		}
		if math.Abs(lb.Value-(shift+scale*la.Value)) > 1e-6*(math.Abs(shift)+scale*(1+math.Abs(la.Value))) {
			rt.Errorf("limit %g, shifted and scaled %g, want %g", la.Value, lb.Value, shift+scale*la.Value)
		}
		if math.Abs(lm.Value+la.Value) > 1e-9*(1+math.Abs(la.Value)) {
			rt.Errorf("upper %g, mirrored lower %g", la.Value, lm.Value)
		}
	})
}

// More content or more confidence never brings the limit down.
func TestMonotone(t *testing.T) {
	s := oneway(t)["unbalanced"]
	for _, shares := range [][2][2]float64{{{.9, .95}, {.95, .95}}, {{.95, .9}, {.95, .95}}, {{.5, .5}, {.5, .9}},
		{{.1, .5}, {.2, .5}}} {
		a, _ := s.Upper(shares[0][0], shares[0][1])
		b, _ := s.Upper(shares[1][0], shares[1][1])
		if !(b.Value > a.Value) {
			t.Errorf("%v: %g, %v: %g", shares[0], a.Value, shares[1], b.Value)
		}
	}
}

// Any order of adding over any split into shards gives the same bytes and the same limit.
func TestMergeIsExact(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		type obs struct {
			car string
			v   float64
		}
		n := rapid.IntRange(1, 60).Draw(rt, "n")
		all := make([]obs, n)
		for i := range all {
			exponent := rapid.IntRange(-60, 60).Draw(rt, "exponent")
			all[i] = obs{fmt.Sprint("car-", rapid.IntRange(0, 5).Draw(rt, "car")),
				math.Ldexp(rapid.Float64Range(-2, 2).Draw(rt, "value"), exponent)}
		}
		whole := &Summary{}
		for _, o := range all {
			if err := whole.Add(o.car, o.v); err != nil {
				rt.Fatal(err)
			}
		}
		shards := make([]*Summary, rapid.IntRange(1, 5).Draw(rt, "shards"))
		for i := range shards {
			shards[i] = &Summary{}
		}
		for _, i := range rapid.Permutation(seq(n)).Draw(rt, "order") {
			s := shards[rapid.IntRange(0, len(shards)-1).Draw(rt, "shard")]
			if err := s.Add(all[i].car, all[i].v); err != nil {
				rt.Fatal(err)
			}
		}
		total := &Summary{}
		for _, i := range rapid.Permutation(seq(len(shards))).Draw(rt, "merge order") {
			raw, err := json.Marshal(shards[i]) // through the store and back
			if err != nil {
				rt.Fatal(err)
			}
			var back Summary
			if err := json.Unmarshal(raw, &back); err != nil {
				rt.Fatal(err)
			}
			total.Merge(&back)
		}
		a, _ := json.Marshal(whole)
		b, _ := json.Marshal(total)
		if string(a) != string(b) {
			rt.Errorf("whole  %s\nshards %s", a, b)
		}
		la, errA := whole.Upper(.95, .95)
		lb, errB := total.Upper(.95, .95)
		if (errA == nil) != (errB == nil) || math.Float64bits(la.Value) != math.Float64bits(lb.Value) {
			rt.Errorf("limits differ: %v %v", la.Value, lb.Value)
		}
	})
}

func seq(n int) []int {
	s := make([]int, n)
	for i := range s {
		s[i] = i
	}
	return s
}

func TestMergeSelfAndEmpty(t *testing.T) {
	s := summary(t, map[string][]float64{"a": {0.1, 0.2}, "b": {0.3}})
	s.Merge(s)
	s.Merge(nil)
	s.Merge(&Summary{})
	m := s.Moments()
	if s.Pulls() != 6 || m[0].Pulls != 4 {
		t.Errorf("doubled: %+v", m)
	}
	near(t, "mean", m[0].Mean, 0.15, 1e-16)
	near(t, "sum of squares", m[0].SumOfSquares, 4*0.05*0.05, 1e-17)
	for _, bad := range []string{`{}`, `[{"id":"a","pulls":0}]`, `[{"id":"a","pulls":1,"min":2,"max":1}]`,
		`[{"id":"a","pulls":1},{"id":"a","pulls":1}]`} {
		if err := json.Unmarshal([]byte(bad), &Summary{}); err == nil {
			t.Errorf("%s accepted", bad)
		}
	}
}

// Exact sums where plain float64 sums fail.
func TestExactSums(t *testing.T) {
	s := summary(t, map[string][]float64{"a": {1e16, 1, -1e16}})
	near(t, "mean", s.Moments()[0].Mean, 1.0/3, 1e-17)
	s = summary(t, map[string][]float64{"a": {1e9, 1e9 + 1, 1e9 + 2}})
	near(t, "sum of squares", s.Moments()[0].SumOfSquares, 2, 0)
}

// Stephens's 1 % point, recalled from memory, must reject 1 % of normal samples: binomial bounds at 4 deviations.
func TestShapeLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 9))
	const n = 8000
	for _, size := range []int{8, 20, 80} {
		rejected := 0
		for range n {
			x := make([]float64, size)
			for i := range x {
				x[i] = rng.NormFloat64()
			}
			if notNormal(x) {
				rejected++
			}
		}
		share := float64(rejected) / n
		near(t, fmt.Sprint("rejected share, size ", size), share, 0.01, 4*math.Sqrt(.01*.99/n)+0.0005)
	}
}

func TestFallback(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 3))
	skewed := func(cars int) *Summary {
		s := &Summary{}
		for c := range cars {
			u := math.Exp(1.5 * rng.NormFloat64())
			for range 3 {
				if err := s.Add(fmt.Sprintf("%03d", c), u+0.01*rng.NormFloat64()); err != nil {
					t.Fatal(err)
				}
			}
		}
		return s
	}
	l, err := skewed(80).Upper(.95, .95)
	if err != nil {
		t.Fatal(err)
	}
	if l.Method != MethodDistributionFree || l.Value != l.DistributionFree || !warned(l, "not normal") {
		t.Errorf("80 cars: %+v", l)
	}
	l, err = skewed(30).Upper(.95, .95)
	if err != nil {
		t.Fatal(err)
	}
	if l.Method == MethodDistributionFree || l.Value < l.Extreme || !warned(l, "29 more cars") {
		t.Errorf("30 cars: %+v", l)
	}
}

func BenchmarkUpper(b *testing.B) {
	for _, cars := range []int{10, 60, 1000} {
		rng := rand.New(rand.NewPCG(1, 1))
		s := &Summary{}
		for c := range cars {
			u := rng.NormFloat64()
			for range 1 + rng.IntN(20) {
				if err := s.Add(fmt.Sprint(c), u+rng.NormFloat64()); err != nil {
					b.Fatal(err)
				}
			}
		}
		b.Run(fmt.Sprintf("cars=%d", cars), func(b *testing.B) {
			for b.Loop() {
				if _, err := s.Upper(.95, .95); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
