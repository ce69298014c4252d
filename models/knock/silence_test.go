package knock

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// known is a model of one flat limit, 10°, whose level is known to 0.5° and whose cars differ by 1.2°.
func known(tail float64) *Model {
	spline, err := newSpline([]float64{2000, 6000}, 4000)
	if err != nil {
		panic(err)
	}
	p := numCoefs(len(spline.Knots))
	m := &Model{Spline: spline, Coef: make([]float64, p), CoefCov: make([]float64, p*p), CarSD: 1.2, PullSD: 0.8,
		CellSD: 1, TailShare: tail}
	m.Coef[0], m.CoefCov[0] = 10, 0.25
	return m
}

// One cell's margin is normal with the variances added (closed form), and a sensor misses a fiftieth.
func TestSilenceOfOneCell(t *testing.T) {
	m := known(0)
	sd := math.Sqrt(0.25 + 1.2*1.2 + 0.8*0.8 + 1)
	for _, spark := range []float64{4, 9, 10, 12, 16} {
		got := m.Silence("", []Pull{{Cells: []Cell{{RPM: 4000, Lower: spark, Upper: math.Inf(1), Detect: 1}}}})
		want := 1 - 0.98*distuv.UnitNormal.CDF((spark-10)/sd)
		if math.Abs(got-want) > 1e-4 {
			t.Errorf("%g°: %.5f, want %.5f", spark, got, want)
		}
	}
	if got := m.Silence("", nil); got != 1 {
		t.Errorf("no cell: %g", got)
	}
	deaf := []Pull{{Cells: []Cell{{RPM: 4000, Lower: 30, Upper: math.Inf(1), Detect: 0}}}}
	if got := m.Silence("", deaf); got < 1-1e-12 {
		t.Errorf("a log that could not have shown it: %g", got)
	}
}

// What the size promises: of cars that listen, drawn from the model with their own level, at most a share α is both
// silent and given a chance of silence below α, whatever spark they are driven at. With Student cars (4 degrees of
// freedom, the same deviation), as the demo draws them, the share is held to three times α.
func TestSilenceFalseAlarms(t *testing.T) {
	const cars, alpha = 600, 0.02
	for _, student4 := range []bool{false, true} {
		rng := rand.New(rand.NewPCG(5, 9))
		m, alarms, deaf := known(0.1), 0, 0
		core := m.CellSD / math.Sqrt(1+0.1*(TailScale*TailScale-1))
		for range cars {
			u := math.Sqrt(1.2*1.2+0.25) * rng.NormFloat64()
			if student4 {
				u = student(rng, 4, math.Sqrt(1.2*1.2+0.25))
			}
			spark, silent := 7+8*rng.Float64(), true
			var pulls []Pull
			for range 3 {
				w, pull := 0.8*rng.NormFloat64(), Pull{}
				for range 4 {
					sd := core
					if rng.Float64() < 0.1 {
						sd *= TailScale
					}
					at := spark + rng.NormFloat64()
					limit := 10 + u + w + sd*rng.NormFloat64()
					silent = silent && (at < limit || rng.Float64() < 0.02)
					pull.Cells = append(pull.Cells, Cell{RPM: 4000, Lower: at, Upper: math.Inf(1), Detect: 1})
				}
				pulls = append(pulls, pull)
			}
			below := m.Silence("", pulls) < alpha
			if below {
				deaf++
			}
			if below && silent {
				alarms++
			}
		}
		share, most := float64(alarms)/cars, alpha
		if student4 {
			most = 3 * alpha
		}
		if share > most || deaf < cars/4 {
			t.Errorf("student %v: false alarms %.4f at a size of %g, power %d of %d", student4, share, alpha, deaf,
				cars)
		}
	}
}

// The share of false events is averaged over its spread: against a sum over draws, and never sure of silence or noise.
func TestQuiet(t *testing.T) {
	m := known(0)
	m.Contamination = 0.05 // more than the prior's median, which counts
	rng := rand.New(rand.NewPCG(1, 2))
	for _, cells := range []int{1, 300, 3000, 30000} {
		sum := 0.0
		const draws = 200000
		for range draws {
			share := 1 / (1 + math.Exp(-(math.Log(0.002/0.998) + rng.NormFloat64())))
			sum += math.Pow(1-share, float64(cells))
		}
		if got, want := m.Quiet(cells), sum/draws; math.Abs(got-want) > 0.003 {
			t.Errorf("%d cells: %.4f, want %.4f", cells, got, want)
		}
	}
	if m.Quiet(0) != 1 {
		t.Error("no cell")
	}
}
