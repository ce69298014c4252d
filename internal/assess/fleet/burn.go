package fleet

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/models/value"
)

// BurnFit is the anchor of the cycle model after logged torque had its say.
type BurnFit struct {
	state.BurnAngles
	Cars  int     // that log torque
	Ratio float64 // ln(measured/computed torque) before, mean over those cars; NaN would not keep, so 0 without any
	Error float64 // deviation of that mean
	Prior float64 // relative deviation of computed torque that the platform file's errors made before
	Pulls int     // with torque
	// Slope is how torque follows spark beyond what is computed at the platform file's angles, ln a degree, and
	// SlopeError its deviation; both 0 where fewer than slopeCars show it
	Slope, SlopeError float64
}

// torqueRest is the relative deviation of the level of computed torque where burn angles, compression ratio and
// friction are right: heat loss, combustion efficiency, the torque sensor. With usual errors of these it gives the 8 %
// of quantities. Common practice, no source.
const torqueRest = 0.06

// fitBurn sets burn angles by logged torque: one step of Bayesian linear regression (Gelman and others, Bayesian Data
// Analysis, 2013, sec. 14.8) of the mean log ratio of measured to computed torque on the angles, with their errors as
// the prior, and another of how torque follows spark. Late combustion costs torque, so torque below what is computed
// speaks for later burning; it speaks softly, because the level has other causes. How fast torque rises with spark
// speaks of nothing but how far the burn lies from where torque is largest.
func fitBurn(p *state.Platform, rows []evidence.Row, rail state.RailLine) BurnFit {
	fit := BurnFit{BurnAngles: p.Angles}
	if p.Cycle == nil {
		return fit
	}
	logged := torqueRows(&state.Preparer{Platform: p, Rail: rail}, rows)
	ratios, h, pulls := torqueRatios(p, logged)
	n := float64(len(ratios))
	if n == 0 {
		return fit
	}
	spread := 0.0
	if n > 1 {
		spread = stat.Variance(ratios, nil)
	}
	fit.Cars, fit.Ratio = len(ratios), stat.Mean(ratios, nil)
	fit.Error = math.Sqrt((carLevelCars*carLevelSD*carLevelSD + (n-1)*spread) / (carLevelCars + n - 1) / n)
	fit.Pulls, fit.Prior = pulls, p.Deviation(h)
	ratio := fit.Ratio
	if slope, sd, _, ok := sparkSlope(p, logged); ok {
		fit.Slope, fit.SlopeError = slope, sd
		computed, by := computedSlope(p, logged)
		share := slopeShare * computed
		fit.BurnAngles = p.Angles.Given(slope, by, share*share+sd*sd)
		ratio, h = fit.BurnAngles.After(p.Angles, ratio, h)
	}
	fit.BurnAngles = fit.BurnAngles.Given(ratio, h, torqueRest*torqueRest+fit.Error*fit.Error)
	return fit
}

// torqueRow is a logged state with torque: ln(measured/computed) of it.
type torqueRow struct {
	*state.State
	ratio float64
}

// torqueRows are the states of pulls that log torque, as fired.
func torqueRows(p *state.Preparer, rows []evidence.Row) (out []torqueRow) {
	for i := range rows {
		r := &rows[i]
		if r.Kind != evidence.KindPull || !(r.Bound.Torque > 0) {
			continue
		}
		s := p.Read(r)
		s.Spark -= s.Retard // as fired: else torque that knock retard took would speak for late combustion
		p.Simulate(&s)
		if s.Simulated.TorqueNm > 0 {
			out = append(out, torqueRow{&s, math.Log(r.Bound.Torque / s.Simulated.TorqueNm)})
		}
	}
	return out
}

// torqueRatios are each car's mean of ln(measured/computed torque), how the computed one changes with each loose number
// of the platform file (ln, mean over all), and of how many pulls these are.
func torqueRatios(p *state.Platform, rows []torqueRow) (ratios []float64, h [state.NumLoose]float64, pulls int) {
	cars, segments := evidence.NewIndex[string](), evidence.NewIndex[string]()
	var n []float64
	used := make([]*state.State, len(rows))
	for i, r := range rows {
		segments.Of(r.Pull)
		k := cars.Of(r.Car)
		if k == len(n) {
			ratios, n = append(ratios, 0), append(n, 0)
		}
		n[k]++
		ratios[k] += r.ratio
		used[i] = r.State
	}
	for k := range n {
		ratios[k] /= n[k]
	}
	if len(used) > 0 {
		h = QuantityOf(metric.Torque).meanLoose(p, used, true)
	}
	return ratios, h, len(segments.Keys)
}

const (
	// slopeCars are the cars that must show how torque follows spark, since its error is told by how they differ.
	slopeCars = 3
	// slopeRetard is the knock retard, degrees, from which a cell's torque is not of one spark.
	slopeRetard = 0.25
	// slopeShare is what the cycle's slope of torque over spark may be off where its burn angles are right, as for
	// changes of spark (quantities).
	slopeShare = 0.2
	// slopeStates are the states at which the cycle's slope is taken, evenly through those there are.
	slopeStates = 60
)

