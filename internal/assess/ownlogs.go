package assess

import (
	"fmt"
	"math"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/lifetime"
	"headroom/models/value"
)

// OwnLog sets what the revision's own logs showed against what its tables led one to expect, for one limited metric.
type OwnLog struct {
	Hazard       hazard.ID     `json:"hazard"`
	Metric       metric.ID     `json:"metric"`
	Unit         string        `json:"unit"`
	Pulls        int           `json:"pulls"`
	Expected     result.Number `json:"expected"` // mean over the cells visited, from the fleet's model
	Measured     result.Number `json:"measured"` // mean over the same cells
	Cells        int           `json:"cells"`    // visits of a pull to a cell behind the two means
	Outside      int           `json:"outside"`  // pulls whose mean lies outside the 99 % band of one pull's mean
	PullsCrossed int           `json:"pulls_crossed"`
	Crossing99   result.Span   `json:"crossing_interval99"` // exact, of the share of pulls that cross
	Surprise     bool          `json:"surprise"`
	Say          string        `json:"say"`  // the row in words, by internal/report
	Logs         []OwnLogPart  `json:"logs"` // the same by log, in the evidence's order
}

// OwnLogPart is one log's part of an OwnLog.
type OwnLogPart struct {
	Vehicle      string        `json:"vehicle"`
	Run          string        `json:"run"`
	Pulls        int           `json:"pulls"`
	Expected     result.Number `json:"expected"`
	Measured     result.Number `json:"measured"`
	Outside      int           `json:"outside"`
	PullsCrossed int           `json:"pulls_crossed"`
}

// expectation is what the fleet's models say that a logged state should show, and by how much it may differ.
type expectation struct {
	mean   float64
	level  float64 // deviation from what is not known of the level
	shared float64 // deviation shared by the rows of a pull, its day's included
	row    float64 // deviation of one row about that
}

// expect is the expectation of a metric for the logged car at a logged state; ok is false where there is none.
func (m *Model) expect(q *fleet.Quantity, s *state.State) (e expectation, ok bool, err error) {
	x := q.Predictor(m.Platform, s)
	if !value.Known(x) {
		return e, false, nil
	}
	if q.Stands {
		l := m.Levels[q.ID]
		mean, sd, row, ok, err := l.Expect(s, s.Car)
		v := x * math.Exp(mean)
		return expectation{v, v * sd, v * l.PullSD(), v * row}, ok, err
	}
	fit, fitted := m.MarginOf(q, s.Car)
	if !fitted {
		return e, false, nil
	}
	mean, sd, err := fit.Expect(m.Platform, s, x, s.Car)
	shared := math.Sqrt(fit.Model.DayVar + fit.Model.PullVar)
	return expectation{mean, sd, shared, math.Sqrt(fit.Model.ResidualVar)}, true, err
}

// pullGap sums what one pull measured beyond expectation; rows of a pull share its weather and fuel, so the pull is
// what is counted.
type pullGap struct {
	vehicle, run       string
	expected, measured float64 // sums over its rows
	gap, n             float64
	level, shared, row float64 // largest deviations expected of its rows
	crossed            bool
}

func (g *pullGap) add(measured float64, e expectation) {
	g.expected += e.mean
	g.measured += measured
	g.gap += measured - e.mean
	g.n++
	g.level, g.shared, g.row = math.Max(g.level, e.level), math.Max(g.shared, e.shared), math.Max(g.row, e.row)
}

// outside reports whether the pull's mean lies outside its 99 % band.
func (g *pullGap) outside() bool {
	return math.Abs(g.gap/g.n) > z99*math.Sqrt(g.level*g.level+g.shared*g.shared+g.row*g.row/g.n)
}

// z99 is the standard normal quantile of a two-sided 99 % band.
const z99 = 2.5758293035489004

// surpriseAlpha is the chance at which so many pulls outside their band count as a surprise.
const surpriseAlpha = 0.01

