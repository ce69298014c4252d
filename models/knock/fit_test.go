package knock

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// ownFleet draws a fleet from the fitted model itself, with normal residuals.
func ownFleet(rng *rand.Rand, cars, pulls, cells int) []Car {
	return ownFleetTails(rng, cars, pulls, cells, 0)
}

// ownFleetTails draws one in which a share of the cells' residuals is TailScale times as wide.
func ownFleetTails(rng *rand.Rand, cars, pulls, cells int, tail float64) []Car {
	var out []Car
	for c := range cars {
		car := Car{ID: fmt.Sprintf("car-%04d", c)}
		u := 1.2 * rng.NormFloat64()
		bias := rng.NormFloat64()
		for range pulls {
			w := 0.8 * rng.NormFloat64()
			var p Pull
			z := [NumCovariates]float64{}
			z[ChargeTemperature] = 10 * rng.NormFloat64()
			z[OctaneIndex] = 2 * rng.NormFloat64()
			for k := range cells {
				rpm := 2000 + 4500*(float64(k)+rng.Float64())/float64(cells)
				z[LnCharge] = 0.2 * rng.NormFloat64()
				z[Lambda] = 0.03 * rng.NormFloat64()
				e := rng.NormFloat64()
				if tail > 0 && rng.Float64() < tail {
					e *= TailScale
				}
				limit := ownMean(rpm, z) + u + w + e
				spark := ownMean(rpm, [NumCovariates]float64{}) - 20*z[LnCharge] - 3 + bias
				cell := Cell{RPM: rpm, Z: z, Lower: spark, Upper: math.Inf(1), Detect: 1}
				if limit < spark {
					n := math.Ceil((spark - limit) / 1.5)
					cell.Lower, cell.Upper = spark-1.5*n, spark-1.5*(n-1)
					cell.Steps = int(n)
				}
				p.Cells = append(p.Cells, cell)
			}
			car.Pulls = append(car.Pulls, p)
		}
		out = append(out, car)
	}
	return out
}

func ownMean(rpm float64, z [NumCovariates]float64) float64 {
	x := (rpm - 4000) / 1000
	m := 14 + 1.5*x - 0.3*x*x
	for k, s := range [NumCovariates]float64{-25, -0.12, 0.7, -8, -0.05, -0.5, 0} {
		m += s * z[k]
	}
	return m
}

func ownPrior() Prior {
	p := Prior{LevelMean: 10, LevelSD: 5}
	p.SlopeMean = [NumCovariates]float64{-20, -0.15, 0.6, -10, -0.05, -0.5, 0}
	for k, s := range p.SlopeMean {
		p.SlopeSD[k] = 0.35 * math.Abs(s)
	}
	p.SlopeSD[LnCycles] = 0.3
	return p
}

// The fit recovers the truth it was drawn from: every parameter within three of its standard deviations (two thirds of
// them within one and a half would be expected; three keeps one seed from deciding), and heavy tails where the rows
// have them and not where they object.
func TestRecoversOwnModel(t *testing.T) {
	const cars = 25
	for _, tail := range []float64{0, 0.1} {
		m, err := Fit(ownFleetTails(rand.New(rand.NewPCG(41, 42)), cars, 8, 10, tail), ownPrior(),
			Options{MissShare: -1})
		if err != nil {
			t.Fatal(err)
		}
		if !m.Converged || m.TailShare != tail {
			t.Errorf("tail share %g: converged %v with %g, %v", tail, m.Converged, m.TailShare, m.Warnings)
		}
		for k, want := range [NumCovariates]float64{-25, -0.12, 0.7, -8, -0.05, -0.5, 0} {
			if got, sd := m.Slope(k); math.Abs(got-want) > 3*sd {
				t.Errorf("tail share %g: slope of %s %.3f ± %.3f, want %.3f", tail, Name(k), got, sd, want)
			}
		}
		cell := math.Sqrt(1 + tail*(TailScale*TailScale-1))
		for i, p := range [][2]float64{{m.CarSD, 1.2}, {m.PullSD, 0.8}, {m.CellSD, cell}} {
			if math.Abs(math.Log(p[0]/p[1])) > 3*m.SpreadLogSD[i] {
				t.Errorf("tail share %g: spread %d %.3f, want %.3f, ln sd %.3f", tail, i, p[0], p[1], m.SpreadLogSD[i])
			}
		}
		for _, rpm := range []float64{2200, 4000, 6200} {
			got, _, _ := m.Predict("", rpm, [NumCovariates]float64{})
			// The fleet's own level has the cars' sampling error in it.
			if want := ownMean(rpm, [NumCovariates]float64{}); math.Abs(got-want) > 3*math.Hypot(1.2/math.Sqrt(cars),
				0.15) {
				t.Errorf("tail share %g: limit at %g rpm %.2f, want %.2f", tail, rpm, got, want)
			}
		}
	}
}

