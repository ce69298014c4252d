package lifetime

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func readCSV(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("../../testdata/reference/lifetime", name))
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

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if got == want { // both infinite, or exactly equal
		return
	}
	if !(math.Abs(got-want) <= relative*math.Abs(want)+1e-12) {
		t.Errorf("%s = %.10g, want %.10g", what, got, want)
	}
}

// R 4.2.2 binom.test and poisson.test, testdata/reference/lifetime/reference.R.
func TestBoundsAgainstR(t *testing.T) {
	for _, r := range readCSV(t, "bounds.csv") {
		x, n, conf := int(number(t, r[1])), number(t, r[2]), number(t, r[3])
		var two Bounds
		var lower, upper float64
		var err [3]error
		if r[0] == "binomial" {
			two, err[0] = ShareInterval(x, int(n), conf)
			lower, err[1] = ShareLower(x, int(n), conf)
			upper, err[2] = ShareUpper(x, int(n), conf)
		} else {
			two, err[0] = RateInterval(x, n, conf)
			lower, err[1] = RateLower(x, n, conf)
			upper, err[2] = RateUpper(x, n, conf)
		}
		for _, e := range err {
			if e != nil {
				t.Fatal(e)
			}
		}
		what := strings.Join(r[:4], " ")
		near(t, what+" low", two.Low, number(t, r[4]), 1e-8)
		near(t, what+" high", two.High, number(t, r[5]), 1e-8)
		near(t, what+" lower", lower, number(t, r[6]), 1e-8)
		near(t, what+" upper", upper, number(t, r[7]), 1e-8)
	}
}

// Clopper and Pearson; R binom.test and poisson.test, rounded.
func TestNoFailures(t *testing.T) {
	share, _ := ShareInterval(0, 43, .95)
	rate, _ := RateInterval(0, 43, .95)
	one, _ := ShareUpper(0, 59, .95)
	for _, v := range [][2]float64{{share.High, .0822}, {rate.High, .0858}, {one, .0495}} {
		if math.Abs(v[0]-v[1]) > 0.00005 {
			t.Errorf("%g, want %g", v[0], v[1])
		}
	}
	// The rule of three: no failure over an exposure shows a rate of about 3 over it at 95 % (−ln 0.05 = 2.996).
	rule, _ := RateUpper(0, 1000, .95)
	near(t, "rule of three", 1000*rule, 2.995732, 1e-6)
}

func TestErrors(t *testing.T) {
	check := func(what string, err error) {
		t.Helper()
		if err == nil {
			t.Errorf("%s: accepted", what)
		}
	}
	_, err := ShareUpper(0, 0, .95)
	check("no cars", err)
	_, err = ShareLower(3, 2, .95)
	check("more failures than cars", err)
	_, err = ShareInterval(-1, 2, .95)
	check("negative failures", err)
	_, err = ShareInterval(1, 2, 1)
	check("confidence 1", err)
	_, err = ShareInterval(1, 2, math.NaN())
	check("confidence NaN", err)
	_, err = RateUpper(1, 0, .95)
	check("no exposure", err)
	_, err = RateInterval(1, math.Inf(1), .95)
	check("infinite exposure", err)
	_, err = RateLower(-1, 1, .95)
	check("negative failures", err)
	_, err = KaplanMeier(nil, .95)
	check("no cars", err)
	_, err = KaplanMeier([]Observation{{0, -1, true}}, .95)
	check("negative exit", err)
	_, err = KaplanMeier([]Observation{{5, 5, true}}, .95)
	check("exit at entry", err)
	_, err = KaplanMeier([]Observation{{0, math.NaN(), true}}, .95)
	check("exit NaN", err)
	_, err = Prove(Group{Cars: 2, Failed: 2, Failures: 1}, .95)
	check("fewer failures than failed cars", err)
	_, err = Prove(Group{Cars: 2, Exposure: math.NaN()}, .95)
	check("exposure NaN", err)
	_, err = CompareRates(Group{Exposure: 1}, Group{Exposure: 0}, .95)
	check("a group without exposure", err)
}

