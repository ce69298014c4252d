package envelope

import (
	"math"
	"sort"
)

// group is the cars that have the same number of pulls: likelihood and pivots need only their count, the mean of
// their means and the sum of squares of their means about it.
type group struct {
	pulls, cars, mean, ss float64
}

// layout is one cell reduced to what the model needs. Means are relative to origin, so that little cancels.
type layout struct {
	groups      []group // by pulls, ascending
	cars, pulls int
	within      float64 // sum of squares inside cars
	origin      float64
}

// newLayout reduces cars; sign −1 mirrors the values, which turns a lower limit into an upper one.
func newLayout(cars []CarMoments, sign float64) layout {
	l := layout{cars: len(cars)}
	sorted := append([]CarMoments(nil), cars...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].Pulls < sorted[j].Pulls })
	for _, c := range sorted {
		l.origin += sign * c.Mean / float64(len(cars))
		l.within += c.SumOfSquares
		l.pulls += c.Pulls
	}
	for from := 0; from < len(sorted); {
		to := from
		g := group{pulls: float64(sorted[from].Pulls)}
		for ; to < len(sorted) && sorted[to].Pulls == sorted[from].Pulls; to++ {
			g.cars++
			g.mean += sign*sorted[to].Mean - l.origin
		}
		g.mean /= g.cars
		for _, c := range sorted[from:to] {
			d := sign*c.Mean - l.origin - g.mean
			g.ss += d * d
		}
		l.groups = append(l.groups, g)
		from = to
	}
	return l
}

// onePull reports whether every car has one pull, so that the two deviations cannot be told apart.
func (l layout) onePull() bool { return l.pulls == l.cars }

// between returns, at the variance ratio ρ = σ_b²/σ_e² and in units of 1/σ_e²: the weighted mean of the car
// means, the total weight W = Σ 1/(ρ+1/n), the weighted sum of squares f = Σ (ȳ−mean)²/(ρ+1/n), and −df/dρ.
func (l layout) between(ratio float64) (mean, weight, f, slope float64) {
	for _, g := range l.groups {
		w := g.pulls / (1 + g.pulls*ratio)
		weight += g.cars * w
		mean += g.cars * w * g.mean
	}
	mean /= weight
	for _, g := range l.groups {
		w := g.pulls / (1 + g.pulls*ratio)
		d := g.mean - mean
		s := g.ss + g.cars*d*d
		f += w * s
		slope += w * w * s
	}
	return mean, weight, f, slope
}

// ratioFor returns the ρ at which f(ρ) = target. 1/f is increasing and concave (f is a positive sum of 1/(ρ+λ)
// terms), so Newton's steps on 1/f rise to a positive root without passing it. A negative root is taken from the
// tangent at zero, exact when balanced, no lower than −1/n of the car with the most pulls.
func (l layout) ratioFor(target, start float64) float64 {
	_, _, f, slope := l.between(0)
	if f <= target {
		if slope == 0 {
			return 0
		}
		tangent := (f/target - 1) * f / slope
		return math.Max(tangent, -1/l.groups[len(l.groups)-1].pulls)
	}
	ratio := 0.0
	if start > 0 { // a guess helps only from below the root
		if _, _, fs, ss := l.between(start); fs > target {
			ratio, f, slope = start, fs, ss
		}
	}
	for range 100 {
		step := (f/target - 1) * f / slope
		ratio += step
		if step <= 1e-12*ratio {
			break
		}
		_, _, f, slope = l.between(ratio)
	}
	return ratio
}

// components are the REML estimates (Patterson and Thompson, Biometrika 58, 1971) of mean and variances. With one
// pull a car only the total is told; it stands in betweenVar.
type components struct {
	mean, betweenVar, withinVar float64
}

// reml profiles the restricted likelihood over ρ: a grid, then golden section around its best point.
func (l layout) reml() components {
	if l.cars < 2 {
		df := float64(l.pulls - l.cars)
		if df < 1 {
			return components{mean: l.origin}
		}
		return components{mean: l.origin, withinVar: l.within / df}
	}
	if l.onePull() || l.within == 0 { // all spread is between cars
		mean, ss := 0.0, 0.0
		for _, g := range l.groups {
			mean += g.cars * g.mean / float64(l.cars)
		}
		for _, g := range l.groups {
			ss += g.ss + g.cars*(g.mean-mean)*(g.mean-mean)
		}
		return components{mean: l.origin + mean, betweenVar: ss / float64(l.cars-1)}
	}
	objective := func(ratio float64) float64 {
		_, weight, f, _ := l.between(ratio)
		v := float64(l.pulls-1)*math.Log(l.within+f) + math.Log(weight)
		for _, g := range l.groups {
			v += g.cars * math.Log1p(g.pulls*ratio)
		}
		return v
	}
	best, value := math.Inf(-1), objective(0)
	const low, high, step = -16.0, 16.0, 0.5 // ln ρ
	for x := low; x <= high; x += step {
		if v := objective(math.Exp(x)); v < value {
			best, value = x, v
		}
	}
	ratio := 0.0
	if !math.IsInf(best, -1) {
		ratio = math.Exp(goldenSection(func(x float64) float64 { return objective(math.Exp(x)) }, best-step, best+step))
	}
	mean, _, f, _ := l.between(ratio)
	withinVar := (l.within + f) / float64(l.pulls-1)
	return components{mean: l.origin + mean, betweenVar: ratio * withinVar, withinVar: withinVar}
}

func goldenSection(f func(float64) float64, low, high float64) float64 {
	r := (math.Sqrt(5) - 1) / 2
	a, b := high-r*(high-low), low+r*(high-low)
	fa, fb := f(a), f(b)
	for high-low > 1e-9 {
		if fa < fb {
			high, b, fb = b, a, fa
			a = high - r*(high-low)
			fa = f(a)
			continue
		}
		low, a, fa = a, b, fb
		b = low + r*(high-low)
		fb = f(b)
	}
	return (low + high) / 2
}
