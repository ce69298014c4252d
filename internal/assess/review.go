package assess

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/internal/say"
	"headroom/internal/workspace"
	"headroom/models/risk"
	"headroom/models/value"
)

// The ranked list holds fewFindings in any case and up to mostFindings whose probability is worth a line; hazards keep
// their own summaries, so nothing assessed is lost.
const (
	fewFindings  = 5
	mostFindings = 20
	worthALine   = 0.001
)

// Review scores one revision against its platform's limits and the fleet's evidence.
func (j *Job) Review(id string) (*Review, error) {
	rev, ok := j.ws.Revisions[id]
	if !ok {
		return nil, j.noRevision(id)
	}
	return j.review(rev)
}

func (j *Job) review(rev *workspace.Revision) (*Review, error) {
	id := rev.ID
	m, err := j.Model(rev.Platform)
	if err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	p, f := m.platform, m.fit
	rows, err := j.evidenceFor(rev, j.CarOf(rev))
	if err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	r := j.blankReview(rev)
	since := hardwareDate(j.ws, rev)
	b, err := p.benchFor(f, j.ws, rows, rev, j.CarOf(rev), since)
	if err != nil {
		return j.withoutBench(p, r, err)
	}
	b.seed = j.Seed()
	r.Cautions = append(r.Cautions, b.notes...)
	if say := suspectLambdaSensor(rows, b.car); say != "" {
		r.Cautions = append(r.Cautions, say)
	}
	base := map[string][]*evaluation{}
	for _, h := range workspace.Hazards() {
		evals, why, err := p.hazardEvaluations(f, b, h)
		if err != nil {
			return nil, fmt.Errorf("revision %s: %w", id, err)
		}
		base[h.Name] = evals
		r.worst[h.Name] = worstOf(evals)
		r.Hazards = append(r.Hazards, p.hazardSummary(h, evals, why, b))
		for _, e := range evals {
			r.Findings = append(r.Findings, p.findings(f, b, e, p.fuelClass(rev.Fuel))...)
			r.Curves = append(r.Curves, p.curve(f, b, e, p.fuelClass(rev.Fuel)))
		}
	}
	crossings := p.measuredCrossings(rows, rev, r)
	if r.OwnLogs, err = p.ownLogs(f, rows, rev, b.car, since); err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	if r.Findings, err = rankFindings(r.Findings); err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	if r.Conditions, err = p.stressed(f, b, base); err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	r.Gains = p.gains(b, base)
	r.Footprint = p.footprint(j.ws, rev, b)
	if r.NextPulls, err = p.nextPulls(r, b, base); err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	p.judge(r, crossings)
	r.Findings = worthReading(r.Findings)
	r.Cautions = append(r.Cautions, lintNotes(rev, &r.Footprint)...)
	r.Cautions = append(r.Cautions, p.notes(f)...)
	r.Cautions = append(r.Cautions, StandingCautions...)
	return r, nil
}

func (j *Job) blankReview(rev *workspace.Revision) *Review {
	return &Review{
		Stamp:    j.Stamp("headroom/review/1"),
		Revision: rev.ID, Parent: rev.Parent, Platform: rev.Platform, Vehicle: j.Alias(rev.Vehicle), Author: rev.Author,
		Fuel:    rev.Fuel,
		Because: []string{}, Hazards: []Hazard{}, Findings: []Finding{}, Gains: []Gain{}, Conditions: []Condition{},
		Footprint: Footprint{NotModelled: []string{}}, NextPulls: []NextPull{}, Cautions: []string{},
		OwnLogs: []OwnLog{}, worst: map[string]*evaluation{},
	}
}

