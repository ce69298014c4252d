package assess

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/envelope"
	"headroom/models/knock"
	"headroom/models/mixed"
	"headroom/models/value"
)

// platformFit is everything the statistics learned about one platform from its evidence.
type platformFit struct {
	Knock     *knock.Model
	KnockRef  reference
	KnockSeen map[int][2]int // rows and rows with an event by speed bin
	KnockWhy  string         // why there is no knock model, "" when there is one
	Slopes    [knock.NumCovariates]float64
	Margins   map[string]marginFit
	Suspects  map[string]marginFit         // by car: lambda of a car whose sensor is suspect, fitted with that car in
	Rail      railLine                     // the platform's rail pressure over load
	PumpKnees map[string]float64           // by car, see pumpKnees
	Levels    map[string]level             // of metrics that can be measured and computed
	Envelopes map[envelopeKey]EnvelopeCell `json:"-"` // see fitFile
	Cars      int
	Pulls     int
}

// marginFit is the mixed model of one measured metric.
type marginFit struct {
	Model *mixed.Model
	Ref   float64  // predictor value the covariate is centred at
	Seen  []string // the cars that measured it, sorted
	// Between and Within split the residual variance: of each car's pattern over cells, and of a visit about it.
	Between, Within float64
	Cars            int
	Pulls           int
}

type envelopeKey struct {
	kind, class, metric string
	cell                cellKey
	side                float64
}

// fitPlatform learns a platform's knock-limited spark, its measured margins and its envelopes.
func (p *platform) fitPlatform(rows []evidence.Row) (*platformFit, error) {
	f := &platformFit{Margins: map[string]marginFit{}, Suspects: map[string]marginFit{}, Levels: map[string]level{},
		Envelopes: map[envelopeKey]EnvelopeCell{}}
	f.Rail = railOf(rows)
	pulls := evidence.PullRows(rows)
	f.Cars, f.Pulls = evidence.CountCars(pulls), evidence.CountPulls(pulls)
	all := make([]state, len(rows))
	var states []state // of the pulls
	for i := range rows {
		all[i] = visitOf(&rows[i])
		all[i].each(p.knowManifold)
		all[i].each(p.simulate)
		all[i].each(f.knowRail)
		if rows[i].Kind == evidence.KindPull {
			states = append(states, all[i])
		}
	}
	suspects := suspectCars(rows)
	f.PumpKnees = p.pumpKnees(states)
	for i := range states {
		states[i].pumpKnee = f.kneeOf(states[i].car)
	}
	if err := p.fitKnock(f, rows); err != nil {
		return nil, err
	}
	for i := range metrics {
		m := &metrics[i]
		if m.measured == nil {
			continue
		}
		if m.computed {
			level, err := p.fitLevel(m, states)
			if err != nil {
				return nil, fmt.Errorf("platform %s, level of %s: %w", p.ID, m.name, err)
			}
			f.Levels[m.name] = level
			continue
		}
		if err := p.fitMeasured(f, m, states, suspects); err != nil {
			return nil, fmt.Errorf("platform %s, metric %s: %w", p.ID, m.name, err)
		}
	}
	for i := range all {
		all[i].suspect = slices.Contains(suspects, all[i].car)
	}
	if err := p.fitEnvelopes(f, all); err != nil {
		return nil, fmt.Errorf("platform %s: %w", p.ID, err)
	}
	return f, nil
}

// marginCovariates is the design row of a measured metric: level, a bent line over speed, the physics predictor and
// the pull's place in the run (heat soak).
func marginCovariates(s *state, predictor, ref float64) []float64 {
	k := s.rpm / 1000
	return []float64{1, k - 4, math.Max(0, k-3), math.Max(0, k-5), predictor - ref, s.order}
}

const marginPredictorColumn = 4

// marginPrior leaves level and speed shape to the data and holds the physics slope.
func marginPrior(m *metric) mixed.Prior {
	inf := math.Inf(1)
	prior := mixed.Prior{Mean: make([]float64, 6), SD: []float64{inf, inf, inf, inf, inf, inf}}
	prior.Mean[marginPredictorColumn] = m.slope
	prior.SD[marginPredictorColumn] = m.slopeSD
	return prior
}