// ownLogs compares prediction and measurement for each metric that pulls made on the revision hold. The fleet's fit has
// these logs in it, which pulls the expectation towards them: a surprise is one all the more.
func (m *Model) ownLogs(own []evidence.Row) ([]OwnLog, error) {
	out := []OwnLog{}
	visits := make([]state.Visit, len(own))
	for i := range own {
		visits[i] = m.Logged(&own[i])
	}
	for _, h := range hazard.All() {
		for _, l := range m.LimitsFor(h.ID) {
			q := fleet.QuantityOf(l.Metric)
			if q == nil || q.Measured == nil {
				continue
			}
			o, err := m.ownLog(q, l, visits)
			if err != nil {
				return nil, fmt.Errorf("own logs, %s: %w", q.ID, err)
			}
			if o.Pulls > 0 {
				out = append(out, o)
			}
		}
	}
	return out, nil
}

func (m *Model) ownLog(q *fleet.Quantity, l *workspace.Limit, visits []state.Visit) (OwnLog, error) {
	o := OwnLog{Hazard: l.Hazard, Metric: q.ID, Unit: q.Unit, Crossing99: result.UnknownSpan(), Logs: []OwnLogPart{}}
	pulls, err := m.pullGaps(q, l, visits)
	if err != nil || len(pulls) == 0 {
		return o, err
	}
	logs := evidence.NewIndex[string]()
	cells := 0.0
	for i := range pulls {
		g := &pulls[i]
		k := logs.Of(g.run)
		if k == len(o.Logs) {
			o.Logs = append(o.Logs, OwnLogPart{Vehicle: g.vehicle, Run: g.run})
		}
		o.Logs[k].add(g)
		cells += g.n
		if g.outside() {
			o.Outside++
		}
		if g.crossed {
			o.PullsCrossed++
		}
	}
	for k := range o.Logs {
		o.Logs[k].mean(pulls)
	}
	o.Pulls, o.Cells = len(pulls), int(cells)
	o.Expected = result.Number(sumOf(pulls, func(g *pullGap) float64 { return g.expected }) / cells)
	o.Measured = result.Number(sumOf(pulls, func(g *pullGap) float64 { return g.measured }) / cells)
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
	return o, nil
}

// pullGaps sums up each pull that measured a metric where something was expected, in the order of the visits.
func (m *Model) pullGaps(q *fleet.Quantity, l *workspace.Limit, visits []state.Visit) ([]pullGap, error) {
	index, read := evidence.NewIndex[string](), m.AsRead()
	var out []pullGap
	for i := range visits {
		s := &visits[i].State
		y := q.Fine(m.Platform, s)
		e, ok, err := m.expect(q, s)
		if err != nil {
			return nil, err
		}
		if !ok || !value.Known(y) {
			continue
		}
		k := index.Of(s.Pull)
		if k == len(out) {
			out = append(out, pullGap{vehicle: s.Car, run: s.Row.Run})
		}
		out[k].add(y, e)
		if q.Margin(read, s, l.At) < 0 {
			out[k].crossed = true
		}
	}
	return out, nil
}

// add counts a pull of the log.
func (p *OwnLogPart) add(g *pullGap) {
	p.Pulls++
	if g.outside() {
		p.Outside++
	}
	if g.crossed {
		p.PullsCrossed++
	}
}

// mean sets the log's means over its pulls, of all pulls.
func (p *OwnLogPart) mean(pulls []pullGap) {
	var expected, measured, n float64
	for i := range pulls {
		if g := &pulls[i]; g.run == p.Run {
			expected, measured, n = expected+g.expected, measured+g.measured, n+g.n
		}
	}
	p.Expected, p.Measured = result.Number(expected/n), result.Number(measured/n)
}

func sumOf(pulls []pullGap, of func(*pullGap) float64) float64 {
	sum := 0.0
	for i := range pulls {
		sum += of(&pulls[i])
	}
	return sum
}
