package drift

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/stat/distuv"

	"headroom/models/value"
)

// Options say how long a car is left alone, how long it is watched, and what is promised.
type Options struct {
	Baseline   int     // first measured runs of a car, which are not charted: at least 3, or 1 with a fleet's Spread
	Horizon    int     // most runs after the baseline that will be watched, 1–5000
	FalseAlarm float64 // chance that a healthy car signals over the runs watched, 0–1
}

// Spread is the deviation of runs about their car's level as the fleet has it (see Pooled) and its degrees of freedom.
// The zero Spread leaves each car to its own runs.
type Spread struct {
	SD, DF float64
}

// Monitor is a designed chart, ready to watch series of any metric. It does not change once made and may be used
// concurrently.
type Monitor struct {
	kind      string
	lambda    float64 // ewma; 0 for cusum
	reference float64 // cusum
	options   Options
	grid      []float64               // thresholds
	logP      []interp.FritschButland // log chance of passing them, by runs−1
	threshold []float64               // by runs−1
}

// NewEWMA designs a monitor on the largest |z_t|/EWMASD(λ, t): small lambda for slow drift, 0.2 is common practice.
//
// Errors: lambda outside [0.02, 1], or options outside what Options allows.
func NewEWMA(lambda float64, o Options) (*Monitor, error) {
	if !(lambda >= 0.02 && lambda <= 1) {
		return nil, fmt.Errorf("drift: lambda %g: give a weight from 0.02 to 1, such as 0.2", lambda)
	}
	m := &Monitor{kind: fmt.Sprintf("ewma, weight %g", lambda), lambda: lambda, options: o}
	err := m.design(spaced(0.2, 8, 40), func(h float64) []float64 { return ewmaAlarm(lambda, h, o.Horizon) })
	if err != nil {
		return nil, err
	}
	return m, nil
}

// NewCUSUM designs a monitor on the larger of both CUSUM sides: reference is half the shift to be found fast, in
// deviations, 0.5 is common practice.
//
// Errors: reference outside [0.1, 3], or options outside what Options allows.
func NewCUSUM(reference float64, o Options) (*Monitor, error) {
	if !(reference >= 0.1 && reference <= 3) {
		return nil, fmt.Errorf("drift: reference %g: give a value from 0.1 to 3 deviations, such as 0.5", reference)
	}
	m := &Monitor{kind: fmt.Sprintf("cusum, reference %g", reference), reference: reference, options: o}
	err := m.design(spaced(0.1, 6+8/reference, 40), func(h float64) []float64 {
		return cusumAlarm(reference, h,
			o.Horizon)
	})
	if err != nil {
		return nil, err
	}
	return m, nil
}

// leastP is where the tables end: smaller chances are reported as this.
const leastP = 1e-13

// design tabulates alarm(h), the chances of an alarm within 1, 2, … runs at threshold h, and inverts it.
func (m *Monitor) design(grid []float64, alarm func(h float64) []float64) error {
	o := m.options
	switch {
	case o.Baseline < 1:
		return fmt.Errorf("drift: a baseline of %d runs: use at least 3, or 1 with the fleet's spread", o.Baseline)
	case o.Horizon < 1 || o.Horizon > 5000:
		return fmt.Errorf("drift: horizon %d: give 1 to 5000 runs", o.Horizon)
	case !(o.FalseAlarm >= 1e-6 && o.FalseAlarm < 1):
		return fmt.Errorf("drift: false alarm %g: give a chance from 1e-6 to 1, such as 0.01", o.FalseAlarm)
	}
	logP := make([][]float64, o.Horizon)
	for t := range logP {
		logP[t] = make([]float64, len(grid))
	}
	for g, h := range grid {
		for t, p := range alarm(h) {
			logP[t][g] = math.Log(math.Min(1, math.Max(leastP, p)))
			if g > 0 { // rounding near the end of the table
				logP[t][g] = math.Min(logP[t][g], logP[t][g-1])
			}
		}
	}
	m.grid, m.logP, m.threshold = grid, make([]interp.FritschButland, o.Horizon), make([]float64, o.Horizon)
	for t := range logP {
		if err := m.logP[t].Fit(grid, logP[t]); err != nil {
			return fmt.Errorf("drift: table of false-alarm chances: %w", err)
		}
		low, high := grid[0], grid[len(grid)-1]
		for high-low > 1e-9*high {
			if mid := (low + high) / 2; m.pvalue(mid, t+1) > o.FalseAlarm {
				low = mid
			} else {
				high = mid
			}
		}
		m.threshold[t] = high
	}
	return nil
}