// fitMeasured fits a measured metric. A car whose lambda sensor is suspect says nothing of how lean the fleet runs, so
// it is left out of the fleet's lambda; it is itself judged on what it reads.
func (p *platform) fitMeasured(f *platformFit, m *metric, states []state, suspects []string) error {
	without := suspects
	if m.name != workspace.MetricLambda {
		without = nil
	}
	fit, ok, err := p.fitMargin(m, states, without)
	if err != nil {
		return err
	}
	if ok {
		f.Margins[m.name] = fit
	}
	for _, car := range without {
		others := slices.DeleteFunc(slices.Clone(suspects), func(c string) bool { return c == car })
		fit, ok, err := p.fitMargin(m, states, others)
		if err != nil {
			return err
		}
		if ok {
			f.Suspects[car] = fit
		}
	}
	return nil
}

// marginOf is the fit a car is judged with; ok is false where the metric was not measured.
func (f *platformFit) marginOf(m *metric, car string) (fit marginFit, ok bool) {
	if m.name == workspace.MetricLambda {
		if fit, ok := f.Suspects[car]; ok {
			return fit, true
		}
	}
	fit, ok = f.Margins[m.name]
	return fit, ok
}

// fitMargin fits a metric on the pulls of all cars but some; ok is false where none of them measured it.
func (p *platform) fitMargin(m *metric, states []state, without []string) (fit marginFit, ok bool, err error) {
	var used []*state
	var predictors []float64
	for i := range states {
		s := &states[i]
		x := m.predictor(p, s)
		if value.Known(m.measured(p, s.row)) && value.Known(x) && !slices.Contains(without, s.car) {
			used = append(used, s)
			predictors = append(predictors, x)
		}
	}
	if len(used) == 0 {
		return fit, false, nil
	}
	ref := value.Median(predictors)
	nest := evidence.NewNest[mixed.Row]()
	for k, s := range used {
		nest.Add(s.row, mixed.Row{X: marginCovariates(s, predictors[k], ref), Y: m.measured(p, s.row)})
	}
	cars := MixedCars(nest)
	model, err := mixed.Fit(cars, marginPrior(m))
	if err != nil {
		return fit, false, err
	}
	fit = marginFit{Model: model, Ref: ref, Seen: nest.IDs(), Cars: len(cars), Pulls: nest.Pulls}
	fit.Between, fit.Within = patternVariances(p.leftovers(&fit, m, used))
	return fit, true, nil
}

// MixedCars is a nest as models/mixed wants it: each car's pulls by day.
func MixedCars(n *evidence.Nest[mixed.Row]) []mixed.Car {
	cars := make([]mixed.Car, 0, len(n.Cars))
	for _, car := range n.Cars {
		c := mixed.Car{ID: car.ID}
		days := newIndex[string]()
		for _, pull := range car.Pulls {
			k := days.of(pull.Day)
			if k == len(c.Days) {
				c.Days = append(c.Days, mixed.Day{})
			}
			c.Days[k].Pulls = append(c.Days[k].Pulls, mixed.Pull{Rows: pull.Rows})
		}
		cars = append(cars, c)
	}
	return cars
}

// seenMetric is a quantity envelopes are kept of: what the platform has been shown to run at.
type seenMetric struct {
	name, unit string
	side       float64
	value      func(f *platformFit, s *state) float64
}

// seenMetrics are the limited metrics plus what tuners read off a fleet: delivered spark and fuel trims.
func (p *platform) seenMetrics() []seenMetric {
	out := []seenMetric{
		{KnockMargin, "deg", -1, func(f *platformFit, s *state) float64 { return p.knockMargin(f, s) }},
		{"spark_advance", "deg", 1, func(_ *platformFit, s *state) float64 { return s.row.SparkMax }},
		{"short_term_trim", "%", 1, func(_ *platformFit, s *state) float64 { return s.row.ShortTermTrim }},
		{"long_term_trim", "%", 1, func(_ *platformFit, s *state) float64 { return s.row.LongTermTrim }},
	}
	for i := range metrics {
		m := &metrics[i]
		out = append(out, seenMetric{m.name, m.unit, m.side,
			func(_ *platformFit, s *state) float64 { return p.metricOf(m, s) }})
	}
	return out
}

