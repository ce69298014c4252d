package drift

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat/distuv"

	"headroom/models/value"
)

// Law is how the values of healthy cars scatter about their level: x_t = level + a_t, with a_t = Rho·a_(t−1) + noise
// from value to value. A car's scale squared is SD² over a mean χ² of DF; single values have Student tails.
type Law struct {
	SD   float64 // scale of a value about its car's level, in the metric's unit, above 0
	DF   float64 // degrees of freedom the fleet's scale is worth to a car; infinite: every car has the same
	Tail float64 // degrees of freedom of a single value's tails; infinite: normal
	Rho  float64 // correlation of neighbouring values, 0–1
	Step float64 // deviation of what a revision moves, in SD
	// share of belief in this law among those fitted together, 0–1
	Weight float64
}

// Break says what was new on a car with a value.
type Break int

// Breaks of a Series.
const (
	NoBreak Break = iota
	Revised       // other tables: the level may have moved, by Law.Step
	Rebuilt       // other parts: a new car, whose level starts again
)

// known is a measured value and what was new since the measured value before.
type known struct {
	x    float64
	then Break
	at   int // index into the series
}

func (s Series) knowns() []known {
	var out []known
	then := NoBreak
	for i, v := range s.Values {
		if len(s.Breaks) > 0 {
			then = max(then, s.Breaks[i])
		}
		if !math.IsNaN(v) {
			out = append(out, known{v, then, i})
			then = NoBreak
		}
	}
	return out
}

// filter predicts each value from those before it: level and a_t are the state of a linear filter (Kalman, J. Basic
// Engineering 82, 1960) whose level starts without knowledge, so that the error of a short baseline is part of the
// prediction's variance.
type filter struct {
	rho, step2       float64
	level, a         float64
	vLevel, vBoth, v float64 // variances of level and a, and their covariance, in SD²
}

// start takes the first value of a car, or the first after a change of parts.
func (f *filter) start(x float64) {
	f.level, f.a, f.vLevel, f.vBoth, f.v = x, 0, 1, -1, 1
}

// next predicts x and takes it in: its error, and the error's variance in SD².
func (f *filter) next(x float64, revised bool) (e, variance float64) {
	f.a *= f.rho
	f.vBoth *= f.rho
	f.v = f.rho*f.rho*f.v + 1 - f.rho*f.rho
	if revised {
		f.vLevel += f.step2
	}
	e = x - f.level - f.a
	toLevel, toA := f.vLevel+f.vBoth, f.vBoth+f.v
	variance = toLevel + toA
	f.level += toLevel / variance * e
	f.a += toA / variance * e
	f.vLevel -= toLevel * toLevel / variance
	f.vBoth -= toLevel * toA / variance
	f.v -= toA * toA / variance
	return e, variance
}

// mostAtRevision is the error, in deviations, past which what came with a revision is another level and not the old one
// moved: most revisions move little and a few move a lot. Common practice, no source.
const mostAtRevision = 3

// foretold is a value against those before it.
type foretold struct {
	err, variance float64 // of the error, in SD²; 0 where nothing foretells the value
	anew          bool    // a revision moved the level past what is foretold: it starts again from this value
}

// foretell filters a car's values.
func (l *Law) foretell(x []known) []foretold {
	f := filter{rho: l.Rho, step2: l.Step * l.Step}
	out := make([]foretold, len(x))
	for i := range x {
		if i == 0 || x[i].then == Rebuilt {
			f.start(x[i].x)
			continue
		}
		e, variance := f.next(x[i].x, x[i].then == Revised)
		out[i] = foretold{err: e, variance: variance}
		if x[i].then == Revised && e*e > mostAtRevision*mostAtRevision*variance*l.SD*l.SD {
			out[i].anew = true
			f.start(x[i].x)
		}
	}
	return out
}

// scale follows a car's own scale from the fleet's.
type scale struct{ ss, df float64 }

