// Package thermal answers: where is a temperature heading that lags behind its cause, and how fast does it get there?
//
// Heat soak, recovery and a thermocouple's reading are first-order responses of a lumped capacity (Incropera and
// DeWitt, Fundamentals of Heat and Mass Transfer, section 5.1). Fit takes one from samples by separable least squares
// (Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973) and says whether the samples tell its end from its time constant.
// Temperatures in K or °C as the caller likes, since only differences enter; time in s.
package thermal

import (
	"errors"
	"fmt"
	"math"

	"headroom/models/bound"
)

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

// Points of a search grid over ln of the time constant, and where the search stops.
const (
	grid            = 60
	logTauTolerance = 1e-8
)

// ErrTooFew is returned where there are too few samples for a fit.
var ErrTooFew = errors.New("too few samples")

// Fit returns the first-order response nearest to samples in the least-squares sense. Times must rise strictly and all
// values be finite; at least 4 samples. Time constants from a fiftieth to twenty times the span are searched.
func Fit(time, temperature []float64) (FirstOrder, error) {
	if err := checkSeries(time, temperature); err != nil {
		return FirstOrder{}, err
	}
	span := time[len(time)-1] - time[0]
	low, high := math.Log(span/50), math.Log(span*20)
	best := low
	for high-low > logTauTolerance { // the best of a grid, then a finer grid about it
		width, least := (high-low)/grid, math.Inf(1)
		for i := range grid + 1 {
			x := low + float64(i)*width
			if _, _, ss := exponentialFit(time, temperature, math.Exp(x)); ss < least {
				best, least = x, ss
			}
		}
		low, high = max(low, best-width), min(high, best+width)
	}
	tau := math.Exp(best)
	start, final, ss := exponentialFit(time, temperature, tau)
	f := FirstOrder{Start: start, Final: final, TimeConstant: tau, Samples: len(time)}
	f.ResidualSD = math.Sqrt(ss / math.Max(1, float64(len(time)-3)))
	f.Determined = tau < 2*span && tau > span/45 && math.Abs(final-start) > 3*f.ResidualSD
	return f, nil
}

// exponentialFit is the linear half of Fit: the best start and final for a time constant, and the squares left. Inside
// Fit's range of time constants the response is never flat, so that it can be solved for.
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
	slope := (n*sey - se*sy) / det
	final = (sy - slope*se) / n
	for i, t := range time {
		d := temperature[i] - final - slope*math.Exp(-(t-t0)/tau)
		ss += d * d
	}
	return final + slope, final, ss
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

// fewestSamples tell three parameters and something of the scatter.
const fewestSamples = 4

func checkSeries(time, temperature []float64) error {
	if len(time) != len(temperature) {
		return fmt.Errorf("%d times and %d temperatures: as many of each are needed", len(time), len(temperature))
	}
	if len(time) < fewestSamples {
		return fmt.Errorf("%w: %d, at least %d are needed", ErrTooFew, len(time), fewestSamples)
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
