package fleet

import (
	"maps"
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/models/calmap"
	"headroom/models/mixed"
	"headroom/models/value"
)

// Margin is the mixed model of one measured metric.
type Margin struct {
	Model *mixed.Model
	Ref   float64 // predictor value the covariate is centred at
	// Starves says that the design has a last column, of what a starving pump costs (state.Starvation).
	Starves bool
	// ByAmbient says that the design has a last column, of ambient temperature from AmbientRef on, K: days then differ
	// by what ambient temperature leaves of them.
	ByAmbient  bool
	AmbientRef float64
	Seen       []string // the cars that measured it, sorted
	// Between and Within split the residual variance: of each car's pattern over cells, and of a visit about it.
	Between, Within float64
	Loose           [state.NumLoose]float64 // mean change of the predictor where it was fitted (Quantity.LooseChange)
	Cars            int
	Pulls           int
	Follows         Follows // what a change of its predictor does: the model's own slope is of what varies in pulls
	// Trails says that the design has a column, before that of ambient temperature, of what a second of the probe's lag
	// would add to a reading, which says how much shorter the lag is; it is 0 in predictions.
	Trails bool
	Usual  Usual // the predictor over speed where it was fitted
}

// Usual is the mean of a predictor by bin of speed, rising.
type Usual struct{ RPM, Predictor []float64 }

// marginCovariates is the design row of a measured metric: level, a bent line over speed, the physics predictor and
// the pull's place in the run (heat soak); for a mixture what a starving pump costs; ambient temperature where the fit
// is by it.
func (fit *Margin) covariates(p *state.Platform, s *state.State, predictor, byLag float64) []float64 {
	k := s.RPM / 1000
	out := []float64{1, k - 4, math.Max(0, k-3), math.Max(0, k-5), predictor - fit.Ref, s.Order}
	if fit.Starves {
		out = append(out, p.Starvation(s))
	}
	if fit.Trails {
		out = append(out, byLag)
	}
	if fit.ByAmbient {
		out = append(out, s.Ambient-fit.AmbientRef)
	}
	return out
}

// What a kelvin of ambient temperature does to charge behind the same compressor and intercooler: a kelvin, give or
// take the share of every physics slope.
const (
	ambientShare   = 1
	ambientShareSD = physicsSlopeShare
)

// AmbientShare is what a kelvin of ambient temperature adds to charge temperature, K: as logs that have both show it, 1
// where there are not enough.
func (f *Fit) AmbientShare() float64 {
	if f.ChargeByAmbient == nil {
		return ambientShare
	}
	c := f.ChargeByAmbient.Model.Coef
	return c[len(c)-1]
}

// A starving pump costs between nothing, where longer pulses make good what pressure lacks, and all of
// state.Starvation: the share has mean starvedShare and deviation starvedShareSD before any log of a starving pump
// shows it, so that 90 % of it lies between these ends. Common practice, no source.
const (
	starvedShare   = 0.5
	starvedShareSD = 0.3
)

// starvedColumn is the column of a mixture's design row that holds what a starving pump costs.
const starvedColumn = 6

// starvedShare is the share of state.Starvation that reaches the mixture, as far as logs tell.
func (f *Fit) starvedShare() float64 {
	fit, ok := f.Margins[metric.Lambda]
	if !ok {
		return starvedShare
	}
	return math.Max(fit.Model.Coef[starvedColumn], 0)
}

// predictorColumn is the column of a margin's design row that holds the physics predictor.
const predictorColumn = 4

// lagColumn is the column of a trailing metric's design row that holds what a second of lag adds to a reading.
const lagColumn = 6

// prior leaves level and speed shape to the data and holds the physics slope.
func (fit *Margin) prior(m *Quantity, p *state.Platform) mixed.Prior {
	inf := math.Inf(1)
	prior := mixed.Prior{Mean: make([]float64, 6), SD: []float64{inf, inf, inf, inf, inf, inf}}
	prior.Mean[predictorColumn] = m.slope
	prior.SD[predictorColumn] = m.slopeSD
	if m.starves() {
		prior.Mean, prior.SD = append(prior.Mean, starvedShare), append(prior.SD, starvedShareSD)
	}
	if fit.Trails {
		prior.Mean, prior.SD = append(prior.Mean, p.Probe.Lag-p.Probe.Told), append(prior.SD, p.Probe.SD)
	}
	if fit.ByAmbient {
		prior.Mean, prior.SD = append(prior.Mean, ambientShare), append(prior.SD, ambientShareSD)
	}
	return prior
}

