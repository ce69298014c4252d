package envelope

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"headroom/models/value"

	"gonum.org/v1/gonum/stat/distuv"
)

// Status of a Limit.
const (
	StatusAssessed      = "assessed"
	StatusNotEnoughCars = "not_enough_cars"
)

// Methods of a Limit.
const (
	MethodNoncentralT      = "one pull a car: exact non-central t"
	MethodGeneralised      = "one-way random effects: generalised confidence limit"
	MethodDistributionFree = "distribution-free: order statistic over cars"
	MethodExtreme          = "most extreme value seen: shape not normal, too few cars for a distribution-free limit"
	MethodNone             = "none"

	// of Shown alone
	MethodPrediction = "distribution-free prediction limit: every car counts once"
	MethodSeen       = "most extreme value seen: the tolerance limit lies past it"
)

// fewestCars is the number of cars below which no limit is given, fewCars the number below which it comes with a
// warning; dominantShare is the share of all pulls that makes one car stand out. Common practice, no source.
const (
	fewestCars    = 3
	fewCars       = 10
	dominantShare = 0.5
)

// Limit is a one-sided tolerance limit for one pull of a car that has not been seen, in the metric's unit.
type Limit struct {
	Status     string
	Value      float64 // NaN unless Status is assessed
	Mean       float64 // generalised least squares at the REML variances
	BetweenSD  float64 // REML; NaN where the data cannot tell it (one car, one pull a car)
	WithinSD   float64 // REML; NaN where the data cannot tell it (one pull a car)
	TotalSD    float64 // of one pull of an unseen car; NaN with one car
	Cars       int
	Pulls      int
	CarsNeeded int // more cars it takes before a limit is given; 0 when assessed

	// Side information that needs no shape: the limit by order statistics over cars, and how many cars it takes.
	DistributionFree     float64 // NaN when there are fewer cars than DistributionFreeCars
	DistributionFreeCars int
	Extreme              float64 // most extreme value seen on that side

	// The value that the next pull of a car not seen stays inside with probability content, whatever the shape, see
	// predictionLimit. It promises less than a tolerance limit and takes fewer cars.
	Prediction     float64 // NaN when there are fewer cars than PredictionCars
	PredictionCars int

	// What has been run: of Value, Prediction and Extreme the one nearest the middle, so that nothing is called shown
	// that no pull has shown. NaN unless Status is assessed. It promises no content: few cars make it narrow.
	Shown   float64
	ShownBy string // its method

	Method   string // of Value
	Warnings []string
}

// Upper is the value that content of pulls on unseen cars stay below, with the given confidence.
//
// Errors: shares outside (0, 1), or an empty summary.
func (s *Summary) Upper(content, confidence float64) (Limit, error) {
	return s.limit(content, confidence, 1)
}

// Lower is the value that content of pulls on unseen cars stay above, with the given confidence.
//
// Errors: as Upper.
func (s *Summary) Lower(content, confidence float64) (Limit, error) {
	return s.limit(content, confidence, -1)
}

func (s *Summary) limit(content, confidence, sign float64) (Limit, error) {
	out, err := s.tolerance(content, confidence, sign)
	if err != nil || out.Status != StatusAssessed {
		return out, err
	}
	out.Shown, out.ShownBy = out.Value, out.Method
	out.nearer(out.Prediction, MethodPrediction, sign)
	out.nearer(out.Extreme, MethodSeen, sign)
	return out, nil
}

// nearer takes a limit for what has been run where it is known and nearer the middle.
func (out *Limit) nearer(limit float64, method string, sign float64) {
	if sign*limit < sign*out.Shown {
		out.Shown, out.ShownBy = limit, method
	}
}

