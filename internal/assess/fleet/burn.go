package fleet

import (
	"math"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"

	"gonum.org/v1/gonum/stat"
)

// BurnFit is the anchor of the cycle model after logged torque had its say.
type BurnFit struct {
	state.BurnAngles
	Cars  int     // that log torque
	Ratio float64 // ln(measured/computed torque) before, mean over those cars; NaN would not keep, so 0 without any
	Error float64 // deviation of that mean
	Prior float64 // relative deviation of computed torque that the platform file's errors made before
	Pulls int     // with torque
}

// torqueRest is the relative deviation of the level of computed torque where burn angles, compression ratio and
// friction are right: heat loss, combustion efficiency, the torque sensor. With usual errors of these it gives the 8 %
// of quantities. Common practice, no source.
const torqueRest = 0.06

// fitBurn sets burn angles by logged torque: one step of Bayesian linear regression (Gelman and others, Bayesian Data
// Analysis, 2013, sec. 14.8) of the mean log ratio of measured to computed torque on the angles, with their errors as
// the prior. Late combustion costs torque, so torque below what is computed speaks for later burning; it speaks softly,
// because the level has other causes.
func fitBurn(p *state.Platform, rows []evidence.Row, rail state.RailLine) BurnFit {
	fit := BurnFit{BurnAngles: p.Angles}
	if p.Cycle == nil {
		return fit
	}
	ratios, h, pulls := torqueRatios(&state.Preparer{Platform: p, Rail: rail}, rows)
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
	fit.BurnAngles = p.Angles.Given(fit.Ratio, h, torqueRest*torqueRest+fit.Error*fit.Error)
	return fit
}

// torqueRatios are each car's mean of ln(measured/computed torque) over its pulls, how the computed one changes with
// each loose number of the platform file (ln, mean over all), and how many pulls these are.
func torqueRatios(p *state.Preparer, rows []evidence.Row) (ratios []float64, h [state.NumLoose]float64, pulls int) {
	cars, segments := evidence.NewIndex[string](), evidence.NewIndex[string]()
	var n []float64
	var used []*state.State
	for i := range rows {
		r := &rows[i]
		if r.Kind != evidence.KindPull || !(r.Bound.Torque > 0) {
			continue
		}
		s := p.Read(r)
		s.Spark -= s.Retard // as fired: else torque that knock retard took would speak for late combustion
		p.Simulate(&s)
		if !(s.Simulated.TorqueNm > 0) {
			continue
		}
		segments.Of(s.Pull)
		k := cars.Of(s.Car)
		if k == len(n) {
			ratios, n = append(ratios, 0), append(n, 0)
		}
		n[k]++
		ratios[k] += math.Log(r.Bound.Torque / s.Simulated.TorqueNm)
		used = append(used, &s)
	}
	for k := range n {
		ratios[k] /= n[k]
	}
	if len(used) > 0 {
		h = QuantityOf(metric.Torque).meanLoose(p.Platform, used, true)
	}
	return ratios, h, len(segments.Keys)
}
