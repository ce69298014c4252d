package fleet

import (
	"math"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/workspace"
	"headroom/models/cycle"
	"headroom/models/knock"
)

// shaped is a fleet on that platform with the shape of its knock limit over some states, and the engine it is of.
func shaped(t *testing.T) (*Fleet, *cycle.Engine, cycle.State) {
	t.Helper()
	p := platformWith(t, "direct", func(*workspace.Platform) {})
	f := New(p, &Fit{KnockRef: aReference})
	prior, err := f.knockPrior()
	if err != nil {
		t.Fatal(err)
	}
	f.Slopes = prior.SlopeMean
	in, ok := f.referenceCycle()
	if !ok {
		t.Fatal("no reference")
	}
	var states []*state.State
	for _, rpm := range []float64{2200, 6200} {
		for _, load := range []float64{70, 190} {
			s := f.referenceState(aReference)
			s.RPM, s.Load = rpm, load
			states = append(states, &s)
		}
	}
	f.KnockShape = f.shapeOf(states, in)
	if len(f.KnockShape.RPM) == 0 {
		t.Fatal("no shape")
	}
	config := f.Cycle.Config()
	if config.DelayScale, err = f.Cycle.ScaleDelay(in); err != nil {
		t.Fatal(err)
	}
	engine, err := cycle.New(config)
	if err != nil {
		t.Fatal(err)
	}
	return f, engine, in
}

// What the shape says of a state against the cycle model run there: the limit less that of the reference at the speed.
func TestShapeIsTheCycles(t *testing.T) {
	f, engine, in := shaped(t)
	limit := func(s *state.State) float64 {
		c, ok := f.CycleState(s)
		if !ok {
			t.Fatal("not a state of the cycle")
		}
		c.Octane = f.OctaneIndex(s) + aReference.OctaneIndex - f.OctaneIndex(f.atReference(s.RPM))
		c.ManifoldPressure = in.ManifoldPressure * c.AirMass / in.AirMass
		spark, err := engine.KnockLimitedSpark(c)
		if err != nil {
			t.Fatal(err)
		}
		return spark
	}
	var lambdas []float64
	for _, rpm := range []float64{2600, 3300, 4400, 5000} {
		base := f.atReference(rpm)
		for _, load := range []float64{130, 150, 170} {
			for _, lambda := range []float64{0.83, 0.87, 0.91} {
				for _, charge := range []float64{35, 45, 60} {
					s := *base
					s.Load, s.Lambda, s.Charge = load, lambda, charge
					z := f.KnockCovariates(&s)
					z[knock.OctaneIndex] = 0 // the reference's octane index is not the fuel's own
					got := 0.0
					for k := range slopesOf(cycle.Gradient{}) {
						got += f.Slopes[k] * z[k]
					}
					want := limit(&s) - limit(base)
					if math.Abs(got-want) > 0.3+0.15*math.Abs(want) {
						t.Errorf("%g rpm, %g %%, lambda %g, %g °C: %.2f°, the cycle %.2f°", rpm, load, lambda, charge,
							got, want)
					}
				}
			}
			rich, lean := *base, *base
			rich.Load, lean.Load, rich.Lambda, lean.Lambda = load, load, 0.86, 0.88
			zr, zl := f.KnockCovariates(&rich), f.KnockCovariates(&lean)
			lambdas = append(lambdas, f.Slopes[knock.Lambda]*(zl[knock.Lambda]-zr[knock.Lambda])/0.02)
		}
	}
	low, high := lambdas[0], lambdas[0]
	for _, s := range lambdas {
		low, high = math.Min(low, s), math.Max(high, s)
	}
	if !(low < 1.3*high && high < 0) {
		t.Errorf("slopes of lambda from %.1f to %.1f: the same over the map", low, high)
	}
}

// atReference is the reference at a speed.
func (f *Fleet) atReference(rpm float64) *state.State {
	s := f.referenceState(f.KnockRef)
	s.RPM = rpm
	return &s
}

// Without a shape, and for what the cycle does not give, differences are what they are; missing stays missing.
func TestShapeLeavesTheRest(t *testing.T) {
	f, _, _ := shaped(t)
	s := f.atReference(3000)
	s.Cycles, s.IntakeCam, s.Load = 30, 12, 170
	z, plain := f.KnockCovariates(s), f.differences(s)
	for _, k := range []int{knock.LnCycles, knock.IntakeCam} {
		if z[k] != plain[k] {
			t.Errorf("%s: %g, want %g", knock.Name(k), z[k], plain[k])
		}
	}
	s.Lambda = math.NaN()
	if z := f.KnockCovariates(s); !math.IsNaN(z[knock.Lambda]) || math.IsNaN(z[knock.LnCharge]) {
		t.Errorf("without lambda: %v", z)
	}
	f.KnockShape = KnockShape{}
	s.Lambda = 0.9
	if z, plain := f.KnockCovariates(s), f.differences(s); z != plain {
		t.Errorf("without a shape: %v, want %v", z, plain)
	}
}

// Where rows contradict physics, what a revision moves may lie lower by the worse of the two, and what it does not move
// by nothing; without a contradiction there is no dispute.
func TestKnockDispute(t *testing.T) {
	f, _, _ := shaped(t)
	f.KnockShape = KnockShape{}
	fitted, err := knock.Fit(nil, knock.Prior{SlopeMean: f.Slopes, LevelSD: 5}, knock.Options{})
	if err != nil {
		t.Fatal(err)
	}
	f.Knock = fitted
	if f.KnockDispute() != nil {
		t.Error("disputed without rows")
	}
	fitted.Shown[knock.Lambda] = knock.Shown{Slope: 40, SD: 7, Chance: 1e-6}
	dispute := f.KnockDispute()
	slope, _ := fitted.Slope(knock.Lambda)
	for _, by := range []float64{-0.04, 0, 0.04} {
		was, now := f.atReference(3000), f.atReference(3000)
		was.Cycles, now.Cycles = 20, 20
		now.Lambda += by
		now.Logged = was
		want := math.Max(0, (slope-40)*by) // of physics itself nothing: the fit is its prior
		if got := dispute(now); math.Abs(got-want) > 1e-9 {
			t.Errorf("lambda moved by %g: %g°, want %g", by, got, want)
		}
	}
}