// tolerance is the limit without what has been run.
func (s *Summary) tolerance(content, confidence, sign float64) (Limit, error) {
	free, err := CarsForDistributionFree(content, confidence)
	if err != nil {
		return Limit{}, err
	}
	predictable, err := CarsForPrediction(content)
	if err != nil {
		return Limit{}, err
	}
	cars := s.Moments()
	if len(cars) == 0 {
		return Limit{}, errors.New("envelope: no pulls: there is nothing to take a limit of")
	}
	l := newLayout(cars, sign)
	c := l.reml()
	extremes := extremesByCar(cars, sign)
	out := Limit{
		Status: StatusAssessed, Value: math.NaN(), Mean: sign * c.mean, Cars: l.cars, Pulls: l.pulls,
		BetweenSD: math.Sqrt(c.betweenVar), WithinSD: math.Sqrt(c.withinVar),
		TotalSD:          math.Sqrt(c.betweenVar + c.withinVar),
		DistributionFree: math.NaN(), DistributionFreeCars: free, Extreme: sign * extremes[0], Method: MethodNone,
		Prediction: predictionLimit(cars, content, sign), PredictionCars: predictable,
		Shown: math.NaN(), ShownBy: MethodNone,
	}
	if l.onePull() {
		out.BetweenSD, out.WithinSD = math.NaN(), math.NaN()
	}
	if l.cars == 1 {
		out.BetweenSD, out.TotalSD = math.NaN(), math.NaN()
	}
	if l.cars >= free {
		out.DistributionFree = sign * extremes[orderStatistic(l.cars, content, confidence)-1]
	}
	if l.cars < fewestCars {
		out.Status, out.CarsNeeded = StatusNotEnoughCars, fewestCars-l.cars
		out.warn("%d cars: not enough for a limit, %d more needed, and %d more for one that assumes no shape",
			l.cars, out.CarsNeeded, free-l.cars)
		return out, nil
	}
	out.describe(l, cars, c)
	if c.betweenVar+c.withinVar == 0 {
		out.Value, out.Method = out.Mean, MethodGeneralised
		out.warn("every value is the same: the spread cannot be told")
		return out, nil
	}
	value, err := l.upper(content, confidence)
	if err != nil {
		return Limit{}, err
	}
	out.Value, out.Method = sign*value, MethodGeneralised
	if l.onePull() {
		out.Method = MethodNoncentralT
	}
	out.checkShape(l, cars, c, sign)
	return out, nil
}

// describe warns of layouts that make a limit weak.
func (out *Limit) describe(l layout, cars []CarMoments, c components) {
	if l.cars < fewCars {
		out.warn("the limit rests on %d cars and on a normal shape between cars", l.cars)
	}
	if l.onePull() {
		out.warn("one pull a car: deviation between and within cars cannot be told apart")
	} else if c.betweenVar == 0 {
		out.warn("the variance between cars is estimated as 0")
	}
	if !l.onePull() && l.within == 0 {
		out.warn("values repeat exactly inside every car: the deviation within cars is below the log's resolution")
	}
	for _, car := range cars {
		if float64(car.Pulls) > dominantShare*float64(l.pulls) {
			out.warn("car %q has %d of %d pulls: it counts as one car", car.ID, car.Pulls, l.pulls)
		}
	}
}

// checkShape falls back where the car means are plainly not normal.
func (out *Limit) checkShape(l layout, cars []CarMoments, c components, sign float64) {
	z := make([]float64, len(cars))
	for i, car := range cars {
		z[i] = (car.Mean - out.Mean) / math.Sqrt(c.betweenVar+c.withinVar/float64(car.Pulls))
	}
	if !notNormal(z) {
		return
	}
	if !math.IsNaN(out.DistributionFree) {
		out.Value, out.Method = out.DistributionFree, MethodDistributionFree
		out.warn("the car means are not normal (Anderson-Darling, 1 %% level): the distribution-free limit is used")
		return
	}
	out.warn("the car means are not normal (Anderson-Darling, 1 %% level) and a limit that assumes no shape takes %d "+
		"more cars: read the limit as a guess",
		out.DistributionFreeCars-l.cars)
	if sign*out.Extreme > sign*out.Value {
		out.Value, out.Method = out.Extreme, MethodExtreme
	}
}

func (out *Limit) warn(format string, args ...any) {
	out.Warnings = append(out.Warnings, fmt.Sprintf(format, args...))
}

