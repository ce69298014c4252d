// Package thermal answers: how much hotter does the exhaust get when the calibration changes, how does the charge warm
// over a pull and cool after it, and where are coolant and oil heading?
//
// The exhaust's level comes from logs; only its change comes from the cycle model (later burn hotter, richer cooler).
// Heat soak and recovery are first-order (lumped capacity: Incropera and DeWitt, Fundamentals of Heat and Mass
// Transfer, section 5.1), fitted by separable least squares (Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973).
// Coolant and oil trends are the median of pairwise slopes (Theil 1950; Sen, JASA 63, 1968), which a few stray samples
// cannot turn. Temperatures in K or °C as the caller likes, since only differences enter; time in s.
package thermal

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"headroom/models/bound"
	"headroom/models/cycle"
)

// ExhaustChange returns by how many K the gas leaving the cylinder warms from one state of an engine to another, from
// the cycle model.
func ExhaustChange(e *cycle.Engine, from, to cycle.State) (float64, error) {
	a, err := e.Run(from)
	if err != nil {
		return 0, fmt.Errorf("exhaust temperature before the change: %w", err)
	}
	b, err := e.Run(to)
	if err != nil {
		return 0, fmt.Errorf("exhaust temperature after the change: %w", err)
	}
	return b.ExhaustTemperature - a.ExhaustTemperature, nil
}

// FirstOrder is a first-order response: T(t) = Final + (Start − Final)·exp(−t/TimeConstant).
type FirstOrder struct {
	Start, Final float64 // temperature at t = 0 and after a long time
	TimeConstant float64 // s
	ResidualSD   float64 // scatter of the samples about the curve, K
	Samples      int
	// Determined is false where the samples span too little of the response to tell Final from TimeConstant: the curve
	// then holds inside the samples and must not be carried beyond them.
	Determined bool
}

// ErrTooFew is returned where there are too few samples for a fit.
var ErrTooFew = errors.New("too few samples")

// Fit returns the first-order response nearest to samples in the least-squares sense. Times must rise strictly and all
// values be finite; at least 4 samples. Time constants from a fiftieth to twenty times the span are searched.
func Fit(time, temperature []float64) (FirstOrder, error) {
	if err := checkSeries(time, temperature, 4); err != nil {
		return FirstOrder{}, err
	}
	span := time[len(time)-1] - time[0]
	low, high := math.Log(span/50), math.Log(span*20)
	cost := func(logTau float64) float64 {
		_, _, ss := exponentialFit(time, temperature, math.Exp(logTau))
		return ss
	}
	best, bestCost := low, math.Inf(1)
	const grid = 60
	width := (high - low) / grid
	for i := range grid + 1 {
		if x := low + float64(i)*width; cost(x) < bestCost {
			best, bestCost = x, cost(x)
		}
	}
	logTau := goldenSection(cost, max(low, best-width), min(high, best+width))
	tau := math.Exp(logTau)
	start, final, ss := exponentialFit(time, temperature, tau)
	f := FirstOrder{Start: start, Final: final, TimeConstant: tau, Samples: len(time)}
	f.ResidualSD = math.Sqrt(ss / math.Max(1, float64(len(time)-3)))
	f.Determined = tau < 2*span && tau > span/45 && math.Abs(final-start) > 3*f.ResidualSD
	return f, nil
}

// exponentialFit is the linear half of Fit: the best start and final for a time constant, and the squares left.
func exponentialFit(time, temperature []float64, tau float64) (start, final, ss float64) {
	var se, see, sy, sey float64
	n := float64(len(time))
	t0 := time[0]
	for i, t := range time {
		e := math.Exp(-(t - t0) / tau)
		se += e
		see += e * e
		sy += temperature[i]
		sey += e * temperature[i]
	}
	det := n*see - se*se
	if !(det > 1e-14*n*see) { // no response left to see: a constant
		mean := sy / n
		for _, y := range temperature {
			ss += (y - mean) * (y - mean)
		}
		return mean, mean, ss
	}
	slope := (n*sey - se*sy) / det
	final = (sy - slope*se) / n
	for i, t := range time {
		d := temperature[i] - final - slope*math.Exp(-(t-t0)/tau)
		ss += d * d
	}
	return final + slope, final, ss
}