// withoutBench is the review of a revision for which there is nothing to run it on: every hazard is listed with the
// reason it could not be assessed.
func (j *Job) withoutBench(p *platform, r *Review, why error) (*Review, error) {
	for _, h := range workspace.Hazards() {
		reason := why.Error()
		switch {
		case h.Name == workspace.Knock && p.KnockControl == nil:
			reason = "the platform file has no knock_control section"
		case h.Name != workspace.Knock && len(p.LimitsFor(h.Name)) == 0:
			reason = p.noLimit(h.Name)
		}
		r.Hazards = append(r.Hazards, notAssessed(h, p.severity(h), reason))
	}
	r.Footprint = p.footprint(j.ws, j.ws.Revisions[r.Revision], &bench{})
	r.NextPulls = []NextPull{{
		RPM: result.UnknownSpan(), LoadPct: result.UnknownSpan(), Gear: result.Unknown(),
		Channels: wantedChannels(), Narrows: "everything: no full-throttle pull of this platform has been logged yet",
	}}
	p.judge(r, nil)
	r.Cautions = append(r.Cautions, lintNotes(j.ws.Revisions[r.Revision], &r.Footprint)...)
	r.Cautions = append(r.Cautions, StandingCautions...)
	return r, nil
}

func notAssessed(h workspace.HazardInfo, severity, why string) Hazard {
	none := result.Unknown()
	return Hazard{Hazard: h.Name, Severity: severity, Status: result.NotAssessed, Why: why,
		ProbabilityPerPull: none, Interval90: result.Span{none, none}, Basis: BasisPredicted, Parent: none,
		Change90: result.Span{none, none}}
}

// severity is the gravest severity the platform gives a hazard.
func (p *platform) severity(h workspace.HazardInfo) string {
	out := h.Severity
	for i, l := range p.LimitsFor(h.Name) {
		if s := l.EffectiveSeverity(); i == 0 || workspace.SeverityRank(s) > workspace.SeverityRank(out) {
			out = s
		}
	}
	return out
}

// hazardSummary takes the worst of a hazard's limits; crossing any of them is crossing the hazard, so the largest
// probability is a lower bound of the hazard's and is named as such when there are several.
func (p *platform) hazardSummary(h workspace.HazardInfo, evals []*evaluation, why string, b *bench) Hazard {
	out := notAssessed(h, p.severity(h), why)
	if len(evals) == 0 {
		out.unread = len(p.LimitsFor(h.Name)) > 0
		return out
	}
	out.partial = why != ""
	worst := worstOf(evals)
	out.Status, out.Basis, out.Cars, out.Pulls = result.Assessed, b.basis, worst.cars, worst.pulls
	out.ProbabilityPerPull = result.Number(worst.result.Probability)
	out.Interval90 = result.Span{result.Number(worst.result.Low), result.Number(worst.result.High)}
	if len(worst.before.Draws) > 0 {
		low, high := risk.Difference(worst.before, worst.result)
		out.Parent, out.Change90 = result.Number(worst.before.Probability), result.Span{result.Number(low),
			result.Number(high)}
	}
	if thin := p.thin(worst.cars, worst.pulls); thin != "" && worst.measured {
		out.Status = result.Thin
		why = say.Join(thin, why)
	}
	if out.unseen = worst.measured && worst.pr.unseen && b.named; out.unseen {
		why = say.Join("never logged on this car: judged by the spread between cars", why)
	}
	if len(evals) > 1 {
		why = say.Join(fmt.Sprintf("worst of %d limits: %s", len(evals), say.Words(worst.metric)), why)
	}
	if !worst.measured {
		why = say.Join(worst.pr.says, why)
	}
	out.Why = why
	return out
}

// worstOf is the evaluation most likely to be crossed, nil without one.
func worstOf(evals []*evaluation) *evaluation {
	if len(evals) == 0 {
		return nil
	}
	return slices.MaxFunc(evals, func(a, b *evaluation) int {
		return cmp.Compare(a.result.Probability,
			b.result.Probability)
	})
}