// sparkSlope is what logged torque says of where the burn lies, whatever its level: by how much more torque follows
// spark than is computed (ln a degree), from pulls of a car in one cell, with speed and load within the cell taken out
// (least squares; Frisch and Waugh, Econometrica 1, 1933) and a deviation that allows for what a car's rows share
// (Liang and Zeger, Biometrika 73, 1986). ok is false where fewer than slopeCars show it.
func sparkSlope(p *state.Platform, rows []torqueRow) (misfit, sd float64, cars int, ok bool) {
	type place struct {
		car  string
		cell state.CellKey
	}
	places := evidence.NewIndex[place]()
	var at [][]torqueRow
	for _, r := range rows {
		if r.Row.RetardMax >= slopeRetard || !value.AllKnown(r.Spark, r.RPM, r.Load) {
			continue
		}
		k := places.Of(place{r.Car, p.CellOf(r.State)})
		if k == len(at) {
			at = append(at, nil)
		}
		at[k] = append(at[k], r)
	}
	var x, y [][]float64 // by row: spark, speed and load; the ratio, from their means at the place
	var of []int         // the car of a row
	byCar := evidence.NewIndex[string]()
	for k, rows := range at {
		if len(rows) < 2 {
			continue
		}
		car := byCar.Of(places.Keys[k].car)
		for _, r := range centred(rows) {
			x, y, of = append(x, r[:3]), append(y, r[3:]), append(of, car)
		}
	}
	if cars = len(byCar.Keys); cars < slopeCars {
		return 0, 0, cars, false
	}
	x = varying(x)
	coef, rest := leastSquares(x, y)
	if coef == nil {
		return 0, 0, cars, false
	}
	scores, squares := make([]float64, cars), 0.0
	alone := spare(x)
	for i := range x {
		scores[of[i]] += alone[i] * rest[i]
		squares += alone[i] * alone[i]
	}
	variance := 0.0
	for _, v := range scores {
		variance += v * v
	}
	variance *= float64(cars) / float64(cars-1) / (squares * squares)
	return coef[0], math.Sqrt(variance), cars, true
}

// centred are spark, speed, load and the ratio of rows of one place, each from its mean.
func centred(rows []torqueRow) [][]float64 {
	out, mean := make([][]float64, len(rows)), make([]float64, 4)
	for i, r := range rows {
		out[i] = []float64{r.Spark, r.RPM, r.Load, r.ratio}
		floats.AddScaled(mean, 1/float64(len(rows)), out[i])
	}
	for i := range out {
		floats.Sub(out[i], mean)
	}
	return out
}

// varying are the columns of x that are not zero in all rows, and the first in any case.
func varying(x [][]float64) [][]float64 {
	out := make([][]float64, len(x))
	for j := range x[0] {
		if j > 0 && !slices.ContainsFunc(x, func(r []float64) bool { return math.Abs(r[j]) > 1e-9 }) {
			continue
		}
		for i := range x {
			out[i] = append(out[i], x[i][j])
		}
	}
	return out
}

// leastSquares are the coefficients of y on x, and what they leave; nil where x does not tell them.
func leastSquares(x, y [][]float64) (coef, rest []float64) {
	design, seen := dense(x), dense(y)
	var qr mat.QR
	qr.Factorize(design)
	var out mat.Dense
	if err := qr.SolveTo(&out, false, seen); err != nil {
		return nil, nil
	}
	var fitted mat.Dense
	fitted.Mul(design, &out)
	fitted.Sub(seen, &fitted)
	return mat.Col(nil, 0, &out), mat.Col(nil, 0, &fitted)
}

// spare is what the first column of x has that the others do not tell.
func spare(x [][]float64) []float64 {
	if len(x[0]) == 1 {
		return mat.Col(nil, 0, dense(x))
	}
	first, others := make([][]float64, len(x)), make([][]float64, len(x))
	for i := range x {
		first[i], others[i] = x[i][:1], x[i][1:]
	}
	if _, rest := leastSquares(others, first); rest != nil {
		return rest
	}
	return mat.Col(nil, 0, dense(first))
}

func dense(rows [][]float64) *mat.Dense {
	out := mat.NewDense(len(rows), len(rows[0]), nil)
	for i, r := range rows {
		out.SetRow(i, r)
	}
	return out
}

// computedSlope is the cycle's slope of ln torque over spark, a degree, and how it changes for one deviation of each
// loose number: means over states, by differences of a degree to each side.
func computedSlope(p *state.Platform, rows []torqueRow) (slope float64, h [state.NumLoose]float64) {
	torque := QuantityOf(metric.Torque)
	n := 0.0
	for i := 0; i < len(rows); i += 1 + len(rows)/slopeStates {
		early, late := *rows[i].State, *rows[i].State
		early.Spark, late.Spark = early.Spark+1, late.Spark-1
		p.Simulate(&early)
		p.Simulate(&late)
		most, least := torque.Predictor(p, &early), torque.Predictor(p, &late)
		if !(most > 0 && least > 0) {
			continue
		}
		n++
		slope += math.Log(most/least) / 2
		more, less := torque.LooseChange(p, &early), torque.LooseChange(p, &late)
		for k := range h {
			h[k] += (more[k]/most - less[k]/least) / 2
		}
	}
	for k := range h {
		h[k] /= math.Max(n, 1)
	}
	return slope / math.Max(n, 1), h
}