// standard is the square of an error in the car's scale so far, that scale's square and the degrees of freedom; then
// the error is taken in, an unlikely one with the weight Student's tails give it (Lange, Little and Taylor, J. Am.
// Statist. Assoc. 84, 1989).
func (s *scale) standard(l *Law, e2 float64) (t2, sd2, df float64) {
	if math.IsInf(l.DF, 1) {
		return e2 / (l.SD * l.SD), l.SD * l.SD, l.Tail
	}
	sd2 = (l.DF*l.SD*l.SD + s.ss) / (l.DF + s.df)
	t2, df = e2/sd2, l.df(s.df)
	w := 1.0
	if !math.IsInf(l.Tail, 1) {
		w = (l.Tail + 1) / (l.Tail + t2)
	}
	s.ss += w * e2
	s.df++
	return t2, sd2, df
}

// studentConstant is the log density of Student's t at zero, less that of the normal one.
func studentConstant(df float64) float64 {
	a, _ := math.Lgamma((df + 1) / 2)
	b, _ := math.Lgamma(df / 2)
	return a - b - math.Log(df/2)/2
}

// What laws are tried. Before the fleet's values are seen, tails, spreads of scale and steps are believed half as much
// as those before them in the list, correlations and scales alike: few cars tell little of either, and a correlation
// that was missed costs most. Common practice, no source.
var (
	triedRho   = []float64{0, 0.15, 0.3, 0.45, 0.6, 0.75}
	triedStep  = []float64{0, 0.5, 1, 2, 4}
	triedTail  = []float64{math.Inf(1), 10, 5, 3}
	triedDF    = []float64{math.Inf(1), 16, 5, 2}
	triedScale = spaced(-1.2, 1.2, 13) // log of SD over the deviation of the fleet's middle car
)

const (
	mostCars  = 100  // cars laws are weighed by: more tell no more about them
	leastTold = 12   // differences of neighbouring values below which a fleet says nothing about its scatter
	leastLaw  = 0.02 // laws with less weight than this share of the best are left out
)

// Laws are laws of scatter, weighed by what a fleet's cars show (FitLaws).
type Laws struct {
	tried []Law       // their weights the log of the belief after all cars
	told  [][]float64 // log likelihood by law and car that was asked
	asked []int       // cars, ascending
}

// FitLaws weighs laws of scatter by what the fleet's cars show, each value foretold by those of its car before it (the
// likelihood of errors foretold, which counts in the mean of a short series: Schweppe, IEEE Trans. Inf. Theory 11,
// 1965). Of more than a hundred cars, a hundred spread over the list are asked.
//
// Errors: a series Series does not allow, too few values, or no spread.
func FitLaws(cars []Series) (*Laws, error) {
	var use [][]known
	out := &Laws{}
	stride := max(1, (len(cars)+mostCars-1)/mostCars)
	revised := false
	for c := range cars {
		if err := cars[c].check(); err != nil {
			return nil, fmt.Errorf("car %d: %w", c, err)
		}
		if c%stride > 0 {
			continue
		}
		k := cars[c].knowns()
		use, out.asked = append(use, k), append(out.asked, c)
		for i := range k {
			revised = revised || i > 0 && k[i].then == Revised
		}
	}
	steps := triedStep
	if !revised {
		steps = steps[:1]
	}
	middle, err := middleScale(use)
	if err != nil {
		return nil, err
	}
	for _, rho := range triedRho {
		for k, step := range steps {
			for _, sd := range triedScale {
				out.try(Law{SD: middle * math.Exp(sd), Rho: rho, Step: step}, use, middle, k)
			}
		}
	}
	return out, nil
}

// try weighs a law, so many halvings of belief down the list, with every tail and spread of scales between cars: what
// it foretells depends on neither.
func (l *Laws) try(law Law, cars [][]known, middle float64, halvings int) {
	seen := make([][]foretold, len(cars))
	for c := range cars {
		seen[c] = law.foretell(cars[c])
	}
	for i, tail := range triedTail {
		for j, df := range triedDF {
			law.Tail, law.DF = tail, df
			told := law.logLikelihoods(seen, middle)
			law.Weight = floats.Sum(told) - math.Ln2*float64(halvings+i+j)
			l.tried, l.told = append(l.tried, law), append(l.told, told)
		}
	}
}

