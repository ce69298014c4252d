package assess

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/workspace"
	"headroom/models/knock"
	"headroom/models/risk"
	"headroom/models/value"
)

// stressDraws is how many parameter draws the probability under a stress is averaged over; no interval is read from it.
const stressDraws = 32

// bench is what a revision is judged on: the same logged states run by the parent and by the revision.
type bench struct {
	states      []state // as the revision would run them
	parent      []state // as the parent would
	car         string  // whose offset applies; "" for a car not seen
	named       bool    // the revision is meant for one car
	basis       string
	notes       []string
	notModelled []string // changes of the revision whose effect on these states could not be computed
	seed        uint64
	draws       int                // of the parameters; 0: models/risk's default
	cells       []cellKey          // by state, where it counts in another cell than its own; nil: in its own
	offset      map[string]float64 // added to a measured metric's prediction, by metric; only under a stress
}

// under is the bench with a stress on the revision's states; the parent's are left out.
func (b *bench) under(p *platform, st stress) *bench {
	out := *b
	out.parent, out.offset, out.draws = nil, st.offset, stressDraws
	out.cells = make([]cellKey, len(b.states)) // where they were, so that margins are compared like with like
	for i := range b.states {
		out.cells[i] = p.cellOf(&b.states[i])
	}
	out.states = slices.Clone(b.states)
	for i := range out.states {
		s := &out.states[i]
		s.ends = slices.Clone(s.ends)
		s.each(func(s *state) {
			st.apply(p, s)
			if !st.octaneOnly {
				p.stressSimulate(s)
			}
		})
	}
	return &out
}

// stress is a condition the revision's states are judged under.
type stress struct {
	name       string
	apply      func(p *platform, s *state)
	octaneOnly bool               // it moves the knock limit and leaves combustion alone
	offset     map[string]float64 // added to a measured metric's prediction, by metric
}

// evaluation is one metric against one limit over a bench.
type evaluation struct {
	hazard, severity, metric, unit string
	side                           float64
	limitSource                    string
	cars, pulls                    int
	measured                       bool // the level comes from measurements, not from physics alone
	points                         []point
	keys                           []cellKey // by cell index of the result
	problem                        risk.Problem
	result                         risk.Result
	before                         risk.Result // the parent's, with the same draws; without draws when it met no limit
	pr                             predictor
}

// point is one state's prediction.
type point struct {
	index        int     // into bench.states
	cell         cellKey // of the state as judged
	limit        float64
	margin       float64
	parentMargin float64
	gradient     []float64
}

// reading is a margin to a limit at one sample.
type reading struct {
	limit, margin float64
	gradient      []float64
}

// nearest is the visit's sample with the smallest margin: of all that were kept for a metric that moves, else of the
// state and of those at which the revision takes more margin, as where a table's change ends inside the cell; ok is
// false where no sample meets the limit or the metric is not known.
func (pr *predictor) nearest(rule limitRule, s *state) (out reading, ok bool) {
	look := func(s *state) {
		limit, applies := rule.at(s)
		if !applies {
			return
		}
		margin, gradient, known := pr.margin(s, limit)
		if known && (!ok || margin < out.margin) {
			out, ok = reading{limit, margin, gradient}, true
		}
	}
	look(s)
	for i := range s.ends {
		if end := &s.ends[i]; pr.moves || pr.loses(end) > pr.loses(s)+1e-9 {
			look(end)
		}
	}
	return out, ok
}

// loses is how much margin a move to another calibration takes at a sample; 0 where it is not known.
func (pr *predictor) loses(s *state) float64 {
	if s.logged == nil || s.spark == s.logged.spark && s.manifold == s.logged.manifold &&
		s.lambdaCmd == s.logged.lambdaCmd {
		return 0
	}
	then, _, okThen := pr.margin(s.logged, 0)
	now, _, okNow := pr.margin(s, 0)
	if !okThen || !okNow {
		return 0
	}
	return then - now
}

// predictor turns a state into a margin to a limit at the mean parameters and its gradient in them.
type predictor struct {
	margin  func(s *state, limit float64) (float64, []float64, bool)
	cov     *mat.SymDense
	pullSD  float64
	cellSD  float64
	tails   float64 // share of cell residuals that are knock.TailScale times as wide
	step    float64
	cars    int
	pulls   int
	moves   bool   // see metric.moves
	own     int    // which parameter is the car's own; the others are shared by the platform
	sampled bool   // from measurements of this metric
	unseen  bool   // but none of them on this car, nor can it be computed
	says    string // how the level was set, where it was not
}

// knockPredictor predicts knock-limited spark less commanded spark, plus the retard the platform tolerates: crossing
// means that the accumulated retard passes the tolerated one, not that knock was heard once.
func (p *platform) knockPredictor(f *platformFit, b *bench) predictor {
	mean, cov := f.Knock.Joint(b.car)
	_, seen := f.Knock.Effect(b.car)
	return predictor{
		unseen: !seen,
		cov:    cov, pullSD: f.Knock.PullSD, cellSD: f.Knock.CellSD, step: p.overshoot(b), tails: f.Knock.TailShare,
		cars: f.Knock.Cars, pulls: f.Knock.Pulls, sampled: true, own: len(mean) - 1,
		margin: func(s *state, limit float64) (float64, []float64, bool) {
			z := p.knockCovariates(s, f.KnockRef)
			for _, v := range z {
				if !value.Known(v) {
					return 0, nil, false
				}
			}
			if !value.Known(s.spark) {
				return 0, nil, false
			}
			d := f.Knock.Design(s.rpm, z, nil)
			return value.Dot(d, mean) - s.spark - limit, d, true
		},
	}
}

// measuredPredictor predicts a metric from its mixed model.
func (p *platform) measuredPredictor(fit marginFit, m *metric, b *bench) predictor {
	mean, cov := fit.Model.Joint(b.car)
	pattern, offset := p.patternOf(&fit, m, b), b.offset[m.name]
	return predictor{
		cov: withChange(cov, m), pullSD: math.Sqrt(fit.Model.DayVar + fit.Model.PullVar), cellSD: pattern.residual,
		cars: fit.Cars, pulls: fit.Pulls, sampled: true, moves: m.moves, own: len(mean) - 1,
		unseen: !slices.Contains(fit.Seen, b.car),
		margin: func(s *state, limit float64) (float64, []float64, bool) {
			x := m.predictor(p, s)
			if !value.Known(x) {
				return 0, nil, false
			}
			d, err := fit.Model.Design(marginCovariates(s, x, fit.Ref), nil)
			if err != nil {
				return 0, nil, false
			}
			value := value.Dot(d, mean) + offset + pattern.of(p, s)
			g := make([]float64, len(d), len(d)+2)
			for i := range d {
				g[i] = -m.side * d[i]
			}
			rest, spark := p.changeOf(m, s)
			slope := -m.side * mean[marginPredictorColumn]
			return m.side * (limit - value), append(g, slope*rest, slope*spark), true
		},
	}
}

// computedPredictor predicts a metric from physics at the level that measurements give it, with the error of that level
// and the spread measured about it, which is relative and taken at the limit, where it decides. Without measurements
// the pull-to-pull spread is that of the logged states.
func (p *platform) computedPredictor(m *metric, l level, b *bench, rule limitRule) predictor {
	mean, cov := l.posterior(b.car, m.bias)
	pull, cell := l.spread()
	atLimit := b.meanLimit(rule)
	cars, pulls := b.carCount(), b.pullCount()
	if l.Model != nil {
		cars, pulls = l.Cars, l.Pulls
	}
	return predictor{
		cov: withChange(cov, m), own: len(mean) - 1, pullSD: pull * atLimit, cellSD: cell * atLimit,
		cars: cars, pulls: pulls, says: l.says(b.car), moves: m.moves,
		margin: func(s *state, limit float64) (float64, []float64, bool) {
			d := l.design(s)
			factor := math.Exp(value.Dot(d, mean))
			v := factor * m.predictor(p, s)
			if !value.Known(v) {
				return 0, nil, false
			}
			g := make([]float64, len(d), len(d)+2)
			for i := range d {
				g[i] = -m.side * v * d[i]
			}
			rest, spark := p.changeOf(m, s)
			return m.side * (limit - v), append(g, -m.side*factor*rest, -m.side*factor*spark), true
		},
	}
}

// meanLimit is the mean size of a limit over the states it applies to, 0 without one.
func (b *bench) meanLimit(rule limitRule) float64 {
	sum, n := 0.0, 0.0
	for i := range b.states {
		if limit, applies := rule.at(&b.states[i]); applies {
			sum += math.Abs(limit)
			n++
		}
	}
	return sum / math.Max(n, 1)
}

// predictorOf chooses how a metric is predicted, or says why it cannot be.
func (p *platform) predictorOf(f *platformFit, b *bench, m *metric, rule limitRule) (predictor, string) {
	if m.computed {
		return p.computedPredictor(m, f.Levels[m.name], b, rule), ""
	}
	if fit, ok := f.marginOf(m, b.car); ok {
		return p.measuredPredictor(fit, m, b), ""
	}
	return predictor{}, m.noClaim
}

// changeOf is how far a metric's predictor moved from what was logged: through spark, and through all else. They are
// kept apart because their errors are: more charge and less spark may cancel in torque, what is not known of either
// does not.
func (p *platform) changeOf(m *metric, s *state) (rest, spark float64) {
	if s.logged == nil {
		return 0, 0
	}
	kept := *s
	kept.sim = s.sparkKept
	now, between, then := m.predictor(p, s), m.predictor(p, &kept), m.predictor(p, s.logged)
	if !value.Known(now) || !value.Known(between) || !value.Known(then) {
		return 0, 0
	}
	return between - then, now - between
}

// withChange adds the relative errors of a metric's change, through all but spark and through spark, to a covariance.
func withChange(cov *mat.SymDense, m *metric) *mat.SymDense {
	n := cov.SymmetricDim()
	out := mat.NewSymDense(n+2, nil)
	for i := range n {
		for j := i; j < n; j++ {
			out.SetSym(i, j, cov.At(i, j))
		}
	}
	out.SetSym(n, n, m.changeSD*m.changeSD)
	out.SetSym(n+1, n+1, m.sparkSD*m.sparkSD)
	return out
}

// limitRule is one limit as an evaluation needs it.
type limitRule struct {
	hazard, severity, source string
	at                       func(s *state) (float64, bool)
}

func ruleOf(l *workspace.Limit, m *metric) limitRule {
	return limitRule{
		hazard: l.Hazard, severity: l.EffectiveSeverity(), source: l.Source,
		at: func(s *state) (float64, bool) { return l.At(m.speedOf(s), s.load) },
	}
}

// evaluate runs one predictor against one limit over the bench, for the revision and, with the same draws, its parent.
func (p *platform) evaluate(b *bench, pr predictor, rule limitRule) (*evaluation, error) {
	e := &evaluation{
		hazard: rule.hazard, severity: rule.severity, limitSource: rule.source,
		cars: pr.cars, pulls: pr.pulls, measured: pr.sampled, pr: pr,
	}
	now := risk.Problem{Cov: pr.cov, PullSD: pr.pullSD, CellSD: pr.cellSD, TailShare: pr.tails,
		TailScale: knock.TailScale, Excess: pr.step}
	then := now
	pulls := newIndex[string]()
	cells := newIndex[cellKey]()
	for i := range b.states {
		s := &b.states[i]
		r, ok := pr.nearest(rule, s)
		if !ok {
			continue
		}
		key := b.cellOf(p, i)
		pull, cell := pulls.of(s.pull), cells.of(key)
		now.States = append(now.States, risk.State{Pull: pull, Cell: cell, Margin: r.margin, Grad: r.gradient})
		pt := point{index: i, cell: key, limit: r.limit, margin: r.margin, parentMargin: math.NaN(),
			gradient: r.gradient}
		if b.parent != nil {
			if was, ok := pr.nearest(rule, &b.parent[i]); ok {
				then.States = append(then.States, risk.State{Pull: pull, Cell: cell, Margin: was.margin,
					Grad: was.gradient})
				pt.parentMargin = was.margin
			}
		}
		e.points = append(e.points, pt)
	}
	e.keys, e.problem = cells.keys, now
	if len(now.States) == 0 {
		return e, nil
	}
	problems := []risk.Problem{now}
	if len(then.States) > 0 {
		problems = append(problems, then)
	}
	results, err := risk.EvaluateMany(problems, b.draws, b.seed)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", rule.hazard, err)
	}
	e.result = results[0]
	if len(results) > 1 {
		e.before = results[1]
	}
	return e, nil
}

// cellOf is the cell a state counts in.
func (b *bench) cellOf(p *platform, i int) cellKey {
	if b.cells != nil {
		return b.cells[i]
	}
	return p.cellOf(&b.states[i])
}

// hazardEvaluations evaluates every limit of a hazard; why says what could not be assessed.
func (p *platform) hazardEvaluations(f *platformFit, b *bench, h workspace.HazardInfo) (
	out []*evaluation, why string, err error) {
	if h.Name == workspace.Knock {
		e, why, err := p.knockEvaluation(f, b, h)
		if e == nil || err != nil {
			return nil, why, err
		}
		return []*evaluation{e}, why, nil
	}
	limits := p.LimitsFor(h.Name)
	if len(limits) == 0 {
		return nil, p.noLimit(h.Name), nil
	}
	var missing []string
	for _, l := range limits {
		m := metricNamed(l.Metric)
		rule := ruleOf(l, m)
		pr, no := p.predictorOf(f, b, m, rule)
		if no != "" {
			missing = append(missing, no)
			continue
		}
		e, err := p.evaluate(b, pr, rule)
		if err != nil {
			return nil, "", err
		}
		if len(e.points) == 0 {
			missing = append(missing, p.nothingToJudge(m, l, b))
			continue
		}
		e.metric, e.unit, e.side = m.name, m.unit, m.side
		out = append(out, e)
	}
	return out, strings.Join(missing, "; "), nil
}

// noLimit says why a hazard has no limit to be judged against.
func (p *platform) noLimit(hazard string) string {
	if slices.Contains(p.UnreadLimits, hazard) {
		return "a limit for it in " + p.File + " could not be read"
	}
	return "no limit for it in " + p.File
}

// nothingToJudge says why a limit met no state.
func (p *platform) nothingToJudge(m *metric, l *workspace.Limit, b *bench) string {
	for i := range b.states {
		if _, applies := l.At(b.states[i].rpm, b.states[i].load); applies {
			return m.noClaim
		}
	}
	return fmt.Sprintf("no logged pull is in the speed range where the %s limit applies", m.name)
}

func (p *platform) knockEvaluation(f *platformFit, b *bench, h workspace.HazardInfo) (*evaluation, string, error) {
	if f.Knock == nil {
		return nil, f.KnockWhy, nil
	}
	tolerated := -p.KnockControl.ToleratedRetardDeg
	rule := limitRule{
		hazard: h.Name, severity: h.Severity, source: p.KnockControl.Source,
		at: func(*state) (float64, bool) { return tolerated, true },
	}
	e, err := p.evaluate(b, p.knockPredictor(f, b), rule)
	if err != nil {
		return nil, "", err
	}
	if len(e.points) == 0 {
		return nil, "no pull has spark, load, charge temperature and lambda together", nil
	}
	e.metric, e.unit, e.side = KnockMargin, "deg", -1
	return e, "", nil
}

func metricNamed(name string) *metric {
	for i := range metrics {
		if metrics[i].name == name {
			return &metrics[i]
		}
	}
	return nil
}

// index numbers keys in the order they are met.
type index[K comparable] struct {
	keys  []K
	known map[K]int
}

func newIndex[K comparable]() *index[K] { return &index[K]{known: map[K]int{}} }

func (x *index[K]) of(k K) int {
	i, ok := x.known[k]
	if !ok {
		i = len(x.keys)
		x.known[k] = i
		x.keys = append(x.keys, k)
	}
	return i
}

func (b *bench) carCount() int {
	cars := newIndex[string]()
	for i := range b.states {
		cars.of(b.states[i].car)
	}
	return len(cars.keys)
}

func (b *bench) pullCount() int {
	pulls := newIndex[string]()
	for i := range b.states {
		pulls.of(b.states[i].pull)
	}
	return len(pulls.keys)
}
