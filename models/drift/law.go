package drift

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/floats"

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
	Jump float64 // share of revisions that move the level to anywhere, 0–1
	// share of belief in this law among those fitted together, 0–1
	Weight float64

	constants []float64 // studentConstant by errors seen before
}

func (l *Law) constant(before int) float64 {
	for len(l.constants) <= before {
		l.constants = append(l.constants, studentConstant(l.df(float64(len(l.constants)))))
	}
	return l.constants[before]
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
	at   int     // index into the series
	wide float64 // deviation of the value over that of a usual one
}

func (s Series) knowns() []known {
	var out []known
	then := NoBreak
	for i, v := range s.Values {
		if len(s.Breaks) > 0 {
			then = max(then, s.Breaks[i])
		}
		if !math.IsNaN(v) {
			k := known{v, then, i, 1}
			if len(s.Wide) > 0 {
				k.wide = s.Wide[i]
			}
			out = append(out, k)
			then = NoBreak
		}
	}
	return out
}

// filter predicts each value from those before it: level, a_t and the size of a movement are the state of a linear
// filter (Kalman, J. Basic Engineering 82, 1960) whose level starts without knowledge, so that the error of a short
// baseline is part of the prediction's variance.
type filter struct {
	rho, step2     float64
	level, a, size float64
	// variances and covariances of level, a and size, in SD²
	ll, la, ls, aa, as, ss float64
}

// start takes the first value of a car, or the first after a change of parts, where the movement has come so far on its
// course.
func (f *filter) start(k *known, course float64) {
	f.level, f.a = k.x-f.size*course, 0
	f.ll, f.la, f.ls = k.wide*k.wide+course*course*f.ss, -k.wide, -course*f.ss
	f.aa, f.as = 1, 0
}

// pass moves the state to the next value, before it is seen.
func (f *filter) pass(revised bool) {
	f.a *= f.rho
	f.la *= f.rho
	f.as *= f.rho
	f.aa = f.rho*f.rho*f.aa + 1 - f.rho*f.rho
	if revised {
		f.ll += f.step2
	}
}

// gain are the covariances of level, a and size with a value, and the value's variance.
func (f *filter) gain(k *known, course float64) (l, a, s, variance float64) {
	l, a, s = f.ll+k.wide*f.la+course*f.ls, f.la+k.wide*f.aa+course*f.as, f.ls+k.wide*f.as+course*f.ss
	return l, a, s, l + k.wide*a + course*s
}

// foresee is the error of a value foretold and its variance in SD².
func (f *filter) foresee(k *known, course float64) (e, variance float64) {
	_, _, _, variance = f.gain(k, course)
	return k.x - f.level - k.wide*f.a - course*f.size, variance
}

// take takes the value of an error in.
func (f *filter) take(k *known, course, e float64) {
	l, a, s, variance := f.gain(k, course)
	f.level += l / variance * e
	f.a += a / variance * e
	f.size += s / variance * e
	f.ll -= l * l / variance
	f.la -= l * a / variance
	f.ls -= l * s / variance
	f.aa -= a * a / variance
	f.as -= a * s / variance
	f.ss -= s * s / variance
}

// mostAtRevision is the error, in deviations, past which what came with a revision is another level and not the old one
// moved: most revisions move little and a few move a lot. Common practice, no source.
const mostAtRevision = 3

// A value that nothing moved but that lies past so many deviations is a bad one, as a stuck sensor gives: it tells
// nothing of the next. One in a hundred is. Common practice, no source.
const (
	mostOfValue = 5
	badShare    = 0.01
)

// foretold is a value against those before it.
type foretold struct {
	err, variance float64 // of the error, in SD²; 0 where nothing foretells the value
	revised       bool    // it came with other tables
	out           bool    // past what is foretold: a bad value or, with other tables, another level
}

// foretell filters a car's values, its level standing still.
func (l *Law) foretell(x []known) []foretold {
	out, _ := l.moving(x, make([]float64, len(x)), 0)
	return out
}

