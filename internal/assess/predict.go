package assess

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/knock"
	"headroom/models/risk"
	"headroom/models/value"
)

// stressDraws is how many parameter draws the probability under a stress is averaged over; no interval is read from it.
const stressDraws = 32

// evaluation is one metric against one limit over a bench.
type evaluation struct {
	hazard      hazard.ID
	severity    hazard.Severity
	metric.Info // of the metric
	limitSource string
	cars, pulls int
	measured    bool // the level comes from measurements, not from physics alone
	points      []point
	keys        []state.CellKey // by cell index of the result
	problem     risk.Problem
	result      risk.Result
	before      risk.Result // the parent's, with the same draws; without draws when it met no limit
	disputed    bool        // see predictor.dispute
	predictor   predictor
}

// point is one visit's prediction.
type point struct {
	index        int           // into bench.visits
	cell         state.CellKey // of the visit as judged
	limit        float64
	margin       float64
	parentMargin float64
	ranMargin    float64 // on the calibration that was logged, in the same weather
	gradient     []float64
}

// reading is a margin to a limit at one sample.
type reading struct {
	at            *state.State
	limit, margin float64
}

// nearest is the visit's sample with the smallest margin: of all that were kept for a metric that moves, else of the
// bounding one and of those at which the revision takes more margin, as where a table's change ends inside the cell; ok
// is false where no sample meets the limit or the metric is not known.
func (pr *predictor) nearest(rule limitRule, v *state.Visit) (out reading, ok bool) {
	if out, ok = pr.nearestAt(rule.at, v); !ok && pr.moves && rule.between != nil {
		return pr.nearestAt(rule.between, v)
	}
	return out, ok
}

func (pr *predictor) nearestAt(at func(s *state.State) (float64, bool), v *state.Visit) (out reading, ok bool) {
	look := func(s *state.State) {
		limit, applies := at(s)
		if !applies {
			return
		}
		if margin, known := pr.margin(s, limit); known && (!ok || margin < out.margin) {
			out, ok = reading{s, limit, margin}, true
		}
	}
	look(&v.State)
	taken := 0.0
	if !pr.moves && len(v.Others) > 0 {
		taken = pr.taken(&v.State)
	}
	for i := range v.Others {
		if other := &v.Others[i]; pr.moves || pr.taken(other) > taken+1e-9 {
			look(other)
		}
	}
	return out, ok
}

// taken is how much margin a move to another calibration takes at a sample; 0 where it is not known.
func (pr *predictor) taken(s *state.State) float64 {
	was := s.Logged
	if was == nil || s.Spark == was.Spark && s.Manifold == was.Manifold && s.LambdaCommanded == was.LambdaCommanded {
		return 0
	}
	then, okThen := pr.margin(was, 0)
	now, okNow := pr.margin(s, 0)
	if !okThen || !okNow {
		return 0
	}
	return then - now
}

// predictor turns a state into a margin to a limit at the mean parameters and its gradient in them.
type predictor struct {
	margin   func(s *state.State, limit float64) (float64, bool)
	gradient func(s *state.State) []float64 // where the margin is known
	cov      *mat.SymDense
	pullSD   float64
	daySD    float64 // of the part of it that pulls of a day have in common
	cellSD   float64
	tails    float64 // share of cell residuals that are knock.TailScale times as wide
	step     float64
	cars     int
	pulls    int
	moves    bool // see fleet.Quantity.Moves
	// combustion says that the cycle model has a part in the metric
	combustion bool
	own        int           // which parameter is the car's own; the others are shared by the platform
	sampled    bool          // from measurements of this metric
	unseen     bool          // but none of them on this car, nor can it be computed
	level      ComputedLevel // how the level was set, where it was not sampled
	follows    *fleet.Follows
	// dispute is how far apart physics and past revisions put what the revision does at a state, in the metric's unit;
	// nil where they do not contradict each other
	dispute func(s *state.State) float64
}

// clearUnder is how many of its deviations a margin under a stress must be inside or outside for what is not known of
// combustion to be taken from the state without the stress: a tenth off, such a deviation moves the chance that a visit
// crosses by less than 2e−4.
const clearUnder = 4

// gradientUnder is the gradient at a state that may be under a stress.
func (pr *predictor) gradientUnder(st state.Stress, s *state.State, margin float64) []float64 {
	g := pr.gradient(s)
	if st.Kind == "" || !pr.combustion {
		return g
	}
	v := mat.NewVecDense(len(g), g)
	if sd := math.Sqrt(mat.Inner(v, pr.cov, v) + pr.pullSD*pr.pullSD + pr.cellSD*pr.cellSD); sd*clearUnder < math.Abs(
		margin) {
		return g
	}
	alone := s.Alone()
	return pr.gradient(&alone)
}