// fitMeasured fits a measured metric. A car whose lambda sensor is suspect says nothing of how lean the fleet runs, so
// it is left out of the fleet's lambda; it is itself judged on what it reads.
func (f *Fleet) fitMeasured(m *Quantity, pulls []*state.Visit, suspects []string) error {
	without := suspects
	if m.ID != metric.Lambda {
		without = nil
	}
	fit, ok, err := f.fitMargin(m, pulls, without, false)
	if err != nil {
		return err
	}
	if !ok {
		f.Lacks[m.ID] = f.Lacking(m.Info, pulls)
		return nil
	}
	f.Margins[m.ID] = fit
	for _, car := range without {
		others := slices.DeleteFunc(slices.Clone(suspects), func(c string) bool { return c == car })
		fit, ok, err := f.fitMargin(m, pulls, others, false)
		if err != nil {
			return err
		}
		if ok {
			f.Suspects[car] = fit
		}
	}
	return nil
}

// MarginOf is the fit a car is judged with; ok is false where the metric was not measured.
func (f *Fit) MarginOf(m *Quantity, car string) (fit Margin, ok bool) {
	if m.ID == metric.Lambda {
		if fit, ok := f.Suspects[car]; ok {
			return fit, true
		}
	}
	fit, ok = f.Margins[m.ID]
	return fit, ok
}

// fitChargeByAmbient fits charge temperature by the ambient temperature of the pulls that have both, where their days
// are enough to speak of days to come.
func (f *Fleet) fitChargeByAmbient(pulls []*state.Visit) error {
	if f.Weather.Places == nil {
		return nil
	}
	fit, ok, err := f.fitMargin(QuantityOf(metric.ChargeTemperature), pulls, nil, true)
	if err == nil && ok && fit.Model.Days >= fewDays && fit.Cars >= fewCars {
		f.ChargeByAmbient = &fit
	}
	return err
}

// fitMargin fits a metric on the pulls of all cars but some, by ambient temperature of those that have it; ok is false
// where none of them measured it.
func (f *Fleet) fitMargin(m *Quantity, pulls []*state.Visit, without []string, byAmbient bool) (fit Margin, ok bool,
	err error) {
	fit, used, err := f.fitModel(m, pulls, without, byAmbient)
	if len(used) == 0 || err != nil {
		return fit, false, err
	}
	if fit.Follows, err = f.followed(m, f.passed, without); err != nil {
		return fit, false, err
	}
	fit.Loose = m.meanLoose(f.Platform, used, false)
	fit.Between, fit.Within = patternVariances(leftovers(f.Platform, fit.Model, used, fit.observer(f.Platform, m)))
	return fit, true, nil
}

// fitModel fits a metric's model to the logged states that it returns; none where none measured the metric.
func (f *Fleet) fitModel(m *Quantity, pulls []*state.Visit, without []string, byAmbient bool) (fit Margin,
	used []*state.State, err error) {
	var predictors, ambient []float64
	for _, v := range pulls {
		s := &v.State
		x := m.Predictor(f.Platform, s)
		if value.Known(m.Fine(f.Platform, s)) && value.Known(x) && !slices.Contains(without, s.Car) &&
			(!byAmbient || value.Known(s.Ambient)) {
			used = append(used, s)
			predictors = append(predictors, x)
			ambient = append(ambient, s.Ambient)
		}
	}
	if len(used) == 0 {
		return fit, nil, nil
	}
	fit = Margin{Ref: value.Median(predictors), Starves: m.starves(), ByAmbient: byAmbient,
		Trails: m.trails() && f.Platform.Probe.SD > 0,
		Usual:  usualOf(used, predictors, f.RPMStep)}
	if byAmbient {
		fit.AmbientRef = value.Median(ambient)
	}
	nest := evidence.NewNest[mixed.Row]()
	for k, s := range used {
		nest.Add(s.Row, mixed.Row{X: fit.covariates(f.Platform, s, predictors[k], f.SettledByLag(s)),
			Y: m.Fine(f.Platform, s)})
	}
	cars := MixedCars(nest)
	fit.Model, err = mixed.Fit(cars, fit.prior(m, f.Platform))
	fit.Seen, fit.Cars, fit.Pulls = nest.IDs(), len(cars), nest.Pulls
	return fit, used, err
}