// Coverage computed exactly, by summing the distribution: it must never fall below what is promised.
func TestBoundsCover(t *testing.T) {
	const n, confidence = 30, 0.9
	for _, p := range []float64{0.01, 0.05, 0.2, 0.5, 0.83} {
		covered, mass := 0.0, math.Pow(1-p, n)
		for x := 0; x <= n; x++ {
			if upper, err := ShareUpper(x, n, confidence); err != nil {
				t.Fatal(err)
			} else if upper >= p {
				covered += mass
			}
			mass *= float64(n-x) / float64(x+1) * p / (1 - p)
		}
		if covered < confidence-1e-9 {
			t.Errorf("share %g: bound holds with %g, promised %g", p, covered, confidence)
		}
	}
	for _, mean := range []float64{0.1, 1, 4.5, 20} {
		covered, mass := 0.0, math.Exp(-mean)
		for x := 0; x < 200; x++ {
			if upper, err := RateUpper(x, 1, confidence); err != nil {
				t.Fatal(err)
			} else if upper >= mean {
				covered += mass
			}
			mass *= mean / float64(x+1)
		}
		if covered < confidence-1e-9 {
			t.Errorf("rate %g: bound holds with %g, promised %g", mean, covered, confidence)
		}
	}
}

// R 4.2.2 poisson.test for two groups.
func TestCompareRatesAgainstR(t *testing.T) {
	for _, r := range readCSV(t, "ratio.csv") {
		a := Group{Name: "a", Failures: int(number(t, r[0])), Exposure: number(t, r[2])}
		b := Group{Name: "b", Failures: int(number(t, r[1])), Exposure: number(t, r[3])}
		got, err := CompareRates(a, b, .95)
		if err != nil {
			t.Fatal(err)
		}
		what := strings.Join(r[:4], " ")
		near(t, what+" p", got.PValue, number(t, r[4]), 1e-8)
		near(t, what+" low", got.Low, number(t, r[5]), 1e-8)
		near(t, what+" high", got.High, number(t, r[6]), 1e-8)
	}
	none, err := CompareRates(Group{Exposure: 5}, Group{Exposure: 7}, .95)
	if err != nil || none.PValue != 1 || !math.IsNaN(none.Ratio) || !math.IsInf(none.High, 1) || none.Low != 0 {
		t.Errorf("no failures: %+v, %v", none, err)
	}
}

func readSet(t *testing.T, set string) []Observation {
	var all []Observation
	for _, r := range readCSV(t, set+".csv") {
		all = append(all, Observation{number(t, r[0]), number(t, r[1]), number(t, r[2]) > 0})
	}
	return all
}

// R survival 3.5-3: survfit with conf.type "log-log" on aml, veteran and lung (with late entry made up).
func TestSurvivalAgainstR(t *testing.T) {
	curves := map[string]*Curve{}
	next := map[string]int{}
	for _, r := range readCSV(t, "km.csv") {
		c := curves[r[0]]
		if c == nil {
			var err error
			if c, err = KaplanMeier(readSet(t, r[0]), .95); err != nil {
				t.Fatal(err)
			}
			curves[r[0]] = c
		}
		p := c.Points[next[r[0]]]
		next[r[0]]++
		what := r[0] + " at " + r[1]
		near(t, what+" time", p.Time, number(t, r[1]), 0)
		near(t, what+" at risk", float64(p.AtRisk), number(t, r[2]), 0)
		near(t, what+" failures", float64(p.Failures), number(t, r[3]), 0)
		near(t, what+" survival", p.Survival, number(t, r[4]), 1e-8)
		if p.Survival == 0 || p.Survival == 1 { // R gives no band there
			continue
		}
		near(t, what+" se", p.SE, number(t, r[5]), 1e-8)
		near(t, what+" low", p.Low, number(t, r[6]), 1e-8)
		near(t, what+" high", p.High, number(t, r[7]), 1e-8)
	}
	for set, c := range curves {
		if next[set] != len(c.Points) {
			t.Errorf("%s: %d points, R has %d", set, len(c.Points), next[set])
		}
	}
}

