package assess

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/risk"
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
	prepared, err := j.prepared(rev.Platform)
	if err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	p, f := prepared.platform, prepared.fit
	rows, err := j.evidenceFor(prepared, rev, j.carOf(rev))
	if err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	r := j.blankReview(rev)
	b, err := p.benchFor(f, j.ws, rows, rev, j.carOf(rev))
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
	if r.OwnLogs, err = p.ownLogs(f, rows, rev, b.car, hardwareDate(j.ws, rev)); err != nil {
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
		Stamp:    j.stamp("headroom/review/1"),
		Revision: rev.ID, Parent: rev.Parent, Platform: rev.Platform, Vehicle: j.alias(rev.Vehicle), Author: rev.Author, Fuel: rev.Fuel,
		Because: []string{}, Hazards: []Hazard{}, Findings: []Finding{}, Gains: []Gain{}, Conditions: []Condition{},
		Footprint: Footprint{NotModelled: []string{}}, NextPulls: []NextPull{}, Cautions: []string{}, OwnLogs: []OwnLog{}, worst: map[string]*evaluation{},
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
		RPM: Span{Number(math.NaN()), Number(math.NaN())}, LoadPct: Span{Number(math.NaN()), Number(math.NaN())}, Gear: Number(math.NaN()),
		Channels: wantedChannels(), Narrows: "everything: no full-throttle pull of this platform has been logged yet",
	}}
	p.judge(r, nil)
	r.Cautions = append(r.Cautions, lintNotes(j.ws.Revisions[r.Revision], &r.Footprint)...)
	r.Cautions = append(r.Cautions, StandingCautions...)
	return r, nil
}

func notAssessed(h workspace.HazardInfo, severity, why string) Hazard {
	none := Number(math.NaN())
	return Hazard{Hazard: h.Name, Severity: severity, Status: StatusNotAssessed, Why: why,
		ProbabilityPerPull: none, Interval90: Span{none, none}, Basis: BasisPredicted, Parent: none, Change90: Span{none, none}}
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
		return out
	}
	worst := worstOf(evals)
	out.Status, out.Basis, out.Cars, out.Pulls = StatusAssessed, b.basis, worst.cars, worst.pulls
	out.ProbabilityPerPull = Number(worst.result.Probability)
	out.Interval90 = Span{Number(worst.result.Low), Number(worst.result.High)}
	if len(worst.before.Draws) > 0 {
		low, high := risk.Difference(worst.before, worst.result)
		out.Parent, out.Change90 = Number(worst.before.Probability), Span{Number(low), Number(high)}
	}
	if thin := p.thin(worst.cars, worst.pulls); thin != "" && worst.measured {
		out.Status = StatusThin
		why = joinReasons(thin, why)
	}
	if out.unseen = worst.measured && worst.pr.unseen && b.named; out.unseen {
		why = joinReasons("never logged on this car: judged by the spread between cars", why)
	}
	if len(evals) > 1 {
		why = joinReasons(fmt.Sprintf("worst of %d limits: %s", len(evals), words(worst.metric)), why)
	}
	if !worst.measured {
		why = joinReasons(worst.pr.says, why)
	}
	out.Why = why
	return out
}

// worstOf is the evaluation most likely to be crossed, nil without one.
func worstOf(evals []*evaluation) *evaluation {
	if len(evals) == 0 {
		return nil
	}
	return slices.MaxFunc(evals, func(a, b *evaluation) int { return cmp.Compare(a.result.Probability, b.result.Probability) })
}