func (m *Monitor) pvalue(statistic float64, runs int) float64 {
	if statistic < m.grid[0] {
		return 1
	}
	h := math.Min(statistic, m.grid[len(m.grid)-1])
	return math.Min(1, math.Exp(m.logP[runs-1].Predict(h)))
}

func (m *Monitor) checkRuns(runs int) error {
	if runs < 1 || runs > m.options.Horizon {
		return fmt.Errorf("drift: %d runs after the baseline: the monitor is designed for 1 to %d", runs,
			m.options.Horizon)
	}
	return nil
}

// Watch charts one series. Too few runs, or a baseline without spread, is a status and not an error.
//
// Errors: a series or spread not allowed, more runs after the baseline than Horizon, a baseline below 3 runs without a
// fleet's spread.
func (m *Monitor) Watch(s Series, fleet Spread) (Chart, error) {
	if err := s.check(); err != nil {
		return Chart{}, err
	}
	k := m.options.Baseline
	if fleet != (Spread{}) && !(fleet.SD > 0 && fleet.DF > 0 && !math.IsInf(fleet.SD, 0)) {
		return Chart{}, fmt.Errorf("drift: fleet spread %g with %g degrees of freedom: both must be positive", fleet.SD,
			fleet.DF)
	}
	if fleet == (Spread{}) && k < 3 {
		return Chart{}, fmt.Errorf("drift: a baseline of %d runs without the fleet's spread: use at least 3", k)
	}
	at := s.measured()
	c := unwatched(m.kind)
	if len(at) <= k {
		c.RunsNeeded = k + 1 - len(at)
		return c, nil
	}
	c.Runs = len(at) - k
	if err := m.checkRuns(c.Runs); err != nil {
		return Chart{}, err
	}
	x := make([]float64, len(at))
	for i, j := range at {
		x[i] = s.Values[j]
	}
	var ss float64
	c.Baseline, ss = value.Moments(x[:k])
	c.Level = x[len(x)-1]
	c.SD = math.Sqrt((fleet.DF*fleet.SD*fleet.SD + ss) / (fleet.DF + float64(k-1)))
	if !(c.SD > 1e-12*math.Abs(c.Baseline)) { // also when the baseline is zero throughout
		c.Status = StatusNoSpread
		return c, nil
	}
	c.Status, c.Threshold, c.FalseAlarm = StatusWatched, m.threshold[c.Runs-1], m.options.FalseAlarm
	c.Path = m.path(standardise(x, k, fleet))
	m.judge(&c, x, at)
	return c, nil
}

func unwatched(kind string) Chart {
	return Chart{Status: StatusNotEnoughRuns, Kind: kind, PValue: 1, SignalIndex: -1, OnsetIndex: -1,
		Baseline: math.NaN(), SD: math.NaN(), Level: math.NaN(), Threshold: math.NaN(), Statistic: math.NaN(),
		FalseAlarm: math.NaN()}
}

// judge reads statistic, signal and onset off the path.
func (m *Monitor) judge(c *Chart, x []float64, at []int) {
	k := m.options.Baseline
	if first := c.follow(); first >= 0 {
		c.Signal = true
		onset := stepOnset(x[:k+first+1], k)
		c.SignalIndex, c.OnsetIndex = at[k+first], at[onset]
		c.Baseline, _ = value.Moments(x[:onset])
		c.Level, _ = value.Moments(x[onset:])
	}
	c.PValue = m.pvalue(c.Statistic, c.Runs)
}

// standardise turns the runs after the first k into values that are exactly independent and standard normal while the
// car stays as it is, whatever its level and deviation: each run against the mean and deviation of all runs before it,
//
//	q_r = Φ⁻¹(T_ν(√((r−1)/r)·(x_r − x̄_(r−1))/s_(r−1))),
//
// with T_ν Student's distribution (Hawkins, The Statistician 36, 1987; Quesenberry, J. Quality Technology 23, 1991).
// The fleet's spread joins s as DF earlier observations would.
func standardise(x []float64, k int, fleet Spread) []float64 {
	mean, ss := value.Moments(x[:k])
	q := make([]float64, 0, len(x)-k)
	for i := k; i < len(x); i++ {
		before := float64(i)
		df := fleet.DF + before - 1
		sd := math.Sqrt((fleet.DF*fleet.SD*fleet.SD + ss) / df)
		d := x[i] - mean
		q = append(q, normalScore(math.Sqrt(before/(before+1))*d/sd, df))
		mean += d / (before + 1)
		ss += d * d * before / (before + 1)
	}
	return q
}