func TestCurveEnds(t *testing.T) {
	running := []Observation{{0, 10, false}, {0, 20, false}, {0, 30, false}}
	c, err := KaplanMeier(running, .95)
	if err != nil {
		t.Fatal(err)
	}
	p, ok := c.At(20)
	if !ok || p.Survival != 1 || p.High != 1 || !(p.Low < 0.2 && p.Low > 0) ||
		!slices.Equal(c.Warnings, []Warning{NoFailures}) {
		t.Errorf("no failures: %+v %v %q", p, ok, c.Warnings)
	}
	near(t, "bound of two cars without failure", p.Low, math.Sqrt(0.025), 1e-12)
	if _, ok := c.At(30.5); ok {
		t.Error("the curve goes on past the last exit")
	}
	if _, ok := c.At(math.NaN()); ok {
		t.Error("NaN time accepted")
	}
	if p, ok := c.At(0); !ok || p.Survival != 1 {
		t.Errorf("at zero: %+v %v", p, ok)
	}
	if _, ok := c.Quantile(0.5); ok {
		t.Error("a median without failures")
	}
	c, err = KaplanMeier([]Observation{{0, 1, true}, {0, 2, true}, {0, 3, true}, {0, 4, true}}, .95)
	if err != nil {
		t.Fatal(err)
	}
	if m, ok := c.Quantile(0.5); !ok || m != 2 {
		t.Errorf("median %g %v, want 2", m, ok)
	}
	last := c.Points[3]
	if last.Survival != 0 || last.Low != 0 || last.High != c.Points[2].High || math.IsNaN(last.SE) {
		t.Errorf("at zero survival: %+v", last)
	}
	c, err = KaplanMeier([]Observation{{0, 1, true}, {2, 5, false}, {2, 6, true}}, .95)
	if err != nil || !slices.Equal(c.Warnings, []Warning{AllAtRiskFailed}) {
		t.Errorf("early zero: %+v %v", c, err)
	}
}

func TestProve(t *testing.T) {
	p, err := Prove(Group{Name: "x", Cars: 59, Exposure: 3000}, .95)
	if err != nil {
		t.Fatal(err)
	}
	// Without a failure the share is at most 1 − 0.05^(1/n) and the rate at most −ln 0.05 over the exposure.
	near(t, "share", p.ShareUpper, 1-math.Pow(0.05, 1.0/59), 1e-12)
	near(t, "rate", p.RateUpper, -math.Log(0.05)/3000, 1e-12)
	if p.Confidence != .95 || p.Cars != 59 || p.Failed != 0 {
		t.Errorf("%+v", p)
	}
	p, err = Prove(Group{Name: "x", Cars: 1, Failed: 1, Failures: 2}, .95)
	if err != nil || p.ShareUpper != 1 || !math.IsNaN(p.RateUpper) || p.Failed != 1 || p.Failures != 2 {
		t.Errorf("%+v %v", p, err)
	}
}

// Without censoring the curve is the share still running, whatever the data.
func TestUncensoredIsEmpirical(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		lives := rapid.SliceOfN(rapid.IntRange(1, 20), 1, 40).Draw(rt, "lives")
		cars := make([]Observation, len(lives))
		for i, l := range lives {
			cars[i] = Observation{0, float64(l), true}
		}
		c, err := KaplanMeier(cars, .9)
		if err != nil {
			rt.Fatal(err)
		}
		for _, p := range c.Points {
			running := 0
			for _, l := range lives {
				if float64(l) > p.Time {
					running++
				}
			}
			if math.Abs(p.Survival-float64(running)/float64(len(lives))) > 1e-12 {
				rt.Error(fmt.Sprint("at ", p.Time, ": ", p.Survival))
			}
			if !(p.Low >= 0 && p.Low <= p.Survival && p.Survival <= p.High && p.High <= 1) {
				rt.Errorf("band %+v", p)
			}
		}
	})
}
