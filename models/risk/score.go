package risk

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"headroom/models/value"
)

// Forecast is one stated probability and what came of it: of Pulls pulls, Crossed crossed the limit.
type Forecast struct {
	Probability float64 // that a pull crosses, 0–1
	Pulls       int     // 1 or more
	Crossed     int     // 0…Pulls
}

// check names the first forecast that cannot be scored.
func check(forecasts []Forecast) error {
	if len(forecasts) == 0 {
		return errors.New("no forecast: nothing to score")
	}
	for i, f := range forecasts {
		if !(f.Probability >= 0 && f.Probability <= 1) {
			return fmt.Errorf("forecast %d states a probability of %g: give 0 to 1", i, f.Probability)
		}
		if f.Pulls < 1 || f.Crossed < 0 || f.Crossed > f.Pulls {
			return fmt.Errorf("forecast %d: %d of %d pulls crossed: give at least one pull and no more crossings "+
				"than pulls", i, f.Crossed, f.Pulls)
		}
	}
	return nil
}

// SquaredError is the sum over the forecast's pulls of the squared difference between the stated probability and what
// happened (1 crossed, 0 not).
func (f Forecast) SquaredError() float64 {
	q := 1 - f.Probability
	return float64(f.Crossed)*q*q + float64(f.Pulls-f.Crossed)*f.Probability*f.Probability
}

// Brier is the mean squared error over all pulls, 0 (certain and right) to 1 (certain and wrong); always stating one
// half gives 0.25. It is Brier's score (Monthly Weather Review 78, 1950) for one of the two outcomes, half of his sum
// over both. Errors: no forecast, or one that cannot be scored.
func Brier(forecasts []Forecast) (float64, error) {
	if err := check(forecasts); err != nil {
		return 0, err
	}
	sum, pulls := 0.0, 0
	for _, f := range forecasts {
		sum += f.SquaredError()
		pulls += f.Pulls
	}
	return sum / float64(pulls), nil
}

// LogScore is the mean over all pulls of −ln of the probability stated for what happened, in nats, 0 or more, smaller
// is better (Good, J. Roy. Statist. Soc. B 14, 1952; Gneiting & Raftery, J. Amer. Statist. Assoc. 102, 2007, section
// 3). A probability nearer to 0 or 1 than floor counts as floor away from it, because one surprise after a stated zero
// would otherwise make every score infinite. Errors: as Brier, floor outside (0, ½).
func LogScore(forecasts []Forecast, floor float64) (float64, error) {
	if !(floor > 0 && floor < 0.5) {
		return 0, fmt.Errorf("floor %g: give a small probability such as 0.001", floor)
	}
	if err := check(forecasts); err != nil {
		return 0, err
	}
	sum, pulls := 0.0, 0
	for _, f := range forecasts {
		p := math.Min(math.Max(f.Probability, floor), 1-floor)
		sum -= float64(f.Crossed)*math.Log(p) + float64(f.Pulls-f.Crossed)*math.Log1p(-p)
		pulls += f.Pulls
	}
	return sum / float64(pulls), nil
}

// Skill is 1 − loss/reference: 1 is perfect, 0 no better than the reference, below 0 worse (Wilks, Statistical
// Methods in the Atmospheric Sciences, chapter on forecast verification). Errors: a negative loss, a reference that is
// not positive, because a reference without error cannot be improved on.
func Skill(loss, reference float64) (float64, error) {
	if !(loss >= 0) || math.IsInf(loss, 0) || !(reference > 0) || math.IsInf(reference, 0) {
		return 0, fmt.Errorf("skill of a loss of %g against a reference of %g: both must be finite, the reference "+
			"above zero", loss, reference)
	}
	return 1 - loss/reference, nil
}

// SkillInterval is the 5 and 95 % quantiles of 1 − Σloss/Σreference over resamples of whole groups (the percentile
// bootstrap of Efron, Annals of Statistics 7, 1979; whole groups because what stands or falls together must be drawn
// together: Davison & Hinkley, Bootstrap Methods and their Application, 1997, section 3.8). loss and reference hold one
// sum a group. Resamples whose reference is zero say nothing and are left out. Errors: fewer than two groups or draws,
// lists of different length, a sum that is negative or not finite, no resample with a reference above zero.
func SkillInterval(loss, reference []float64, draws int, rng *rand.Rand) (low, high float64, err error) {
	if len(loss) != len(reference) || len(loss) < 2 || draws < 2 {
		return 0, 0, fmt.Errorf("%d and %d groups, %d draws: give two or more of each, and as many losses as "+
			"references", len(loss), len(reference), draws)
	}
	for i := range loss {
		if !value.AllKnown(loss[i], reference[i]) || loss[i] < 0 || reference[i] < 0 {
			return 0, 0, fmt.Errorf("group %d: loss %g, reference %g: both must be finite and not negative", i, loss[i],
				reference[i])
		}
	}
	var values []float64
	for range draws {
		sum, base := 0.0, 0.0
		for range loss {
			i := rng.IntN(len(loss))
			sum += loss[i]
			base += reference[i]
		}
		if base > 0 {
			values = append(values, 1-sum/base)
		}
	}
	if len(values) < 2 {
		return 0, 0, errors.New("the reference has no error in any resample: skill is not defined")
	}
	low, high = band(values)
	return low, high, nil
}