// usualOf is the mean of a predictor by bin of speed.
func usualOf(states []*state.State, predictors []float64, step float64) (out Usual) {
	bins := map[int][]int{}
	for i, s := range states {
		bin := int(math.Floor(s.RPM / step))
		bins[bin] = append(bins[bin], i)
	}
	for _, bin := range slices.Sorted(maps.Keys(bins)) {
		rpm, predictor := 0.0, 0.0
		for _, i := range bins[bin] {
			rpm += states[i].RPM / float64(len(bins[bin]))
			predictor += predictors[i] / float64(len(bins[bin]))
		}
		out.RPM, out.Predictor = append(out.RPM, rpm), append(out.Predictor, predictor)
	}
	return out
}

// Base is the predictor at which a state's level is that of logs: as it was logged, or, where no log was, the usual one
// of its speed. What the predictor is beyond that follows Follows.
func (fit *Margin) Base(p *state.Platform, m *Quantity, s *state.State) float64 {
	if s.Placed {
		return calmap.Interpolate(fit.Usual.RPM, fit.Usual.Predictor, s.RPM)
	}
	return m.Predictor(p, s.Root())
}

// ChangeFrom is the change at a state, by part, from a base of the predictor. What is not the revision's, as weather or
// the place of a state that was put where no log was, goes by what the cycle gives for charge, and is told from the
// mixture's part and spark's only by what these do at the state.
func (m *Quantity) ChangeFrom(p *state.Platform, s *state.State, base float64) Parts {
	all := m.Predictor(p, s) - base
	if m.SparkSD == 0 {
		return Parts{ThroughAir: all}
	}
	by := m.PartsOf(p, s)
	m.takesCharge(&by, all-by[ThroughMixture]-by[ThroughSpark])
	return by
}

// observer reads the design row of a logged state and what it measured.
func (fit *Margin) observer(p *state.Platform, m *Quantity) observer {
	return func(s *state.State) ([]float64, float64, bool) {
		x, y := m.Predictor(p, s), m.Fine(p, s)
		if !value.Known(x) || !value.Known(y) {
			return nil, 0, false
		}
		return fit.covariates(p, s, x, p.SettledByLag(s)), y, true
	}
}

// MixedCars is a nest as models/mixed wants it: each car's pulls by day.
func MixedCars(n *evidence.Nest[mixed.Row]) []mixed.Car {
	cars := make([]mixed.Car, 0, len(n.Cars))
	for _, car := range n.Cars {
		c := mixed.Car{ID: car.ID}
		days := evidence.NewIndex[string]()
		for _, pull := range car.Pulls {
			k := days.Of(pull.Day)
			if k == len(c.Days) {
				c.Days = append(c.Days, mixed.Day{})
			}
			c.Days[k].Pulls = append(c.Days[k].Pulls, mixed.Pull{Rows: pull.Rows})
		}
		cars = append(cars, c)
	}
	return cars
}

// Design is the design row of a margin's model at a state whose predictor is x.
func (fit *Margin) Design(p *state.Platform, s *state.State, x float64) ([]float64, error) {
	return fit.Model.Design(fit.covariates(p, s, x, 0), nil)
}

// Expect is the metric expected of a car at a state whose predictor is x, with its deviation.
func (fit *Margin) Expect(p *state.Platform, s *state.State, x float64, car string) (mean, sd float64, err error) {
	mean, sd, _, err = fit.Model.Predict(car, fit.covariates(p, s, x, 0))
	return mean, sd, err
}