// thin says why evidence is too thin, or "".
func (p *platform) thin(cars, pulls int) string {
	d := p.decision
	if cars >= d.ThinCars && pulls >= d.ThinPulls {
		return ""
	}
	return fmt.Sprintf("%s and %s; %d cars and %d pulls are asked for", say.Count(cars, "car"),
		say.Count(pulls, "pull"), d.ThinCars, d.ThinPulls)
}

// findings turns the cells of an evaluation into findings.
func (p *platform) findings(f *platformFit, b *bench, e *evaluation, class string) []Finding {
	out := make([]Finding, 0, len(e.result.Cells))
	for _, c := range e.result.Cells {
		key := e.keys[c.Cell]
		in := e.inCell(b, key)
		limit := in.limit
		value := func(margin float64) result.Number { return result.Number(limit - e.side*margin) }
		fd := Finding{
			Hazard: e.hazard, Severity: e.severity, Cell: p.cell(key), Metric: e.metric, Unit: e.unit,
			Predicted: value(c.Margin.Mean), Interval90: ordered(value(c.Margin.Low), value(c.Margin.High)),
			Limit: result.Number(limit), LimitSource: e.limitSource, Margin: result.Number(c.Margin.Mean),
			MarginSD:           result.Number(c.Margin.SD),
			ProbabilityPerPull: result.Number(c.Probability), Basis: b.basis, Change: in.change, worsened: in.worsened,
		}
		fd.Envelope = p.envelopeCheck(f, e, class, key, float64(fd.Predicted))
		fd.Say = p.sentence(&fd)
		out = append(out, fd)
	}
	return out
}

func ordered(a, b result.Number) result.Span {
	if a > b {
		a, b = b, a
	}
	return result.Span{a, b}
}

// cellChange is what the revision does in one cell, averaged over its states.
type cellChange struct {
	limit    float64
	change   Change
	worsened bool
}

func (e *evaluation) inCell(b *bench, key cellKey) cellChange {
	var n, limit, spark, lambda, boost, moved float64
	for _, pt := range e.points {
		if pt.cell != key {
			continue
		}
		s, was := &b.states[pt.index], &b.parent[pt.index]
		n++
		limit += pt.limit
		spark += value.Or(s.spark-was.spark, 0)
		lambda += value.Or(s.lambdaCmd-was.lambdaCmd, value.Or(s.lambda-was.lambda, 0))
		boost += value.Or(s.manifold-was.manifold, 0)
		moved += value.Or(pt.parentMargin-pt.margin, 0)
	}
	return cellChange{
		limit: limit / n,
		change: Change{SparkDeg: result.Number(spark / n), Lambda: result.Number(lambda / n),
			BoostKPa: result.Number(boost / n)},
		worsened: moved/n > 1e-6,
	}
}

func (p *platform) envelopeCheck(f *platformFit, e *evaluation, class string, key cellKey,
	predicted float64) EnvelopeCheck {
	c, ok := f.Envelopes[envelopeKey{evidence.KindPull, class, e.metric, key, e.side}]
	check := EnvelopeCheck{Limit: result.Unknown()}
	if !ok {
		return check
	}
	check.Cars, check.Pulls = c.Cars, c.Pulls
	if c.Status != result.Assessed {
		return check
	}
	check.Limit = c.Limit
	inside := e.side*(predicted-float64(c.Limit)) <= 0
	check.Inside = &inside
	return check
}

// worthReading cuts the ranked list where it stops telling the reader anything.
func worthReading(ranked []Finding) []Finding {
	for i := range ranked {
		if i >= mostFindings || (i >= fewFindings && float64(ranked[i].ProbabilityPerPull) < worthALine) {
			return ranked[:i]
		}
	}
	return ranked
}

// rankFindings orders findings by risk.Rank: severity times chance of crossing, ties by margin.
func rankFindings(in []Finding) ([]Finding, error) {
	items := make([]risk.Finding, len(in))
	for i, f := range in {
		items[i] = risk.Finding{Weight: severityWeights[f.Severity], Probability: float64(f.ProbabilityPerPull),
			Margin: float64(f.Margin), MarginSD: float64(f.MarginSD)}
	}
	order, err := risk.Rank(items)
	if err != nil {
		return nil, err
	}
	out := make([]Finding, len(in))
	for rank, i := range order {
		out[rank] = in[i]
		out[rank].Rank = rank + 1
	}
	return out, nil
}

