package risk

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Outcome is a chance that was stated without Trust and what came of it: of Pulls pulls, Crossed crossed the limit.
// Draws are equally likely values of the chance.
type Outcome struct {
	Draws          []float64
	Pulls, Crossed int
}

// TrustPrior is what is thought of stated chances before any came out: their log odds are off by a shift of mean 0 and
// deviation Shift that all of a kind share, and by one of deviation τ, half-normal with scale Between, that belongs to
// each; and what was called certain came out otherwise as often as Contrary says. What counts as certain has an upper
// bound below Certain.
type TrustPrior struct {
	Shift, Between float64
	Contrary       Beta
	Certain        float64
}

// The grid that the posterior of shift and spread is summed over, in deviations of the prior, and the equally likely
// values that stand for the draws of a chance and for what belongs to each forecast.
const (
	shiftReach, shiftNodes     = 4.0, 33
	betweenReach, betweenNodes = 3.0, 12
	chanceStrata, ownStrata    = 8, 9
)

// Learn joins the prior with outcomes: the posterior mean of the shift, and one deviation of both shifts together
// (posterior by summing over a grid; binomial counts given the chance). Errors: an outcome without draws, or one that
// cannot be scored.
func (p TrustPrior) Learn(outcomes []Outcome) (Trust, error) {
	if len(outcomes) == 0 {
		return p.Before(), nil
	}
	for i, o := range outcomes {
		if len(o.Draws) < 2 || o.Pulls < 1 || o.Crossed < 0 || o.Crossed > o.Pulls {
			return Trust{}, fmt.Errorf("outcome %d: %d draws, %d of %d pulls crossed: give two draws, one pull at "+
				"least, and no more crossings than pulls", i, len(o.Draws), o.Crossed, o.Pulls)
		}
	}
	out := p.posterior(outcomes)
	out.Contrary = p.Contrary
	for _, o := range outcomes {
		if _, high := band(o.Draws); high < p.Certain {
			out.Contrary.Of++
			out.Contrary.Seen += float64(o.Crossed) / float64(o.Pulls)
		}
	}
	return out, nil
}

// gridPoint is one shift and one spread with the logarithm of their posterior weight.
type gridPoint struct{ shift, tau, log float64 }

// posterior is the mean of the shift and the deviation of both shifts together.
func (p TrustPrior) posterior(outcomes []Outcome) Trust {
	own := latinNormal(ownStrata, 1, 0)
	grid := make([]gridPoint, 0, shiftNodes*betweenNodes)
	best := math.Inf(-1)
	for i := range shiftNodes {
		d := shiftReach * (2*float64(i)/(shiftNodes-1) - 1)
		for j := range betweenNodes {
			b := betweenReach * (float64(j) + 0.5) / betweenNodes
			g := gridPoint{d * p.Shift, b * p.Between, -d*d/2 - b*b/2}
			for k := range outcomes {
				g.log += outcomes[k].logLikelihood(g.shift, g.tau, own)
			}
			grid, best = append(grid, g), max(best, g.log)
		}
	}
	var weight, mean, square, between float64
	for _, g := range grid {
		w := math.Exp(g.log - best)
		weight, mean, square = weight+w, mean+w*g.shift, square+w*g.shift*g.shift
		between += w * g.tau * g.tau
	}
	mean /= weight
	return Trust{Shift: mean, SD: math.Sqrt(math.Max(square/weight-mean*mean, 0) + between/weight)}
}

// Before is what is thought of a chance before any outcome.
func (p TrustPrior) Before() Trust {
	return Trust{SD: math.Hypot(p.Shift, p.Between), Contrary: p.Contrary}
}

// logLikelihood of an outcome relative to that of no crossing at all, the binomial coefficient left out.
func (o *Outcome) logLikelihood(shift, tau float64, own []float64) float64 {
	sum, n := 0.0, 0.0
	step := max(1, len(o.Draws)/chanceStrata)
	for i := step / 2; i < len(o.Draws); i += step {
		p := math.Min(math.Max(o.Draws[i], leastChance), 1-leastChance)
		for _, z := range own {
			q := 1 / (1 + math.Exp(-shift-tau*z)*(1-p)/p)
			sum += math.Exp(float64(o.Crossed)*math.Log(q) + float64(o.Pulls-o.Crossed)*math.Log1p(-q))
			n++
		}
	}
	return math.Log(math.Max(sum/n, math.SmallestNonzeroFloat64))
}

// leastChance is what a chance of 0 counts as where outcomes are held against it: a crossing then says that what was
// called certain was not, which Trust.Contrary learns, and does not make every shift unlikely.
const leastChance = 1e-4

// Mean of the share.
func (b Beta) Mean() float64 {
	if b.Of == 0 {
		return 0
	}
	return distuv.Beta{Alpha: b.Seen, Beta: b.Of - b.Seen}.Mean()
}