// upper is the tolerance limit under the model.
func (l layout) upper(content, confidence float64) (float64, error) {
	if l.onePull() {
		k, err := ToleranceFactor(l.cars, content, confidence)
		if err != nil {
			return 0, err
		}
		c := l.reml()
		return c.mean + k*math.Sqrt(c.betweenVar), nil
	}
	z := normal.Quantile(content)
	pivots := l.pivots()
	cdf := func(t float64) float64 {
		sum := 0.0
		for _, p := range pivots {
			sum += p.weight * value.NormalCDF((t-p.mean-z*p.totalSD)/p.meanSD)
		}
		return sum
	}
	c := l.reml()
	sd := math.Sqrt(c.betweenVar + c.withinVar)
	t, ok := quantile(cdf, confidence, c.mean-l.origin+z*sd, sd)
	if !ok {
		return 0, fmt.Errorf("envelope: no limit found for content %g with confidence %g from %d cars", content,
			confidence, l.cars)
	}
	return l.origin + t, nil
}

// pivot is the generalised pivotal quantity at one quadrature node: given the node, T = mean + Z·meanSD + z·totalSD
// with Z standard normal.
type pivot struct {
	weight, mean, meanSD, totalSD float64
}

// Quadrature nodes over the chi variables between and within cars. Against the non-central t they give the factor to
// five figures from 3 cars on, see the tests.
const (
	betweenNodes = 64
	withinNodes  = 20
)

// pivots are the nodes of the generalised pivotal quantity. With U_e ~ χ²(N−k) and U_b ~ χ²(k−1),
//
//	σ_e² = SS_within/U_e,  σ_b² solves Σ (ȳ_i − ȳ)²/(σ_b² + σ_e²/n_i) = U_b,  ȳ weighted likewise,
//
// which is exact for σ_b² given σ_e² in an unbalanced layout (the idea of Liao, Lin and Iyer 2005; equation numbers
// not looked up). In the total σ_b² + σ_e² a negative root stands, as in the balanced case of Krishnamoorthy and
// Mathew 2004, where the total is SS_between/U_b + (1 − 1/n)SS_within/U_e; for the mean it counts as zero. Cutting it
// at zero in both holds as well and is wider, most so with few pulls a car and little variance between cars.
func (l layout) pivots() []pivot {
	xb, wb := chiNodes(float64(l.cars-1), betweenNodes)
	xe, we := []float64{1}, []float64{1}
	if l.within > 0 {
		xe, we = chiNodes(float64(l.pulls-l.cars), withinNodes)
	}
	const negligible = 1e-13
	out := make([]pivot, 0, len(xb)*len(xe))
	for j := range xe {
		if we[j] < negligible {
			continue
		}
		ratio := 0.0
		for i := len(xb) - 1; i >= 0; i-- { // from large U_b: ρ rises, and the last ρ is a start from below
			if wb[i]*we[j] < negligible {
				continue
			}
			p := pivot{weight: wb[i] * we[j]}
			if l.within == 0 {
				c := l.reml()
				v := c.betweenVar * float64(l.cars-1) / (xb[i] * xb[i])
				p.mean, p.meanSD, p.totalSD = c.mean-l.origin, math.Sqrt(v/float64(l.cars)), math.Sqrt(v)
			} else {
				withinVar := l.within / (xe[j] * xe[j])
				ratio = l.ratioFor(xb[i]*xb[i]*withinVar, ratio)
				mean, weight, _, _ := l.between(math.Max(0, ratio))
				p.mean, p.meanSD, p.totalSD = mean, math.Sqrt(withinVar/weight), math.Sqrt(withinVar*(1+ratio))
			}
			out = append(out, p)
		}
	}
	return out
}

// extremesByCar is the most extreme mirrored value of each car, largest first.
func extremesByCar(cars []CarMoments, sign float64) []float64 {
	x := make([]float64, len(cars))
	for i, c := range cars {
		x[i] = math.Max(sign*c.Min(), sign*c.Max())
	}
	sort.Sort(sort.Reverse(sort.Float64Slice(x)))
	return x
}

// orderStatistic is the largest j for which the j-th largest of n values, one a car, is at or above the content
// quantile with the confidence: P(Binomial(n, 1−content) ≥ j) ≥ confidence (Wilks 1941). The most extreme pull of
// each car is at least any one pull of it, so using it is conservative. n must be enough for j = 1.
func orderStatistic(n int, content, confidence float64) int {
	b := distuv.Binomial{N: float64(n), P: 1 - content}
	j := 1
	for j < n && 1-b.CDF(float64(j)) >= confidence {
		j++
	}
	return j
}