// Bin is the forecasts whose probability lies in [From, To); the last bin holds its upper edge too.
type Bin struct {
	From, To  float64
	Mean      float64 // stated probability, mean over the pulls
	Share     float64 // of the pulls that crossed
	Forecasts int
	Pulls     int
	Crossed   int
}

// Reliability sorts forecasts into bins between edges (strictly increasing, from 0 to 1) and sets what was stated
// beside what happened (Murphy, J. Applied Meteorology 12, 1973; Bröcker & Smith, Weather and Forecasting 22, 2007).
// Bins without a forecast are left out. Errors: as Brier, edges that do not rise from 0 to 1.
func Reliability(forecasts []Forecast, edges []float64) ([]Bin, error) {
	if err := check(forecasts); err != nil {
		return nil, err
	}
	n := len(edges) - 1
	if n < 1 || edges[0] != 0 || edges[n] != 1 {
		return nil, fmt.Errorf("edges %v: give two or more, from 0 to 1", edges)
	}
	bins := make([]Bin, n)
	for i := range bins {
		if !(edges[i] < edges[i+1]) {
			return nil, fmt.Errorf("edges %v do not rise", edges)
		}
		bins[i].From, bins[i].To = edges[i], edges[i+1]
	}
	for _, f := range forecasts {
		i := 0
		for i < n-1 && f.Probability >= edges[i+1] {
			i++
		}
		b := &bins[i]
		b.Mean += f.Probability * float64(f.Pulls)
		b.Forecasts++
		b.Pulls += f.Pulls
		b.Crossed += f.Crossed
	}
	out := []Bin{}
	for _, b := range bins {
		if b.Pulls > 0 {
			b.Mean /= float64(b.Pulls)
			b.Share = float64(b.Crossed) / float64(b.Pulls)
			out = append(out, b)
		}
	}
	return out, nil
}

// CalibrationError is the expected calibration error of bins: the mean over all pulls of the distance between what was
// stated and what happened in the pull's bin, 0–1 (Naeini, Cooper & Hauskrecht, AAAI Conference 2015). With few pulls
// a bin it is above zero even for perfect forecasts. NaN without a pull.
func CalibrationError(bins []Bin) float64 {
	sum, pulls := 0.0, 0
	for _, b := range bins {
		sum += float64(b.Pulls) * math.Abs(b.Mean-b.Share)
		pulls += b.Pulls
	}
	return sum / float64(pulls)
}

// CountBand is the predicted 90 % band of a number of crossings.
type CountBand struct {
	Low, High int     // Low…High, both inside
	Holds     float64 // probability that the band holds the count: 0.90 or more, because counts are whole numbers
}

// Holding reports whether the band holds a count.
func (b CountBand) Holding(count int) bool { return count >= b.Low && count <= b.High }

// CrossingBand is where the number of crossings in pulls pulls lies with probability 0.90 when the probability of a
// crossing is not known exactly: draws are equally likely values of it (Result.Draws). The count then follows the
// mixture of the binomial distributions of the draws (the posterior predictive distribution: Gelman and others,
// Bayesian Data Analysis, section 1.3), so the band allows both for what is not known and for the chance in a few
// pulls. It runs from the 5 to the 95 % quantile. Errors: no draw, a draw that is not a probability, no pull.
func CrossingBand(draws []float64, pulls int) (CountBand, error) {
	if len(draws) == 0 || pulls < 1 {
		return CountBand{}, fmt.Errorf("%d draws and %d pulls: give at least one of each", len(draws), pulls)
	}
	mass := make([]float64, pulls+1)
	for i, p := range draws {
		if !(p >= 0 && p <= 1) {
			return CountBand{}, fmt.Errorf("draw %d is %g: give a probability", i, p)
		}
		for k := range mass {
			mass[k] += binomial(pulls, k, p) / float64(len(draws))
		}
	}
	b := CountBand{Low: -1, High: pulls}
	sum := 0.0
	for k, m := range mass {
		below := sum
		sum += m
		if b.Low < 0 && sum > 0.05 {
			b.Low = k
			b.Holds = -below
		}
		if sum >= 0.95-rounding {
			b.High = k
			b.Holds = math.Min(b.Holds+sum, 1)
			break
		}
	}
	return b, nil
}

// rounding is what sums of probabilities may lack by floating-point arithmetic.
const rounding = 1e-12

// binomial is the probability of k crossings in n pulls.
func binomial(n, k int, p float64) float64 {
	switch {
	case p == 0 && k == 0, p == 1 && k == n:
		return 1
	case p == 0, p == 1:
		return 0
	}
	return distuv.Binomial{N: float64(n), P: p}.Prob(float64(k))
}
