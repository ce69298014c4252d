package lifetime

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// Observation is one car's time under observation, in any unit of exposure (days, kilometres, pulls, hours at load).
// It is at risk from just after Entry up to and including Exit; Entry above zero is a car that came under observation
// late (left truncation).
type Observation struct {
	Entry, Exit float64
	Failed      bool // at Exit; otherwise still running when last seen
}

func (o Observation) check() error {
	if !(o.Entry >= 0) || !(o.Exit > o.Entry) || math.IsInf(o.Exit, 0) {
		return fmt.Errorf("lifetime: observed from %g to %g: entry must be 0 or later and exit after it", o.Entry,
			o.Exit)
	}
	return nil
}

// CurvePoint is the survival curve from Time on, up to the next point.
type CurvePoint struct {
	Time      float64
	AtRisk    int // just before Time
	Failures  int // at Time
	Censored  int // last seen running at Time
	Survival  float64
	SE        float64 // Greenwood; 0 until the first failure and once Survival is 0, see Low and High
	Low, High float64 // pointwise two-sided
}

// Curve is a Kaplan–Meier estimate.
type Curve struct {
	Points     []CurvePoint // at each distinct exit, ascending
	Confidence float64
	Cars       int
	Failures   int
	Warnings   []Warning
}

// Warning is something that makes a curve say less than it seems to.
type Warning string

// Warnings of a Curve.
const (
	// NoFailures: the curve stays at 1 and only its lower bound says anything.
	NoFailures Warning = "no_failures"
	// AllAtRiskFailed: every car at risk failed before the last exit; with few cars at risk that early the curve stays
	// at 0 whatever comes later.
	AllAtRiskFailed Warning = "all_at_risk_failed"
)

// KaplanMeier estimates the share of cars still running over time (Kaplan and Meier 1958) with Greenwood's variance and
// pointwise bands symmetric in ln(−ln S) (Kalbfleisch and Prentice, The Statistical Analysis of Failure Time Data,
// 1980, ch. 1). Those bands have no width at S = 1: until the first failure Low is the exact binomial bound of the cars
// still at risk. At S = 0 High stays where it was. A failure and a loss at the same time count the failure first.
//
// Errors: no observations, an observation with exit not after entry, confidence outside (0, 1).
func KaplanMeier(cars []Observation, confidence float64) (*Curve, error) {
	if err := checkConfidence(confidence); err != nil {
		return nil, err
	}
	if len(cars) == 0 {
		return nil, errors.New("lifetime: no cars: there is no survival to estimate")
	}
	for i, o := range cars {
		if err := o.check(); err != nil {
			return nil, fmt.Errorf("car %d: %w", i, err)
		}
	}
	c := &Curve{Confidence: confidence, Cars: len(cars)}
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	survival, greenwood, high := 1.0, 0.0, 1.0
	for _, t := range exits(cars) {
		p := CurvePoint{Time: t}
		p.AtRisk, p.Failures = riskAndFailures(cars, t)
		for _, o := range cars {
			if o.Exit == t && !o.Failed {
				p.Censored++
			}
		}
		c.Failures += p.Failures
		n, d := float64(p.AtRisk), float64(p.Failures)
		survival *= (n - d) / n
		if d > 0 && d < n {
			greenwood += d / (n * (n - d))
		}
		p.Survival = survival
		switch {
		case survival == 1:
			upper, err := ShareUpper(0, p.AtRisk, (1+confidence)/2)
			if err != nil {
				return nil, err
			}
			p.Low, p.High = 1-upper, 1
		case survival == 0:
			p.Low, p.High = 0, high
			if p.Failures > 0 && p.AtRisk < len(cars) && t < lastExit(cars) {
				c.Warnings = append(c.Warnings, AllAtRiskFailed)
			}
		default:
			p.SE = survival * math.Sqrt(greenwood)
			half := z * math.Sqrt(greenwood) / math.Abs(math.Log(survival))
			p.Low = math.Pow(survival, math.Exp(half))
			p.High = math.Pow(survival, math.Exp(-half))
		}
		high = p.High
		c.Points = append(c.Points, p)
	}
	if c.Failures == 0 {
		c.Warnings = append(c.Warnings, NoFailures)
	}
	return c, nil
}

// At returns the curve at time t. ok is false before time zero and past the last exit: nothing was observed there, and
// the curve is not extended.
func (c *Curve) At(t float64) (p CurvePoint, ok bool) {
	if !(t >= 0) || len(c.Points) == 0 || t > c.Points[len(c.Points)-1].Time {
		return CurvePoint{}, false
	}
	i := sort.Search(len(c.Points), func(i int) bool { return c.Points[i].Time > t })
	if i == 0 {
		first := c.Points[0]
		return CurvePoint{Time: t, AtRisk: first.AtRisk, Survival: 1, Low: c.unfailedLow(first.AtRisk), High: 1}, true
	}
	return c.Points[i-1], true
}

func (c *Curve) unfailedLow(atRisk int) float64 {
	upper, err := ShareUpper(0, atRisk, (1+c.Confidence)/2)
	if err != nil {
		return 0
	}
	return 1 - upper
}

// Quantile returns the first time by which at least share of the cars have failed; ok is false when the curve does not
// come down that far.
func (c *Curve) Quantile(share float64) (t float64, ok bool) {
	const rounding = 1e-12 // products such as (3/4)(2/3) miss 1/2 by the last digit
	for _, p := range c.Points {
		if p.Failures > 0 && 1-p.Survival >= share-rounding {
			return p.Time, true
		}
	}
	return 0, false
}

// exits returns the distinct exit times, ascending.
func exits(cars []Observation) []float64 {
	times := make([]float64, len(cars))
	for i, o := range cars {
		times[i] = o.Exit
	}
	slices.Sort(times)
	return slices.Compact(times)
}

func riskAndFailures(cars []Observation, t float64) (atRisk, failures int) {
	for _, o := range cars {
		if o.Entry < t && t <= o.Exit {
			atRisk++
			if o.Failed && o.Exit == t {
				failures++
			}
		}
	}
	return atRisk, failures
}

func lastExit(cars []Observation) float64 {
	last := 0.0
	for _, o := range cars {
		last = math.Max(last, o.Exit)
	}
	return last
}