func joinReasons(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// thin says why evidence is too thin, or "".
func (p *platform) thin(cars, pulls int) string {
	d := p.decision
	if cars >= d.ThinCars && pulls >= d.ThinPulls {
		return ""
	}
	return fmt.Sprintf("%s and %s; %d cars and %d pulls are asked for", count(cars, "car"), count(pulls, "pull"), d.ThinCars, d.ThinPulls)
}

// findings turns the cells of an evaluation into findings.
func (p *platform) findings(f *platformFit, b *bench, e *evaluation, class string) []Finding {
	out := make([]Finding, 0, len(e.result.Cells))
	for _, c := range e.result.Cells {
		key := e.keys[c.Cell]
		in := e.inCell(b, key)
		limit := in.limit
		value := func(margin float64) Number { return Number(limit - e.side*margin) }
		fd := Finding{
			Hazard: e.hazard, Severity: e.severity, Cell: p.cell(key), Metric: e.metric, Unit: e.unit,
			Predicted: value(c.Margin.Mean), Interval90: ordered(value(c.Margin.Low), value(c.Margin.High)),
			Limit: Number(limit), LimitSource: e.limitSource, Margin: Number(c.Margin.Mean), MarginSD: Number(c.Margin.SD),
			ProbabilityPerPull: Number(c.Probability), Basis: b.basis, Change: in.change, worsened: in.worsened,
		}
		fd.Envelope = p.envelopeCheck(f, e, class, key, float64(fd.Predicted))
		fd.Say = p.sentence(&fd)
		out = append(out, fd)
	}
	return out
}

func ordered(a, b Number) Span {
	if a > b {
		a, b = b, a
	}
	return Span{a, b}
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
		spark += orElse(s.spark-was.spark, 0)
		lambda += orElse(s.lambdaCmd-was.lambdaCmd, orElse(s.lambda-was.lambda, 0))
		boost += orElse(s.manifold-was.manifold, 0)
		moved += orElse(pt.parentMargin-pt.margin, 0)
	}
	return cellChange{
		limit:    limit / n,
		change:   Change{SparkDeg: Number(spark / n), Lambda: Number(lambda / n), BoostKPa: Number(boost / n)},
		worsened: moved/n > 1e-6,
	}
}

func (p *platform) envelopeCheck(f *platformFit, e *evaluation, class string, key cellKey, predicted float64) EnvelopeCheck {
	c, ok := f.Envelopes[envelopeKey{evidence.KindPull, class, e.metric, key, e.side}]
	check := EnvelopeCheck{Limit: Number(math.NaN())}
	if !ok {
		return check
	}
	check.Cars, check.Pulls = c.Cars, c.Pulls
	if c.Status != StatusAssessed {
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

// rankFindings orders findings by the printed rule of models/risk.
func rankFindings(in []Finding) ([]Finding, error) {
	items := make([]risk.Finding, len(in))
	for i, f := range in {
		items[i] = risk.Finding{Severity: f.Severity, Probability: float64(f.ProbabilityPerPull), Margin: float64(f.Margin), MarginSD: float64(f.MarginSD)}
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
	own := filterRows(pullRows(rows), func(x *evidence.Row) bool { return x.Revision == rev.ID })
	if len(own) == 0 {
		return nil
	}
	var out []string
	note := func(hazard, severity string, crossed int) {
		if crossed == 0 {
			return
		}
		say := fmt.Sprintf("%s: measured beyond its limit in %d of %d own pulls", words(hazard), crossed, countPulls(own))
		if serious(severity) {
			out = append(out, say)
			return
		}
		r.Cautions = append(r.Cautions, say)
	}
	if p.KnockControl != nil {
		note(workspace.Knock, workspace.Major, countPulls(filterRows(own, func(x *evidence.Row) bool {
			return x.RetardMax > p.KnockControl.ToleratedRetardDeg
		})))
	}
	for i := range p.Limits {
		l := &p.Limits[i]
		m := metricNamed(l.Metric)
		if m == nil || m.measured == nil {
			continue
		}
		note(l.Hazard, l.EffectiveSeverity(), countPulls(filterRows(own, func(x *evidence.Row) bool {
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
			RPM: (float64(key[0]) + 0.5) * p.rpmStep, Margin: cell.Margin.Mean, Low: cell.Margin.Low, High: cell.Margin.High,
			Parent: math.NaN(), Envelope: Number(math.NaN()), Cars: e.cars,
		}
		if v, ok := parent[key[0]]; ok {
			pt.Parent = v
		}
		if env, ok := f.Envelopes[envelopeKey{evidence.KindPull, class, e.metric, key, e.side}]; ok && env.Status == StatusAssessed {
			pt.Envelope = Number(e.side * (e.inCell(b, key).limit - float64(env.Limit)))
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
		if known(pt.parentMargin) {
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