// knockDayShare is the share of the variance between pulls of a knock limit that pulls of a day have in common, their
// tank and weather; the knock fit does not tell days from pulls. Common practice, no source.
const knockDayShare = 0.5

// knockPredictor predicts knock-limited spark less commanded spark, plus the retard the platform tolerates: crossing
// means that the accumulated retard passes the tolerated one, not that knock was heard once.
func (m *Model) knockPredictor(b *bench) predictor {
	mean, cov := m.Knock.Joint(b.car)
	_, seen := m.Knock.Effect(b.car)
	design := func(s *state.State) []float64 { return m.Knock.Design(s.RPM, m.KnockCovariates(s), nil) }
	return predictor{
		unseen: !seen,
		cov:    cov, pullSD: m.Knock.PullSD, daySD: m.Knock.PullSD * math.Sqrt(knockDayShare),
		cellSD: m.Knock.CellSD, step: m.controllerStep(b),
		tails: m.Knock.TailShare, dispute: m.KnockDispute(),
		cars: m.Knock.Cars, pulls: m.KnockPulls, sampled: true, own: len(mean) - 1,
		gradient: design,
		margin: func(s *state.State, limit float64) (float64, bool) {
			for _, v := range m.KnockCovariates(s) {
				if !value.Known(v) {
					return 0, false
				}
			}
			return value.Dot(design(s), mean) - s.Spark - limit, value.Known(s.Spark)
		},
	}
}

// measuredPredictor predicts a metric from its mixed model.
func (m *Model) measuredPredictor(fit fleet.Margin, q *fleet.Quantity, b *bench) predictor {
	mean, cov := fit.Model.Joint(b.car)
	pattern := m.PatternOf(&fit, q, b.patternCar(), b.states())
	offset := m.mayBeLeaner(q.ID, b.car)
	carSD, rowSD := m.lookedUp(q.ID, &fit, b)
	cov = withOwn(cov, math.Hypot(carSD, m.coarseSD(q, b)))
	day := fit.Model.DayVar
	if !fit.ByAmbient { // else the states say how warm it is
		offset += b.stress.Adds(q.ID)
		if b.stress.FixesDay(q.ID) {
			day = 0
		}
	}
	side := q.Side.Sign()
	design := func(s *state.State) (d []float64, moved fleet.Parts, ok bool) {
		base := fit.Base(m.Platform, q, s)
		moved = q.ChangeFrom(m.Platform, s, base)
		if !value.AllKnown(moved[:]...) {
			return nil, moved, false
		}
		d, err := fit.Design(m.Platform, s, base)
		return d, moved, err == nil
	}
	return predictor{
		cov:    m.withLooseEnds(withFollows(cov, &fit.Follows), q),
		pullSD: math.Sqrt(day + fit.Model.PullVar), daySD: math.Sqrt(day),
		cellSD: math.Hypot(pattern.Residual, rowSD),
		cars:   fit.Cars, pulls: fit.Pulls, sampled: true, moves: q.Moves,
		combustion: q.SparkSD != 0, own: len(mean) - 1,
		unseen:  !slices.Contains(fit.Seen, b.car),
		follows: &fit.Follows, dispute: m.dispute(q, &fit.Follows),
		margin: func(s *state.State, limit float64) (float64, bool) {
			d, moved, known := design(s)
			if !known {
				return 0, false
			}
			return side * (limit - (value.Dot(d, mean) + fit.Follows.Does(moved) + offset + pattern.Of(s))), true
		},
		gradient: func(s *state.State) []float64 {
			d, moved, _ := design(s)
			g := make([]float64, len(d), len(d)+numFollows+numLooseEnds)
			for i := range d {
				g[i] = -side * d[i]
			}
			for _, by := range moved {
				g = append(g, -side*by)
			}
			g = append(g, -side*m.missed(q, s, &fit.Follows))
			slope := fit.Follows.Slopes[fleet.ThroughCharge].Mean
			did := q.PartsOf(m.Platform, s)
			spark := did[fleet.ThroughSpark] * fit.Follows.Slopes[fleet.ThroughSpark].Mean
			return m.looseEnds(g, q, s, slope, fit.Follows.Does(did)-spark, spark, times(fit.Loose, slope))
		},
	}
}

