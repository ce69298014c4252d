package fleet

import (
	"hash/fnv"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/store"
)

// demoPulls are a platform of the demo fleet with the pulls of its cars.
func demoPulls(t *testing.T) (*Fleet, []*state.Visit) {
	t.Helper()
	ws, st := fleettest.Open(t, fleettest.Demo(t))
	rows, err := st.Rows(store.Filter{Platform: fleettest.Marlin})
	if err != nil {
		t.Fatal(err)
	}
	p := state.NewPlatform(ws, ws.Platforms[fleettest.Marlin])
	f := New(p, &Fit{Rail: state.RailOf(rows), Commands: p.CommandErrorOf(rows)})
	var pulls []*state.Visit
	for i := range rows {
		if rows[i].Kind == evidence.KindPull {
			v := f.Logged(&rows[i])
			pulls = append(pulls, &v)
		}
	}
	return f, pulls
}

// noise is a standard deviation's worth of noise that belongs to a state.
func noise(s *state.State, salt string) float64 {
	h := fnv.New64a()
	h.Write([]byte(salt + s.Pull))
	sum := 0.0
	for k := range 12 { // the sum of twelve uniform numbers is all but normal
		h.Write([]byte{byte(k), byte(int(s.RPM)), byte(int(s.RPM) >> 8), byte(int(s.Load))})
		sum += float64(h.Sum64()>>11) / (1 << 53)
	}
	return sum - 6
}