// goldenSection returns where f is least in [a, b] (Press and others, Numerical Recipes, section 10.2).
func goldenSection(f func(float64) float64, a, b float64) float64 {
	const ratio = 0.6180339887498949
	x1, x2 := b-ratio*(b-a), a+ratio*(b-a)
	y1, y2 := f(x1), f(x2)
	for range 40 {
		if y1 < y2 {
			b, x2, y2 = x2, x1, y1
			x1 = b - ratio*(b-a)
			y1 = f(x1)
		} else {
			a, x1, y1 = x1, x2, y2
			x2 = a + ratio*(b-a)
			y2 = f(x2)
		}
	}
	return (a + b) / 2
}

// At returns the temperature t seconds (0 or more) after the start.
func (f FirstOrder) At(t float64) float64 {
	return f.Final + (f.Start-f.Final)*math.Exp(-t/f.TimeConstant)
}

// TimeTo returns how many seconds the response takes from its start to within tolerance (K, positive) of its final
// value: τ·ln(|start − final|/tolerance), and 0 when it starts there.
func (f FirstOrder) TimeTo(tolerance float64) (float64, error) {
	if err := bound.First(bound.Positive("tolerance", tolerance, "K"), bound.Positive("time constant", f.TimeConstant,
		"s")); err != nil {
		return 0, err
	}
	return f.TimeConstant * max(0, math.Log(math.Abs(f.Start-f.Final)/tolerance)), nil
}

// Rise is how a temperature moved over one pull.
type Rise struct {
	Start, Largest, End float64
	Rise                float64 // Largest − Start
	Rate                float64 // K/s, median of pairwise slopes
	Seconds             float64
}

// PullRise returns how a temperature moved over one pull: at least 2 samples, times rising strictly.
func PullRise(time, temperature []float64) (Rise, error) {
	rate, err := Trend(time, temperature)
	if err != nil {
		return Rise{}, err
	}
	n := len(time)
	r := Rise{Start: temperature[0], Largest: slices.Max(temperature), End: temperature[n-1], Rate: rate,
		Seconds: time[n-1] - time[0]}
	r.Rise = r.Largest - r.Start
	return r, nil
}

// maxPairPoints bounds the points that Trend pairs: beyond it, evenly spaced points stand for all.
const maxPairPoints = 400

// Trend returns the slope of a temperature in K/s: the median of the slopes of all pairs (Sen, JASA 63, 1968), of at
// most 400 evenly chosen samples. At least 2 samples, times rising strictly.
func Trend(time, temperature []float64) (float64, error) {
	if err := checkSeries(time, temperature, 2); err != nil {
		return 0, err
	}
	n := len(time)
	pick := make([]int, min(n, maxPairPoints))
	for i := range pick {
		pick[i] = i * (n - 1) / max(1, len(pick)-1)
	}
	slopes := make([]float64, 0, len(pick)*(len(pick)-1)/2)
	for a, i := range pick {
		for _, j := range pick[a+1:] {
			slopes = append(slopes, (temperature[j]-temperature[i])/(time[j]-time[i]))
		}
	}
	slices.Sort(slopes)
	m := len(slopes)
	return (slopes[(m-1)/2] + slopes[m/2]) / 2, nil
}

// TimeToLimit returns how many seconds a temperature moving at a rate in K/s (as from Trend) takes to a limit. reached
// is false where it moves away or stands still: it never gets there. At or beyond the limit the time is 0.
func TimeToLimit(now, rate, limit float64) (seconds float64, reached bool, err error) {
	err = bound.First(
		bound.Check("temperature", now, -100, 3000, "°"),
		bound.Check("temperature rate", rate, -1e4, 1e4, "K/s"),
		bound.Check("temperature limit", limit, -100, 3000, "°"),
	)
	switch {
	case err != nil:
		return 0, false, err
	case now >= limit:
		return 0, true, nil
	case rate <= 0:
		return 0, false, nil
	}
	return (limit - now) / rate, true, nil
}

func checkSeries(time, temperature []float64, least int) error {
	if len(time) != len(temperature) {
		return fmt.Errorf("%d times and %d temperatures: as many of each are needed", len(time), len(temperature))
	}
	if len(time) < least {
		return fmt.Errorf("%w: %d, at least %d are needed", ErrTooFew, len(time), least)
	}
	for i := range time {
		if err := bound.First(bound.Check("time", time[i], -1e12, 1e12, "s"), bound.Check("temperature", temperature[i],
			-300, 5000, "°")); err != nil {
			return fmt.Errorf("sample %d: %w", i+1, err)
		}
		if i > 0 && time[i] <= time[i-1] {
			return fmt.Errorf("sample %d: time %g s does not rise above %g s", i+1, time[i], time[i-1])
		}
	}
	return nil
}