// computedPredictor predicts a metric from physics at the level that measurements give it, with the error of that level
// and the spread measured about it, which is relative and taken at the limit, where it decides. What the level misses
// and comes back in every pull of the car is its pattern, and part of the level; only the rest is drawn anew in each.
// Without measurements the pull-to-pull spread is that of the logged states.
func (m *Model) computedPredictor(q *fleet.Quantity, b *bench, rule limitRule) predictor {
	l := m.Levels[q.ID]
	mean, cov := l.Posterior(q, b.car)
	atLimit := b.meanLimit(rule)
	if atLimit > 0 && !q.Moves {
		cov = withOwn(cov, m.coarseSD(q, b)/atLimit)
	}
	cars, pulls := b.carCount(), b.pullCount()
	level := ComputedLevel{OwnCar: l.MeasuredOn(b.car)}
	var pattern fleet.Pattern
	if l.Model != nil {
		cars, pulls = l.Cars, l.Pulls
		if !level.OwnCar {
			level.OtherCars = l.Cars
		}
		pattern = m.LevelPatternOf(&l, q, b.patternCar(), b.states())
	}
	side := q.Side.Sign()
	expected := func(s *state.State) (v, factor float64) {
		factor = math.Exp(value.Dot(l.Design(s), mean)+pattern.Of(s)) * q.Unsampled(m.Platform, s)
		return factor * q.Predictor(m.Platform, s), factor
	}
	return predictor{
		cov: m.withLooseEnds(cov, q), own: len(mean) - 1, pullSD: l.PullSD() * atLimit,
		daySD:  l.DaySD() * atLimit,
		cellSD: math.Hypot(pattern.Residual, b.meanOf(m.Platform, q.UnsampledSD)) * atLimit,
		cars:   cars, pulls: pulls, level: level, moves: q.Moves, combustion: q.SparkSD != 0,
		margin: func(s *state.State, limit float64) (float64, bool) {
			v, _ := expected(s)
			return side * (limit - v), value.Known(v)
		},
		gradient: func(s *state.State) []float64 {
			d := l.Design(s)
			v, factor := expected(s)
			g := make([]float64, len(d), len(d)+numLooseEnds)
			for i := range d {
				g[i] = -side * v * d[i]
			}
			rest, spark := q.ChangeOf(m.Platform, s)
			return m.looseEnds(g, q, s, factor, factor*rest, factor*spark, l.SettledAt(s, v))
		},
	}
}

// meanLimit is the mean size of a limit over the states it applies to, 0 without one.
func (b *bench) meanLimit(rule limitRule) float64 {
	sum, n := 0.0, 0.0
	for i := range b.visits {
		if limit, applies := rule.at(&b.visits[i].State); applies {
			sum += math.Abs(limit)
			n++
		}
	}
	return sum / math.Max(n, 1)
}

// predictorOf chooses how a metric is predicted; nil with what is missing where it cannot be.
func (m *Model) predictorOf(q *fleet.Quantity, b *bench, rule limitRule) (*predictor, result.Reason) {
	if q.Stands {
		pr := m.computedPredictor(q, b, rule)
		return &pr, nil
	}
	if fit, ok := m.marginOn(q, b); ok {
		pr := m.measuredPredictor(fit, q, b)
		return &pr, nil
	}
	return nil, Lacking{Metric: q.ID, Lack: m.Lacks[q.ID]}
}

// marginOn is the fit that a measured metric is predicted with on a bench: charge temperature on days of a known
// ambient temperature follows that.
func (m *Model) marginOn(q *fleet.Quantity, b *bench) (fit fleet.Margin, ok bool) {
	if q.ID == metric.ChargeTemperature && m.ChargeByAmbient != nil && b.days.byAmbient() && !b.placed {
		return *m.ChargeByAmbient, true
	}
	return m.MarginOf(q, b.car)
}

// limitRule is one limit as an evaluation needs it.
type limitRule struct {
	hazard   hazard.ID
	severity hazard.Severity
	source   string
	at       func(s *state.State) (float64, bool)
	// between is at where a pull met the limit between two samples, none of which did; nil where that is not asked
	between func(s *state.State) (float64, bool)
}

func ruleOf(l *workspace.Limit, q *fleet.Quantity) limitRule {
	return limitRule{
		hazard: l.Hazard, severity: l.EffectiveSeverity(), source: l.Source,
		at:      func(s *state.State) (float64, bool) { return l.At(q.PlaceOf(s)) },
		between: func(s *state.State) (float64, bool) { return q.LimitBetween(s, l.At) },
	}
}

