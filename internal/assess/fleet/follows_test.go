package fleet

import (
	"hash/fnv"
	"math"
	"testing"

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
// the slopes of the tables. The truth is made here: 0.6 through all but spark and 0.9 through spark, on logged pulls
// and calibrations of the demo.
func TestFollowsTables(t *testing.T) {
	f, pulls := demoPulls(t)
	real := QuantityOf("exhaust_temperature")
	q := *real
	q.ID = "exhaust_temperature_of_another_truth"
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
				rest, spark := q.ChangeOf(f.Platform, &at)
				showed[s] = -0.5*q.Predictor(f.Platform, &at) - 0.6*rest - 0.9*spark + 2*noise(s, "row")
			}
		}
	}
	q.Measured = func(_ *state.Platform, s *state.State) float64 { return showed[s] }
	got, err := f.followed(&q, passed, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v", got)
	for _, c := range []struct {
		what  string
		slope Slope
		true  float64
	}{{"rest", got.Rest, 0.6}, {"spark", got.Spark, 0.9}} {
		if math.Abs(c.slope.Shown-c.true) > 3*c.slope.ShownSD+0.05*c.true {
			t.Errorf("%s: %.3f ± %.3f shown, %.2f true", c.what, c.slope.Shown, c.slope.ShownSD, c.true)
		}
		if c.slope.Against {
			t.Errorf("%s: %+v called against physics", c.what, c.slope)
		}
	}
	if got.Spark.ShownSD > 0.15 {
		t.Errorf("spark: no sharper than ± %.3f", got.Spark.ShownSD)
	}
}

// With nothing shown a slope keeps its prior; what a log-normal prior says of its mean and deviation is in closed form
// (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, 1994, eq. 14.8). A normal prior is conjugate.
func TestBelieve(t *testing.T) {
	q := &Quantity{slope: 0.7, slopeSD: 0.35}
	f := Follows{Rest: Slope{Shown: 3, ShownSD: 1e6}}
	q.believe(&f, 0)
	variance := 0.25
	mean := 0.7 * math.Exp(variance/2)
	close(t, "mean of an unshown slope", f.Rest.Mean, mean, 1e-3)
	close(t, "its deviation", f.Rest.SD, mean*math.Sqrt(math.Exp(variance)-1), 1e-3)
	f = Follows{Rest: Slope{Shown: 0.9, ShownSD: 0.04}}
	q.believe(&f, 0)
	close(t, "mean of a well shown slope", f.Rest.Mean, 0.9, 0.01)
	close(t, "its deviation", f.Rest.SD, 0.04, 0.002)
	free := &Quantity{slope: 0, slopeSD: 0.5}
	f = Follows{Rest: Slope{Shown: -0.4, ShownSD: 0.25}}
	free.believe(&f, 0)
	close(t, "a slope without a sign", f.Rest.Mean, -0.4/(1+0.25*0.25/0.25), 1e-6)
	close(t, "its deviation", f.Rest.SD, math.Sqrt(1/(1/0.25+1/0.0625)), 1e-4)
}

// No fit turns physics round, and what contradicts it is called so.
func TestBelieveKeepsSign(t *testing.T) {
	q := &Quantity{slope: 0.7, slopeSD: 0.35, SparkSD: 0.35}
	rapid.Check(t, func(t *rapid.T) {
		f := Follows{Revisions: 80, Cars: 20,
			Rest: Slope{Shown: rapid.Float64Range(-5, 5).Draw(t, "rest"),
				ShownSD: rapid.Float64Range(0.02, 3).Draw(t, "rest_sd")},
			Spark: Slope{Shown: rapid.Float64Range(-5, 5).Draw(t, "spark"),
				ShownSD: rapid.Float64Range(0.02, 3).Draw(t, "spark_sd")},
		}
		correlation := rapid.Float64Range(-0.9, 0.9).Draw(t, "correlation")
		q.believe(&f, correlation)
		for _, s := range []Slope{f.Rest, f.Spark} {
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
		if c := f.Covariance / (f.Rest.SD * f.Spark.SD); f.Rest.SD > 1e-6 && f.Spark.SD > 1e-6 && math.Abs(c) > 1.001 {
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