// moving filters a car's values where its level takes a course, of a size of so many deviations that is told by the
// values. A level that rests on one value and is contradicted by the next starts again: either may be the bad one. It
// returns the size after the last value too.
func (l *Law) moving(x []known, course []float64, width float64) (out []foretold, size float64) {
	f := filter{rho: l.Rho, step2: l.Step * l.Step, ss: width * width}
	out = make([]foretold, len(x))
	fresh := true // the level rests on one value
	for i := range x {
		k, revised := &x[i], x[i].then == Revised
		if i == 0 || k.then == Rebuilt {
			f.start(k, course[i])
			fresh = true
			continue
		}
		f.pass(revised)
		e, variance := f.foresee(k, course[i])
		most := float64(mostOfValue)
		if revised {
			most = mostAtRevision
		}
		out[i] = foretold{err: e, variance: variance, revised: revised, out: e*e > most*most*variance*l.SD*l.SD}
		switch {
		case !out[i].out:
			f.take(k, course[i], e)
			fresh = false
		case revised || fresh:
			f.start(k, course[i])
			fresh = true
		}
	}
	return out, f.size
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
	triedRho   = []float64{0, 0.25, 0.5, 0.75}
	triedStep  = []float64{0, 1, 3}
	triedJump  = []float64{0.02, 0.2}
	triedTail  = []float64{math.Inf(1), 10, 5, 3}
	triedDF    = []float64{math.Inf(1), 16, 5, 2}
	triedScale = spaced(-1.2, 1.2, 9) // log of SD over the deviation of the fleet's middle car
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
	steps, jumps := triedStep, triedJump
	if !revised {
		steps, jumps = steps[:1], jumps[:1]
	}
	middle, err := middleScale(use)
	if err != nil {
		return nil, err
	}
	ramps := rampsOf(cars, use, out.asked)
	for _, rho := range triedRho {
		for i, step := range steps {
			for k, jump := range jumps {
				for _, sd := range triedScale {
					out.try(Law{SD: middle * math.Exp(sd), Rho: rho, Step: step, Jump: jump}, use, ramps, i+k)
				}
			}
		}
	}
	return out, nil
}

// Beliefs about the cars by which laws are weighed: few drift, and one that does must not teach the fleet its drift as
// scatter. Common practice, no source.
const (
	someDrift  = 0.1 // share of cars
	driftWidth = 8   // deviation of their ramps over the fleet's usual history, in deviations of a value
)

// rampsOf are the courses of ramps that begin with each car's first value and reach 1 in the fleet's usual history.
func rampsOf(cars []Series, use [][]known, asked []int) [][]float64 {
	span := UsualSpan(cars)
	out := make([][]float64, len(use))
	for c := range use {
		out[c] = motion{ramp: true}.course(use[c], cars[asked[c]].Times, span)
	}
	return out
}

// UsualSpan is the middle one of the cars' histories, from the first value to the last, in the unit of their times; 1
// where none has any.
func UsualSpan(cars []Series) float64 {
	var spans []float64
	for i := range cars {
		if t := cars[i].Times; len(t) > 2 && t[len(t)-1] > t[0] {
			spans = append(spans, t[len(t)-1]-t[0])
		}
	}
	if len(spans) == 0 {
		return 1
	}
	return value.Median(spans)
}

// try weighs a law, so many halvings of belief down the list, with every tail and spread of scales between cars: what
// it foretells depends on neither.
func (l *Laws) try(law Law, cars [][]known, ramps [][]float64, halvings int) {
	still, moving := make([][]foretold, len(cars)), make([][]foretold, len(cars))
	for c := range cars {
		still[c] = law.foretell(cars[c])
		moving[c], _ = law.moving(cars[c], ramps[c], driftWidth)
	}
	for i, tail := range triedTail {
		for j, df := range triedDF {
			law.Tail, law.DF, law.constants = tail, df, nil
			told, drifts := law.logLikelihoods(still), law.logLikelihoods(moving)
			for c := range told {
				told[c] = floats.LogSumExp([]float64{math.Log1p(-someDrift) + told[c], math.Log(someDrift) + drifts[c]})
			}
			law.Weight = floats.Sum(told) - math.Ln2*float64(halvings+i+j)
			law.constants = nil
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

// logLikelihoods are those of each car's errors foretold.
func (l *Law) logLikelihoods(cars [][]foretold) []float64 {
	out := make([]float64, len(cars))
	for c, seen := range cars {
		if up := l.upTo(seen); len(up) > 0 {
			out[c] = up[len(up)-1]
		}
	}
	return out
}

// jumpWidth is how far a bad value, or a level that a revision moves to anywhere, usually lies, in SD: the half width
// of a Cauchy distribution, whose tails leave nothing out. Common practice, no source.
const jumpWidth = 8

// upTo is the log likelihood of the errors up to each value.
func (l *Law) upTo(seen []foretold) []float64 {
	out := make([]float64, len(seen))
	s, sum := scale{}, 0.0
	for i, f := range seen {
		if f.variance > 0 {
			before := s
			t2, sd2, df := s.standard(l, f.err*f.err/f.variance)
			d := -math.Log(f.variance*sd2) / 2
			if math.IsInf(df, 1) {
				d -= t2 / 2
			} else {
				d += l.constant(int(before.df)) - (df+1)/2*math.Log1p(t2/df)
			}
			share := badShare
			if f.revised {
				share = l.Jump
			}
			far := f.err / (jumpWidth * l.SD)
			d = math.Log((1-share)*math.Exp(d) + share*math.Sqrt(2/math.Pi)/(jumpWidth*l.SD*(1+far*far)))
			if f.out {
				s = before
			}
			sum += d
		}
		out[i] = sum
	}
	return out
}

// df are the degrees of freedom of a value after so many errors of its car: of its own tails and of the car's scale.
func (l *Law) df(seen float64) float64 { return 1 / (1/l.Tail + 1/(l.DF+seen)) }

func spaced(low, high float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = low + (high-low)*float64(i)/float64(n-1)
	}
	return x
}
