// Package apart answers one question: of things that ought to read alike, which reading stands apart from the rest?
//
// Each of several groups (cars) has readings of its own (logs). The groups' middle is the median of their medians, what
// sound groups differ by is the scale Qn of those medians (Rousseeuw and Croux, JASA 88, 1993), and what a group's
// readings differ by among themselves is a scaled median of their absolute departures. Both are unmoved by up to half
// of the groups being wrong. A few groups tell little of their scale, so it is averaged, as a variance, with what sound
// groups of the kind are known to differ by (a scaled inverse chi-squared prior; Smyth, Statistical Applications in
// Genetics and Molecular Biology 3, 2004). A reading is held against a Student distribution of that many degrees of
// freedom, so that many readings may be tried at a stated chance of calling any sound one.
package apart

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"headroom/models/value"
)

// Fewest is the smallest number of groups that tells which of them stands apart: of two that differ, either may be the
// wrong one.
const Fewest = 3

// priorFreedom is how many degrees of freedom what is known beforehand of sound groups counts for, and freedomEach how
// many each further group adds: Qn's efficiency under the normal distribution is 0.82, and less of few. Common
// practice, no source; what it holds is in apart_test.go.
const (
	priorFreedom = 6
	freedomEach  = 0.6
)

// tails is the most degrees of freedom that a reading is held against: sound cars differ with heavier tails than the
// normal distribution's. Common practice, no source.
const tails = 7

// Sound is how sound groups read.
type Sound struct {
	Groups  int
	Middle  float64 // the median of the groups' medians
	Spread  float64 // of one sound reading about Middle, a standard deviation, what is not known of Middle in it
	Freedom float64 // degrees of freedom of Spread
}

// Of reads sound groups from all of them: groups[i] are the readings of one, of which those that are not known count
// for nothing. usual is the standard deviation that sound readings of different groups are known to have, above 0. ok
// is false for fewer than Fewest groups.
func Of(groups [][]float64, usual float64) (s Sound, ok bool) {
	var medians, within []float64
	for _, g := range groups {
		known := slices.DeleteFunc(slices.Clone(g), func(v float64) bool { return !value.Known(v) })
		if len(known) == 0 {
			continue
		}
		m := value.Median(known)
		medians = append(medians, m)
		if n := float64(len(known)); n > 1 {
			for _, v := range known {
				within = append(within, math.Abs(v-m)*math.Sqrt(n/(n-1)))
			}
		}
	}
	n := len(medians)
	if n < Fewest {
		return Sound{Groups: n}, false
	}
	slices.Sort(medians)
	s = Sound{Groups: n, Middle: value.Median(medians), Freedom: priorFreedom + freedomEach*float64(n-1)}
	q := Qn(medians)
	between := (priorFreedom*usual*usual + freedomEach*float64(n-1)*q*q) / s.Freedom
	ofMiddle := math.Pi / 2 / float64(n) * between // of a median of normal values
	s.Spread = math.Sqrt(between + ofMiddle)
	if len(within) > 0 {
		s.Spread = math.Hypot(s.Spread, madScale*value.Median(within))
	}
	return s, true
}

// madScale makes a median of absolute departures the standard deviation of a normal distribution: 1/Φ⁻¹(3/4).
const madScale = 1.482602218505602

// Chance is the chance that a sound reading lies as far from the middle as x, on either side.
func (s Sound) Chance(x float64) float64 {
	return 2 * distuv.StudentsT{Sigma: 1, Nu: math.Min(s.Freedom, tails)}.CDF(-math.Abs(x-s.Middle)/s.Spread)
}

// mostPairs bounds the values that Qn compares pair by pair; more are thinned to as many of their order statistics.
const mostPairs = 500

// Qn is the scale estimator of Rousseeuw and Croux (JASA 88, 1993): a low quantile of the distances of all pairs, the
// standard deviation of normal values, unmoved by up to half of the values. The factors of few values are those of
// Croux and Rousseeuw (COMPSTAT 1992; from memory, held by a simulation). Values are sorted ascending; NaN for fewer
// than two.
func Qn(sorted []float64) float64 {
	n := len(sorted)
	if n < 2 {
		return math.NaN()
	}
	if n > mostPairs {
		thinned := make([]float64, mostPairs)
		for i := range thinned {
			thinned[i] = sorted[(2*i+1)*n/(2*mostPairs)]
		}
		return Qn(thinned)
	}
	distances := make([]float64, 0, n*(n-1)/2)
	for i := range sorted {
		for j := range i {
			distances = append(distances, sorted[i]-sorted[j])
		}
	}
	slices.Sort(distances)
	h := n/2 + 1
	return 2.2219 * few(n) * distances[h*(h-1)/2-1]
}

// few is the factor that makes Qn of n normal values right on average.
func few(n int) float64 {
	if n <= 9 {
		return [...]float64{2: 0.399, 0.994, 0.512, 0.844, 0.611, 0.857, 0.669, 0.872}[n]
	}
	if n%2 == 1 {
		return float64(n) / (float64(n) + 1.4)
	}
	return float64(n) / (float64(n) + 3.8)
}
