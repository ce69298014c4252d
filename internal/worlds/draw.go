package worlds

import (
	"math"
	"math/rand/v2"
)

// dice is a random source of its own for each thing that is drawn, so that the order of work never shows.
type dice struct{ *rand.Rand }

// Kinds of dice: the first of the parts that tell one from another.
const (
	diceForms uint64 = iota + 1
	diceFleet
	diceLoggers
	diceCar
	diceHistory
	diceLog
	diceSensors
	diceBase
	diceProposal
	diceTruth
	dicePlanted
)

// newDice mixes seed and parts by the finaliser of splitmix64 (Steele, Lea and Flood, OOPSLA 2014).
func newDice(seed uint64, parts ...uint64) dice {
	mixed := seed + 0x9E3779B97F4A7C15
	for _, p := range parts {
		mixed += p + 0x9E3779B97F4A7C15
		mixed = (mixed ^ mixed>>30) * 0xBF58476D1CE4E5B9
		mixed = (mixed ^ mixed>>27) * 0x94D049BB133111EB
		mixed ^= mixed >> 31
	}
	return dice{rand.New(rand.NewPCG(seed, mixed))}
}

// between is uniform.
func (d dice) between(low, high float64) float64 { return low + (high-low)*d.Float64() }

// around is normal.
func (d dice) around(mean, sd float64) float64 { return mean + sd*d.NormFloat64() }

func (d dice) chance(p float64) bool { return d.Float64() < p }

// whole is a whole number from low to high, both included.
func (d dice) whole(low, high int) int { return low + d.IntN(high-low+1) }

// oneOf picks evenly.
func oneOf[T any](d dice, of ...T) T { return of[d.IntN(len(of))] }

// luckLaw is a form of random effects.
type luckLaw string

// Random effects are normal, Student's t with five degrees of freedom, or skewed: a reflected exponential, whose long
// tail lies on the bad side. All have mean 0 and standard deviation 1.
const (
	luckNormal  luckLaw = "normal"
	luckStudent luckLaw = "student-t"
	luckSkewed  luckLaw = "skewed"
)

var luckLaws = []luckLaw{luckNormal, luckStudent, luckSkewed}

// draw is one effect; the negative side is the bad one.
func (l luckLaw) draw(d dice) float64 {
	switch l {
	case luckStudent:
		const freedom = 5
		chi := 0.0
		for range freedom {
			z := d.NormFloat64()
			chi += z * z
		}
		return d.NormFloat64() / math.Sqrt(chi/freedom) * math.Sqrt((freedom-2.0)/freedom)
	case luckSkewed:
		return 1 - d.ExpFloat64()
	}
	return d.NormFloat64()
}

func clamp(v, low, high float64) float64 { return min(max(v, low), high) }

// round is v to a multiple of step.
func round(v, step float64) float64 { return math.Round(v/step) * step }

// softplus is max(0, x) with its kink rounded over a width.
func softplus(x, width float64) float64 {
	if x > 30*width {
		return x
	}
	return width * math.Log1p(math.Exp(x/width))
}

// logistic rises from 0 to 1.
func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// normalShare is the share of a standard normal distribution below x.
func normalShare(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }
