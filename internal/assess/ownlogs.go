package assess

import (
	"cmp"
	"fmt"
	"math"

	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/internal/say"
	"headroom/internal/workspace"
	"headroom/models/lifetime"
	"headroom/models/value"
)

// OwnLog sets what the revision's own logs showed against what its tables led one to expect, for one limited metric.
type OwnLog struct {
	Hazard       string        `json:"hazard"`
	Metric       string        `json:"metric"`
	Unit         string        `json:"unit"`
	Pulls        int           `json:"pulls"`
	Expected     result.Number `json:"expected"` // mean over the rows, from the fleet's model at the logged states
	Measured     result.Number `json:"measured"` // mean over the same rows
	Rows         int           `json:"rows"`
	Outside      int           `json:"outside"` // pulls whose mean lies outside the 99 % band of one pull's mean
	PullsCrossed int           `json:"pulls_crossed"`
	Crossing99   result.Span   `json:"crossing_interval99"` // exact, of the share of pulls that cross
	Surprise     bool          `json:"surprise"`
	Say          string        `json:"say"`
}

// expectation is what the fleet's models say that a logged state should show, and by how much it may differ.
type expectation struct {
	mean   float64
	level  float64 // deviation from what is not known of the level
	shared float64 // deviation shared by the rows of a pull, its day's included
	row    float64 // deviation of one row about that
}

// expect is the expectation of a metric for a car at a logged state; ok is false where there is none.
func (p *platform) expect(f *platformFit, m *metric, s *state, car string) (e expectation, ok bool, err error) {
	x := m.predictor(p, s)
	if !value.Known(x) {
		return e, false, nil
	}
	if l := f.Levels[m.name]; m.computed {
		if l.Model == nil {
			return e, false, nil
		}
		mean, sd, _, err := l.Model.Predict(car, levelCovariates(s))
		pull, cell := l.spread()
		v := x * math.Exp(mean)
		return expectation{v, v * sd, v * pull, v * cell}, true, err
	}
	fit, fitted := f.marginOf(m, car)
	if !fitted {
		return e, false, nil
	}
	mean, sd, _, err := fit.Model.Predict(car, marginCovariates(s, x, fit.Ref))
	return expectation{mean, sd, math.Sqrt(fit.Model.DayVar + fit.Model.PullVar), math.Sqrt(fit.Model.ResidualVar)},
		true, err
}

// pullGap sums what one pull measured beyond expectation; rows of a pull share its weather and fuel, so the pull is
// what is counted.
type pullGap struct {
	sum, n             float64
	level, shared, row float64 // largest deviations expected of its rows
}

func (g *pullGap) add(measured float64, e expectation) {
	g.sum += measured - e.mean
	g.n++
	g.level, g.shared, g.row = math.Max(g.level, e.level), math.Max(g.shared, e.shared), math.Max(g.row, e.row)
}

// outside reports whether the pull's mean lies outside its 99 % band.
func (g *pullGap) outside() bool {
	return math.Abs(g.sum/g.n) > z99*math.Sqrt(g.level*g.level+g.shared*g.shared+g.row*g.row/g.n)
}

// z99 is the standard normal quantile of a two-sided 99 % band.
const z99 = 2.5758293035489004

// surpriseAlpha is the chance at which so many pulls outside their band count as a surprise.
const surpriseAlpha = 0.01

// ownLogs compares prediction and measurement for each metric the revision's own logs hold, from since on. The fleet's
// fit has these logs in it, which pulls the expectation towards them: a surprise is one all the more.
func (p *platform) ownLogs(f *platformFit, rows []evidence.Row, rev *workspace.Revision, car, since string) (
	[]OwnLog, error) {
	own := evidence.Filter(evidence.PullRows(rows), func(r *evidence.Row) bool {
		return r.Revision == rev.ID && (r.Date == "" || r.Date >= since)
	})
	out := []OwnLog{}
	if len(own) == 0 {
		return out, nil
	}
	for _, h := range workspace.Hazards() {
		for _, l := range p.LimitsFor(h.Name) {
			m := metricNamed(l.Metric)
			if m == nil || m.measured == nil {
				continue
			}
			o, err := p.ownLog(f, m, l, own, car)
			if err != nil {
				return nil, fmt.Errorf("own logs, %s: %w", m.name, err)
			}
			if o.Rows > 0 {
				out = append(out, o)
			}
		}
	}
	return out, nil
}

func (p *platform) ownLog(f *platformFit, m *metric, l *workspace.Limit, own []*evidence.Row,
	car string) (OwnLog, error) {
	o := OwnLog{Hazard: l.Hazard, Metric: m.name, Unit: m.unit, Crossing99: result.UnknownSpan()}
	var expected, measured float64
	var crossed []*evidence.Row
	pulls := newIndex[string]()
	var gaps []pullGap
	for _, r := range own {
		s := stateOf(r)
		s.pumpKnee = f.kneeOf(r.Vehicle)
		f.knowRail(&s)
		p.simulate(&s)
		y := m.measured(p, r)
		e, ok, err := p.expect(f, m, &s, cmp.Or(car, r.Vehicle))
		if err != nil {
			return o, err
		}
		if !ok || !value.Known(y) {
			continue
		}
		o.Rows++
		expected += e.mean
		measured += y
		k := pulls.of(evidence.PullID(r))
		if k == len(gaps) {
			gaps = append(gaps, pullGap{})
		}
		gaps[k].add(y, e)
		if p.measuredMargin(m, l, r) < 0 {
			crossed = append(crossed, r)
		}
	}
	if o.Rows == 0 {
		return o, nil
	}
	o.Expected, o.Measured = result.Number(expected/float64(o.Rows)), result.Number(measured/float64(o.Rows))
	o.Pulls, o.PullsCrossed = len(gaps), evidence.CountPulls(crossed)
	for i := range gaps {
		if gaps[i].outside() {
			o.Outside++
		}
	}
	interval, err := lifetime.ShareInterval(o.PullsCrossed, o.Pulls, 0.99)
	if err != nil {
		return o, err
	}
	o.Crossing99 = result.Span{result.Number(interval.Low), result.Number(interval.High)}
	lower, err := lifetime.ShareLower(o.Outside, o.Pulls, 1-surpriseAlpha)
	if err != nil {
		return o, err
	}
	o.Surprise = lower > 0.01
	o.Say = fmt.Sprintf("%s in %s of the revision: %s on average where %s was expected; %d of %d pulls lie outside "+
		"their 99 %% band.",
		say.Capital(say.Metric(m.name)), say.Count(o.Pulls, "pull"), say.Quantity(o.Measured, m.unit),
		say.Quantity(o.Expected, m.unit), o.Outside, o.Pulls)
	return o, nil
}