// evaluate runs one predictor against one limit over the bench, for the revision and, with the same draws, its parent.
func (m *Model) evaluate(b *bench, q metric.Info, pr *predictor, rule limitRule) (*evaluation, error) {
	e := &evaluation{
		Info: q, hazard: rule.hazard, severity: rule.severity, limitSource: rule.source,
		cars: pr.cars, pulls: pr.pulls, measured: pr.sampled, predictor: *pr,
	}
	now := risk.Problem{Cov: pr.cov, PullSD: pr.pullSD, DaySD: pr.daySD, CellSD: pr.cellSD, TailShare: pr.tails,
		TailScale: knock.TailScale, Excess: pr.step, Trust: m.trust(rule.hazard)}
	then := now
	pulls := evidence.NewIndex[string]()
	cells := evidence.NewIndex[state.CellKey]()
	passed := b.passed(m.RPMStep)
	for i := range b.visits {
		v := &b.visits[i]
		r, ok := pr.nearest(rule, v)
		if !ok {
			continue
		}
		key := b.cellOf(m, i)
		pull, cell := pulls.Of(v.Pull), cells.Of(key)
		gradient := pr.gradientUnder(b.stress, r.at, r.margin)
		now.States = append(now.States, risk.State{Pull: pull, Cell: cell, Margin: r.margin, Grad: gradient,
			Stands: passed[i]})
		pt := point{index: i, cell: key, limit: r.limit, margin: r.margin, parentMargin: math.NaN(),
			ranMargin: math.NaN(), gradient: gradient}
		if b.parent != nil {
			if was, ok := pr.nearest(rule, &b.parent[i]); ok {
				then.States = append(then.States, risk.State{Pull: pull, Cell: cell, Margin: was.margin,
					Grad: pr.gradientUnder(b.stress, was.at, was.margin), Stands: passed[i]})
				pt.parentMargin = was.margin
			}
		}
		if ran, ok := pr.margin(r.at.AsLogged(), r.limit); ok {
			pt.ranMargin = ran
		}
		e.disputed = e.disputed || pr.disputes(r)
		e.points = append(e.points, pt)
	}
	e.keys, e.problem = cells.Keys, now
	if len(now.States) == 0 {
		return e, nil
	}
	problems := []risk.Problem{now}
	if len(then.States) > 0 {
		problems = append(problems, then)
	}
	results, err := m.evaluateAll(problems, b, rule.severity)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", rule.hazard, err)
	}
	e.result = results[0]
	if len(results) > 1 {
		e.before = results[1]
	}
	return e, nil
}

// evaluateAll evaluates problems with the bench's draws; without a number of them, with as many as the bound that
// decides a hold takes.
func (m *Model) evaluateAll(problems []risk.Problem, b *bench, severity hazard.Severity) ([]risk.Result, error) {
	threshold, limited := m.decision().HoldProbability[severity]
	if b.draws > 0 || !limited || !severity.Serious() {
		return risk.EvaluateMany(problems, b.draws, m.seed)
	}
	return risk.EvaluateAgainst(problems, threshold, m.seed)
}

// unsettled are the hazards whose upper bound lies so near to the threshold that the draws do not tell on which side.
func (m *Model) unsettled(worst map[hazard.ID]*evaluation) (out result.Reasons) {
	for _, h := range hazard.All() {
		e := worst[h.ID]
		if e == nil || !e.severity.Serious() {
			continue
		}
		threshold, limited := m.decision().HoldProbability[e.severity]
		if r := &e.result; limited && math.Abs(r.High-threshold) < 2*r.HighError {
			out = append(out, BoundUnsettled{Hazard: h.ID, High: result.Number(r.High),
				Error: result.Number(r.HighError), Threshold: result.Number(threshold), Draws: len(r.Draws)})
		}
	}
	return out
}