// normalScore is Φ⁻¹(T_df(t)), by the lower tail, where both are accurate.
func normalScore(t, df float64) float64 {
	p := distuv.StudentsT{Sigma: 1, Nu: df}.CDF(-math.Abs(t))
	z := -normal.Quantile(math.Max(p, 1e-300))
	return math.Copysign(z, t)
}

// path is the signed statistic after each run: for the CUSUM the larger side, the lower one negative.
func (m *Monitor) path(q []float64) []float64 {
	out := make([]float64, len(q))
	if m.lambda > 0 {
		for i, z := range EWMA(q, m.lambda, 0) {
			out[i] = z / EWMASD(m.lambda, i+1)
		}
		return out
	}
	up, down := CUSUM(q, m.reference)
	for i := range q {
		out[i] = up[i]
		if down[i] > up[i] {
			out[i] = -down[i]
		}
	}
	return out
}

// stepOnset is the maximum-likelihood first run of a step that lasts to the end of x, no earlier than from, both levels
// unknown: the i with the largest i(n−i)/n·(mean before − mean since)² (Hinkley, Biometrika 57, 1970).
func stepOnset(x []float64, from int) int {
	centre, _ := value.Moments(x)
	total := 0.0 // sum since i, about the overall mean
	best, most := len(x)-1, -1.0
	for i := len(x) - 1; i >= from; i-- {
		total += x[i] - centre
		n := float64(len(x))
		if v := total * total * n / (float64(i) * (n - float64(i))); v > most {
			best, most = i, v
		}
	}
	return best
}

// ewmaAlarm is the chance that |z_t|/EWMASD(λ, t) passes h within 1, 2, … standard normal runs: the density of z_t
// without an alarm is carried on Gauss–Legendre nodes of ±h.
func ewmaAlarm(lambda, h float64, horizon int) []float64 {
	n := ewmaNodes(lambda, h)
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, -h, h)
	f, next := make([]float64, n), make([]float64, n)
	kernel := make([]float64, n*n)
	p := make([]float64, horizon)
	for i := range n {
		f[i] = normal.Prob(x[i])
	}
	p[0] = 2 * value.NormalCDF(-h)
	last, built := EWMASD(lambda, 1), 0.0
	for t := 2; t <= horizon; t++ {
		sd := EWMASD(lambda, t)
		if sd-built > 1e-10*sd { // rises to its limit
			for i := range n {
				for j := range n {
					kernel[i*n+j] = w[j] * sd / lambda * normal.Prob((sd*x[i]-(1-lambda)*last*x[j])/lambda)
				}
			}
			built = sd
		}
		for i := range n {
			next[i] = value.Dot(kernel[i*n:(i+1)*n], f)
		}
		f, next = next, f
		last = sd
		p[t-1] = math.Max(p[t-2], 1-value.Dot(w, f))
	}
	return p
}

// cusumAlarm is the chance that either CUSUM side passes h within 1, 2, … standard normal runs, as the sum of both
// sides' chances, which is conservative. One side's state is carried as a weight at zero and a density on
// Gauss–Legendre nodes of (0, h).
func cusumAlarm(reference, h float64, horizon int) []float64 {
	n := cusumNodes(h)
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, 0, h)
	kernel := make([]float64, n*n)
	fromZero, toZero := make([]float64, n), make([]float64, n)
	for i := range n {
		for j := range n {
			kernel[i*n+j] = w[j] * normal.Prob(x[i]-x[j]+reference)
		}
		fromZero[i] = normal.Prob(x[i] + reference)
		toZero[i] = w[i] * value.NormalCDF(reference-x[i])
	}
	stay := value.NormalCDF(reference)
	f, next := make([]float64, n), make([]float64, n)
	zero := 1.0
	p := make([]float64, horizon)
	for t := range p {
		for i := range n {
			next[i] = zero*fromZero[i] + value.Dot(kernel[i*n:(i+1)*n], f)
		}
		zero = zero*stay + value.Dot(toZero, f)
		f, next = next, f
		p[t] = math.Min(1, math.Max(0, 2*(1-zero-value.Dot(w, f))))
		if t > 0 {
			p[t] = math.Max(p[t], p[t-1])
		}
	}
	return p
}

func spaced(low, high float64, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = low + (high-low)*float64(i)/float64(n-1)
	}
	return x
}