// A metric that moves against its predictor inside every pull, and with it wherever a table is changed, follows it by
// the slopes of the tables. The truth is made here: 0.6 through charge, 1.2 through the mixture and 0.9 through spark,
// on logged pulls and calibrations of the demo.
func TestFollowsTables(t *testing.T) {
	f, pulls := demoPulls(t)
	real := QuantityOf("exhaust_temperature")
	q := *real
	q.ID = "exhaust_temperature_of_another_truth"
	truth := Parts{0.6, 1.2, 0.9, chargeSlope}
	passed := f.passages(pulls)
	if len(passed) < 20 {
		t.Fatalf("%d passages with several revisions", len(passed))
	}
	showed := map[*state.State]float64{}
	common := map[string]string{} // the revision by car that all its states are run on: what is left inside pulls
	for i := range passed {
		if common[passed[i].car] == "" {
			common[passed[i].car] = passed[i].revisions[0]
		}
		for _, states := range passed[i].ran {
			for _, s := range states {
				at, ok := f.MovedTo(s, common[s.Car])
				if !ok {
					t.Fatalf("%s does not run on %s", s.Pull, common[s.Car])
				}
				by := q.PartsOf(f.Platform, &at)
				showed[s] = -0.5*q.Predictor(f.Platform, &at) + 2*noise(s, "row")
				for k, slope := range truth {
					showed[s] -= slope * by[k]
				}
			}
		}
	}
	q.Measured = func(_ *state.Platform, s *state.State) float64 { return showed[s] }
	got, err := f.followed(&q, passed, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v", got)
	for k, slope := range got.Slopes[:ThroughCharge] {
		if math.Abs(slope.Shown-truth[k]) > 3*slope.ShownSD+0.05*truth[k] {
			t.Errorf("part %d: %.3f ± %.3f shown, %.2f true", k, slope.Shown, slope.ShownSD, truth[k])
		}
		if slope.Against {
			t.Errorf("part %d: %+v called against physics", k, slope)
		}
	}
	if sd := got.Slopes[ThroughSpark].ShownSD; sd > 0.17 { // of three slopes at once
		t.Errorf("spark: no sharper than ± %.3f", sd)
	}
}

// With nothing shown a slope keeps its prior; what a log-normal prior says of its mean and deviation is in closed form
// (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, 1994, eq. 14.8). A normal prior is conjugate.
func TestBelieve(t *testing.T) {
	believed := func(q *Quantity, shown, sd float64) Slope {
		var f Follows
		f.Slopes[ThroughAir] = Slope{Shown: shown, ShownSD: sd}
		air := []int{int(ThroughAir)}
		q.believe(&f, air, air, mat.NewSymDense(1, []float64{sd * sd}))
		return f.Slopes[ThroughAir]
	}
	q := &Quantity{slope: 0.7, slopeSD: 0.35}
	variance := 0.25
	mean := 0.7 * math.Exp(variance/2)
	got := believed(q, 3, 1e6)
	close(t, "mean of an unshown slope", got.Mean, mean, 1e-3)
	close(t, "its deviation", got.SD, mean*math.Sqrt(math.Exp(variance)-1), 1e-3)
	got = believed(q, 0.9, 0.04)
	close(t, "mean of a well shown slope", got.Mean, 0.9, 0.01)
	close(t, "its deviation", got.SD, 0.04, 0.002)
	got = believed(&Quantity{slope: 0, slopeSD: 0.5}, -0.4, 0.25)
	close(t, "a slope without a sign", got.Mean, -0.4/(1+0.25*0.25/0.25), 1e-4)
	close(t, "its deviation", got.SD, math.Sqrt(1/(1/0.25+1/0.0625)), 1e-4)
}

// Of correlated log-normal slopes one that is shown tells the others: the logarithm of an unshown one is normal about
// its regression on the shown one's (Gelman and others, Bayesian Data Analysis, 3rd ed., appendix A).
func TestShownPartTellsTheOthers(t *testing.T) {
	q := &Quantity{slope: 0.7, slopeSD: 0.35, together: 0.7}
	var f Follows
	f.Slopes[ThroughSpark] = Slope{Shown: 0.4, ShownSD: 0.002}
	q.believe(&f, []int{int(ThroughAir), int(ThroughSpark)}, []int{int(ThroughSpark)},
		mat.NewSymDense(1, []float64{0.002 * 0.002}))
	logSD := 0.5 // slopeSD a slope
	mean := math.Log(0.7) + 0.7*(math.Log(0.4)-math.Log(0.7))
	variance := logSD * logSD * (1 - 0.7*0.7)
	close(t, "mean of the shown slope", f.Slopes[ThroughSpark].Mean, 0.4, 0.002)
	close(t, "mean of the unshown slope", f.Slopes[ThroughAir].Mean, math.Exp(mean+variance/2), 0.005)
	close(t, "its deviation", f.Slopes[ThroughAir].SD,
		math.Exp(mean+variance/2)*math.Sqrt(math.Exp(variance)-1), 0.005)
	for z, want := range map[[3]float64]float64{{0, 0, 0}: 0, {1, 1, 1}: -1.5 / 2.4, {1, -1, 0}: -1 / 0.3} {
		close(t, "log of the prior", q.priorLog(z[:]), want, 1e-12) // eigenvalues 1 + 2·0.7 and 1 − 0.7
	}
}

// Normal priors of three slopes and normal errors that go together have a posterior in closed form: its precision is
// the sum of both precisions (Gelman and others, Bayesian Data Analysis, 3rd ed., sec. 3.5).
func TestBelieveTogether(t *testing.T) {
	q := &Quantity{slope: 0, slopeSD: 0.5}
	errors := mat.NewSymDense(3, []float64{0.04, 0.03, -0.01, 0.03, 0.09, 0, -0.01, 0, 0.25})
	shown := []float64{0.5, -0.3, 0.8}
	var f Follows
	for k := range shown {
		f.Slopes[k] = Slope{Shown: shown[k], ShownSD: math.Sqrt(errors.At(k, k))}
	}
	q.believe(&f, []int{0, 1, 2}, []int{0, 1, 2}, errors)
	var precision, cov, mean mat.Dense
	if err := precision.Inverse(errors); err != nil {
		t.Fatal(err)
	}
	mean.Mul(&precision, mat.NewVecDense(3, shown))
	for k := range 3 {
		precision.Set(k, k, precision.At(k, k)+1/0.25)
	}
	if err := cov.Inverse(&precision); err != nil {
		t.Fatal(err)
	}
	mean.Mul(&cov, &mean)
	for j := range 3 {
		close(t, "mean", f.Slopes[j].Mean, mean.At(j, 0), 1e-3)
		for k := range 3 {
			close(t, "covariance", f.Covariance[j][k], cov.At(j, k), 1e-3)
		}
	}
}

// No fit turns physics round, and what contradicts it is called so.
func TestBelieveKeepsSign(t *testing.T) {
	q := &Quantity{slope: 0.7, slopeSD: 0.35, SparkSD: 0.35}
	rapid.Check(t, func(t *rapid.T) {
		a := Slope{Shown: rapid.Float64Range(-5, 5).Draw(t, "air"),
			ShownSD: rapid.Float64Range(0.02, 3).Draw(t, "air_sd")}
		b := Slope{Shown: rapid.Float64Range(-5, 5).Draw(t, "spark"),
			ShownSD: rapid.Float64Range(0.02, 3).Draw(t, "spark_sd")}
		f := Follows{Revisions: 80, Cars: 20}
		f.Slopes[ThroughAir], f.Slopes[ThroughSpark] = a, b
		both := rapid.Float64Range(-0.9, 0.9).Draw(t, "correlation") * a.ShownSD * b.ShownSD
		parts := []int{int(ThroughAir), int(ThroughSpark)}
		q.believe(&f, parts, parts,
			mat.NewSymDense(2, []float64{a.ShownSD * a.ShownSD, both, both, b.ShownSD * b.ShownSD}))
		a, b = f.Slopes[ThroughAir], f.Slopes[ThroughSpark]
		for _, s := range []Slope{a, b} {
			if !(s.Mean > 0) || !(s.SD >= 0) {
				t.Fatalf("%+v", f)
			}
			if s.Shown < -5*s.ShownSD && !s.Against {
				t.Fatalf("%+v is not called against physics", s)
			}
			if math.Abs(s.Shown-0.7) < s.ShownSD/2 && s.Against {
				t.Fatalf("%+v is called against physics", s)
			}
		}
		c := f.Covariance[ThroughAir][ThroughSpark] / (a.SD * b.SD)
		if a.SD > 1e-6 && b.SD > 1e-6 && math.Abs(c) > 1.001 {
			t.Fatalf("correlation %v of %+v", c, f)
		}
	})
}

// Of many revisions -0.2 ± 0.05 of what physics expects to be about 0.7 is against it, 0.4 is not; of three the same
// says little, since their deviation is hardly known (Student's t).
func TestContradicts(t *testing.T) {
	q := &Quantity{slope: 0.7, slopeSD: 0.35}
	for shown, want := range map[float64]bool{-0.2: true, 0.4: false, 1.5: false, 4.5: true} {
		if got := q.contradicts(&Slope{Shown: shown, ShownSD: 0.05}, 40); got != want {
			t.Errorf("%v against physics: %v", shown, got)
		}
	}
	if q.contradicts(&Slope{Shown: -0.2, ShownSD: 0.05}, 2) {
		t.Error("three revisions contradict physics")
	}
}