// A prior two or three deviations off does not make events of a few cars false ones: the fit is near the one of a good
// prior, and no likelier one is left behind. With the search from the prior alone every event was taken for false.
func TestPriorFarOff(t *testing.T) {
	for seed := range uint64(4) {
		cars := ownFleet(rand.New(rand.NewPCG(seed, 3)), 3, 8, 10)
		good, err := Fit(cars, ownPrior(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, level := range []float64{22, 27} {
			off := ownPrior()
			off.LevelMean, off.LevelSD = level, 6
			m, err := Fit(cars, off, Options{})
			if err != nil {
				t.Fatal(err)
			}
			at, _, _ := m.Predict("", 4000, [NumCovariates]float64{})
			want, _, _ := good.Predict("", 4000, [NumCovariates]float64{})
			if !m.Converged || math.Abs(at-want) > 1.5 || m.Contamination > 0.03 {
				t.Errorf("seed %d, prior at %g: limit %.1f, with a good prior %.1f; %.3f of events false, events %d",
					seed, level, at, want, m.Contamination, m.Events)
			}
		}
	}
}

// Fits at three sizes: time and memory grow with the rows. The promise is 1000 cars × 200 rows in under 5 s on two
// cores.
func BenchmarkFit(b *testing.B) {
	for _, n := range []int{100, 300, 1000} {
		cars := ownFleet(rand.New(rand.NewPCG(1, 2)), n, 17, 12)
		b.Run(fmt.Sprintf("%d_cars_204_rows", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				m, err := Fit(cars, ownPrior(), Options{})
				if err != nil || !m.Converged {
					b.Fatal(err, m.Warnings)
				}
			}
		})
	}
}

// A limit that falls faster the hotter it is, known from hot pulls alone because cool ones never knock: a straight line
// through where it knocks lies too high everywhere else, on the side of danger, and a bent one does not.
func TestBendFollowsACurvedLimit(t *testing.T) {
	truth := func(heat float64) float64 { return 12 - 0.15*heat - 0.004*heat*heat }
	rng := rand.New(rand.NewPCG(11, 12))
	var cars []Car
	for c := range 40 {
		car := Car{ID: fmt.Sprintf("car-%02d", c)}
		u := rng.NormFloat64()
		for range 10 {
			w, heat := 0.7*rng.NormFloat64(), 12*rng.NormFloat64()
			var p Pull
			for range 6 {
				const spark, step = 10, 1.5
				cell := Cell{RPM: 3000 + 2000*rng.Float64(), Lower: spark, Upper: math.Inf(1), Detect: 1}
				cell.Z[ChargeTemperature] = heat
				if k := truth(heat) + u + w + 0.9*rng.NormFloat64(); k < spark {
					n := math.Ceil((spark - k) / step)
					cell.Lower, cell.Upper, cell.Steps = spark-step*n, spark-step*(n-1), int(n)
				}
				p.Cells = append(p.Cells, cell)
			}
			car.Pulls = append(car.Pulls, p)
		}
		cars = append(cars, car)
	}
	prior := ownPrior()
	bias := func(share float64) (mean float64) {
		prior.BendShare = share
		m, err := Fit(cars, prior, Options{})
		if err != nil || !m.Converged {
			t.Fatal(err, m.Warnings)
		}
		for i := range 9 {
			var z [NumCovariates]float64
			z[ChargeTemperature] = float64(6*i - 24)
			k, sd, _ := m.Predict("", 4000, z)
			off := k - truth(z[ChargeTemperature])
			t.Logf("share %g, %+.0f K: %+.2f° ± %.2f", share, z[ChargeTemperature], off, sd)
			mean += off / 9
		}
		return mean
	}
	straight, bent := bias(-1), bias(0)
	if straight < 0.5 || math.Abs(bent) > straight/2 {
		t.Errorf("bias %+.2f° with a straight line, %+.2f° with a bent one", straight, bent)
	}
}