// measuredCrossings lists limits the revision's own logs were seen to cross, and marks those hazards as measured.
func (p *platform) measuredCrossings(rows []evidence.Row, rev *workspace.Revision, r *Review) []string {
	own := evidence.Filter(evidence.PullRows(rows), func(x *evidence.Row) bool { return x.Revision == rev.ID })
	if len(own) == 0 {
		return nil
	}
	var out []string
	note := func(hazard, severity string, crossed int) {
		if crossed == 0 {
			return
		}
		say := fmt.Sprintf("%s: measured beyond its limit in %d of %d own pulls", say.Words(hazard), crossed,
			evidence.CountPulls(own))
		if serious(severity) {
			out = append(out, say)
			return
		}
		r.Cautions = append(r.Cautions, say)
	}
	if p.KnockControl != nil {
		note(workspace.Knock, workspace.Major, evidence.CountPulls(evidence.Filter(own, func(x *evidence.Row) bool {
			return x.RetardMax > p.KnockControl.ToleratedRetardDeg
		})))
	}
	for i := range p.Limits {
		l := &p.Limits[i]
		m := metricNamed(l.Metric)
		if m == nil || m.measured == nil {
			continue
		}
		note(l.Hazard, l.EffectiveSeverity(), evidence.CountPulls(evidence.Filter(own, func(x *evidence.Row) bool {
			return p.measuredMargin(m, l, x) < 0
		})))
	}
	return out
}

// curve is the worst cell at each speed.
func (p *platform) curve(f *platformFit, b *bench, e *evaluation, class string) Curve {
	c := Curve{Hazard: e.hazard, Metric: e.metric, Unit: e.unit}
	bySpeed := map[int]CurvePoint{}
	parent := e.parentBySpeed(p, b)
	for _, cell := range e.result.Cells {
		key := e.keys[cell.Cell]
		if old, ok := bySpeed[key[0]]; ok && old.Margin <= cell.Margin.Mean {
			continue
		}
		pt := CurvePoint{
			RPM: (float64(key[0]) + 0.5) * p.rpmStep, Margin: cell.Margin.Mean, Low: cell.Margin.Low,
			High:   cell.Margin.High,
			Parent: math.NaN(), Envelope: result.Unknown(), Cars: e.cars,
		}
		if v, ok := parent[key[0]]; ok {
			pt.Parent = v
		}
		if env, ok := f.Envelopes[envelopeKey{evidence.KindPull, class, e.metric, key, e.side}]; ok &&
			env.Status == result.Assessed {
			pt.Envelope = result.Number(e.side * (e.inCell(b, key).limit - float64(env.Limit)))
			pt.Cars = env.Cars
		}
		bySpeed[key[0]] = pt
	}
	for _, pt := range bySpeed {
		c.Points = append(c.Points, pt)
	}
	slices.SortFunc(c.Points, func(a, b CurvePoint) int { return cmp.Compare(a.RPM, b.RPM) })
	return c
}

// parentBySpeed is the parent's smallest mean cell margin at each speed bin.
func (e *evaluation) parentBySpeed(p *platform, b *bench) map[int]float64 {
	sum, n := map[cellKey]float64{}, map[cellKey]float64{}
	for _, pt := range e.points {
		if value.Known(pt.parentMargin) {
			k := p.cellOf(&b.parent[pt.index])
			sum[k] += pt.parentMargin
			n[k]++
		}
	}
	out := map[int]float64{}
	for k := range sum {
		v := sum[k] / n[k]
		if old, ok := out[k[0]]; !ok || v < old {
			out[k[0]] = v
		}
	}
	return out
}