// evaluations evaluates every limit of a hazard; why says what could not be assessed.
func (m *Model) evaluations(b *bench, h hazard.Info) (out []*evaluation, why result.Reasons, err error) {
	if h.ID == hazard.Knock {
		e, why, err := m.knockEvaluation(b, h)
		if e == nil || err != nil {
			return nil, why, err
		}
		return []*evaluation{e}, nil, nil
	}
	limits := m.LimitsFor(h.ID)
	if len(limits) == 0 {
		return nil, result.Reasons{m.noLimit(h.ID)}, nil
	}
	for _, l := range limits {
		q := fleet.QuantityOf(l.Metric)
		if q == nil {
			why = append(why, UnknownMetric{Metric: l.Metric})
			continue
		}
		rule := ruleOf(l, q)
		pr, no := m.predictorOf(q, b, rule)
		if no != nil {
			why = append(why, no)
			continue
		}
		e, err := m.evaluate(b, q.Info, pr, rule)
		if err != nil {
			return nil, nil, err
		}
		if len(e.points) == 0 {
			why = append(why, m.nothingToJudge(q, l, b))
			continue
		}
		out = append(out, e)
	}
	return out, why, nil
}

// noLimit says why a hazard has no limit to be judged against.
func (m *Model) noLimit(h hazard.ID) result.Reason {
	if slices.Contains(m.UnreadLimits, h) {
		return LimitUnread{File: m.File}
	}
	return NoLimit{File: m.File}
}

// lackingOn is what keeps a metric from being judged on the bench's visits of one car, "" for all; empty where it has
// none of that car.
func (m *Model) lackingOn(q metric.Info, b *bench, car string) result.Lack {
	visits := slices.DeleteFunc(b.pointers(), func(v *state.Visit) bool { return car != "" && v.Car != car })
	if len(visits) == 0 {
		return result.Lack{Car: car, Missing: []result.Missing{}}
	}
	l := m.Lacking(q, visits)
	l.Car = car
	return l
}

// nothingToJudge says why a limit met no state.
func (m *Model) nothingToJudge(q *fleet.Quantity, l *workspace.Limit, b *bench) result.Reason {
	for i := range b.visits {
		if _, applies := l.At(b.visits[i].RPM, b.visits[i].Load); applies {
			return Lacking{Metric: q.ID, Lack: m.lackingOn(q.Info, b, b.onlyCar())}
		}
	}
	return OutOfRange{Metric: q.ID}
}

func (m *Model) knockEvaluation(b *bench, h hazard.Info) (*evaluation, result.Reasons, error) {
	margin, _ := metric.Of(metric.KnockMargin)
	if m.Knock == nil {
		return nil, result.Reasons{Lacking{Metric: margin.ID, Lack: m.KnockLack}}, nil
	}
	tolerated := -m.KnockControl.ToleratedRetardDeg
	rule := limitRule{
		hazard: h.ID, severity: h.Severity, source: m.KnockControl.Source,
		at: func(*state.State) (float64, bool) { return tolerated, true },
	}
	pr := m.knockPredictor(b)
	e, err := m.evaluate(b, margin, &pr, rule)
	if err != nil {
		return nil, nil, err
	}
	if len(e.points) == 0 {
		return nil, result.Reasons{Lacking{Metric: margin.ID, Lack: m.lackingOn(margin, b, b.onlyCar())}}, nil
	}
	return e, nil, nil
}

// controllerStep is how far below the tolerated retard the need for retard may stay and still cross it, degrees. A
// controller steps until knock stops, so retard lands on whole steps; it then gives spark back, and where it meets the
// limit again within the cell it steps from there. With need n, step d and recovery r over a dwell t, retard passes the
// tolerated a when n > ⌊a/d⌋·d, or when n > a − d and spark has come back to the limit: n > ⌊a/d⌋·d −
// r·t. Retard carried in from earlier cells shifts the steps, so the landing is taken as uniform over twice the gap a
// − ⌊a/d⌋·d + r·t, one step at most; a step larger than the tolerated retard is not meant, since a cell that
// does not knock takes none. Derived from the control law in the platform file; that it is uniform is common practice,
// no source.
func (m *Model) controllerStep(b *bench) float64 {
	k := m.KnockControl
	dwell := b.known(func(s *state.State) float64 { return s.Row.Duration })
	gap := k.ToleratedRetardDeg - math.Floor(k.ToleratedRetardDeg/k.StepDeg)*k.StepDeg +
		k.RecoveryDegPerSecond*value.Or(value.Median(dwell), 0)
	return math.Min(k.StepDeg, 2*gap)
}

// smallestMargin is the smallest mean cell margin and its one-pull deviation.
func (e *evaluation) smallestMargin() (margin, sd float64) {
	margin, sd = math.NaN(), math.NaN()
	for _, c := range e.result.Cells {
		if math.IsNaN(margin) || c.Margin.Mean < margin {
			margin, sd = c.Margin.Mean, c.Margin.SD
		}
	}
	return margin, sd
}