// Without are the laws by what all cars but one show: a car that drifts does not tell how a healthy one scatters. Where
// the others do not decide between laws, none is chosen: all keep their weight. A car that was not there leaves all in.
func (l *Laws) Without(car int) []Law {
	own := slices.Index(l.asked, car)
	weights := make([]float64, len(l.tried))
	best := math.Inf(-1)
	for i := range weights {
		weights[i] = l.tried[i].Weight
		if own >= 0 {
			weights[i] -= l.told[i][own]
		}
		best = math.Max(best, weights[i])
	}
	var out []Law
	sum := 0.0
	for i, w := range weights {
		if w = math.Exp(w - best); w >= leastLaw {
			law := l.tried[i]
			law.Weight = w
			out = append(out, law)
			sum += w
		}
	}
	for i := range out {
		out[i].Weight /= sum
	}
	return out
}

// middleScale is the root of the middle of the squared differences of neighbours, halved.
func middleScale(cars [][]known) (float64, error) {
	var d []float64
	for _, car := range cars {
		for i := 1; i < len(car); i++ {
			if car[i].then == NoBreak {
				d = append(d, math.Abs(car[i].x-car[i-1].x))
			}
		}
	}
	if len(d) < leastTold {
		return 0, errors.New("drift: too few days of the cars to tell how they scatter")
	}
	sort.Float64s(d)
	for _, v := range d[len(d)/2:] { // at least half may repeat a value
		if v > 0 {
			return v / (math.Sqrt2 * 0.6745), nil
		}
	}
	return 0, errors.New("drift: every car repeats one value: there is no spread to fit")
}

// logLikelihoods are those of each car's errors foretold. A level that starts again may lie anywhere: its density is
// that of an error of mostAtRevision deviations by the fleet's middle scale, whatever the law.
func (l *Law) logLikelihoods(cars [][]foretold, middle float64) []float64 {
	out := make([]float64, len(cars))
	var constants []float64 // by errors seen before
	for c, seen := range cars {
		s, sum := scale{}, 0.0
		for _, f := range seen {
			if f.anew {
				sum -= math.Log(middle) + mostAtRevision*mostAtRevision/2
				s = scale{}
			}
			if f.variance == 0 || f.anew {
				continue
			}
			before := int(s.df)
			t2, sd2, df := s.standard(l, f.err*f.err/f.variance)
			sum -= math.Log(f.variance*sd2) / 2
			if math.IsInf(df, 1) {
				sum -= t2 / 2
				continue
			}
			for len(constants) <= before {
				constants = append(constants, studentConstant(l.df(float64(len(constants)))))
			}
			sum += constants[before] - (df+1)/2*math.Log1p(t2/df)
		}
		out[c] = sum
	}
	return out
}

// df are the degrees of freedom of a value after so many errors of its car: of its own tails and of the car's scale.
func (l *Law) df(seen float64) float64 { return 1 / (1/l.Tail + 1/(l.DF+seen)) }

// scores turns a car's values into independent standard normal ones while it stays as it is: the chance of each given
// all before it, averaged over the laws by weight, as a normal score (Rosenblatt, Ann. Math. Statist. 23, 1952; Dawid,
// J. Royal Statist. Soc. A 147, 1984). NaN where nothing foretells a value.
func scores(x []known, laws []Law) []float64 {
	below, above := make([]float64, len(x)), make([]float64, len(x))
	for k := range laws {
		l := &laws[k]
		s := scale{}
		for i, f := range l.foretell(x) {
			tail := 0.5 // what starts anew tells nothing
			switch {
			case f.variance == 0:
			case f.anew:
				s = scale{}
			default:
				t2, _, df := s.standard(l, f.err*f.err/f.variance)
				tail = studentTail(math.Sqrt(t2), df)
			}
			if f.err < 0 {
				below[i] += l.Weight * tail
				above[i] += l.Weight * (1 - tail)
			} else {
				above[i] += l.Weight * tail
				below[i] += l.Weight * (1 - tail)
			}
		}
	}
	q := make([]float64, len(x))
	for i := range q {
		switch {
		case i == 0 || x[i].then == Rebuilt:
			q[i] = math.NaN()
		case below[i] < above[i]:
			q[i] = normal.Quantile(math.Max(below[i], 1e-300))
		default:
			q[i] = -normal.Quantile(math.Max(above[i], 1e-300))
		}
	}
	return q
}

// studentTail is the chance that Student's t passes t.
func studentTail(t, df float64) float64 {
	if math.IsInf(df, 1) {
		return value.NormalCDF(-t)
	}
	return distuv.StudentsT{Sigma: 1, Nu: df}.CDF(-t)
}