// metricOf is a metric at a logged state: measured where it was, computed where that is allowed; the extreme of its
// samples for a metric that moves within a cell.
func (p *platform) metricOf(m *metric, s *state) float64 {
	if m.moves {
		return p.extremeOf(m, s)
	}
	if s.suspect && m.name == workspace.MetricLambda {
		return math.NaN()
	}
	if m.measured != nil {
		if v := m.measured(p, s.row); value.Known(v) {
			return v
		}
	}
	if m.computed {
		return m.predictor(p, s)
	}
	return math.NaN()
}

func (p *platform) extremeOf(m *metric, s *state) float64 {
	out := math.NaN()
	take := func(v float64) {
		if value.Known(v) && !(m.side*out >= m.side*v) {
			out = v
		}
	}
	if m.sample != nil {
		for _, at := range s.row.Kept() {
			take(m.sample(p, at))
		}
		if value.Known(out) {
			return out
		}
	}
	if m.computed {
		s.each(func(s *state) { take(m.predictor(p, s)) })
	}
	return out
}

// fitEnvelopes sums what every logged state showed, by fuel class, cell and metric.
func (p *platform) fitEnvelopes(f *platformFit, states []state) error {
	seen := p.seenMetrics()
	sums := map[envelopeKey]*envelope.Summary{}
	extreme := map[envelopeKey]float64{}
	for i := range states {
		s := &states[i]
		class := p.fuelClass(s.row.Fuel)
		for _, m := range seen {
			v := m.value(f, s)
			if !value.Known(v) {
				continue
			}
			key := envelopeKey{s.row.Kind, class, m.name, p.cellOf(s), m.side}
			sum, ok := sums[key]
			if !ok {
				sum = &envelope.Summary{}
				sums[key] = sum
				extreme[key] = v
			}
			if err := sum.Add(s.row.Vehicle, v); err != nil {
				return fmt.Errorf("envelope of %s: %w", m.name, err)
			}
			extreme[key] = math.Max(m.side*extreme[key], m.side*v) * m.side
		}
	}
	units := map[string]string{}
	for _, m := range seen {
		units[m.name] = m.unit
	}
	for key, sum := range sums {
		cell, err := p.envelopeCell(key, sum, units[key.metric], extreme[key])
		if err != nil {
			return fmt.Errorf("envelope of %s: %w", key.metric, err)
		}
		f.Envelopes[key] = cell
	}
	return nil
}

func (p *platform) envelopeCell(key envelopeKey, sum *envelope.Summary, unit string, extreme float64) (
	EnvelopeCell, error) {
	side, take := workspace.Upper, sum.Upper
	if key.side < 0 {
		side, take = workspace.Lower, sum.Lower
	}
	limit, err := take(p.decision.Content, p.decision.Confidence)
	if err != nil {
		return EnvelopeCell{}, err
	}
	return EnvelopeCell{
		Kind: key.kind, FuelClass: key.class, Cell: p.cell(key.cell), Metric: key.metric, Unit: unit, Side: side,
		Status: limit.Status, Limit: result.Number(limit.Value), Mean: result.Number(limit.Mean),
		BetweenSD: result.Number(limit.BetweenSD), WithinSD: result.Number(limit.WithinSD),
		Cars: limit.Cars, Pulls: limit.Pulls, CarsNeeded: limit.CarsNeeded, Method: limit.Method,
		ExtremeSeen: result.Number(extreme),
	}, nil
}

// envelopeKeys lists envelopes by kind, fuel class, metric and cell.
func (f *platformFit) envelopeKeys() []envelopeKey {
	keys := slices.Collect(maps.Keys(f.Envelopes))
	slices.SortFunc(keys, func(a, b envelopeKey) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.class, b.class), cmp.Compare(a.metric, b.metric),
			cmp.Compare(a.cell[0], b.cell[0]), cmp.Compare(a.cell[1], b.cell[1]))
	})
	return keys
}

func (f *platformFit) sortedEnvelopes() []EnvelopeCell {
	keys := f.envelopeKeys()
	out := make([]EnvelopeCell, len(keys))
	for i, k := range keys {
		out[i] = f.Envelopes[k]
	}
	return out
}
