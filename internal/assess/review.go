package assess

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/risk"
	"headroom/models/value"
)

// The ranked list holds fewFindings in any case and up to mostFindings whose probability is worth a line; hazards keep
// their own summaries, so nothing assessed is lost.
const (
	fewFindings  = 5
	mostFindings = 20
)

// WorthALine is the chance a pull from which a finding or an evidence gap is worth a line; common practice, no source.
const WorthALine = 0.001

// negligible is the share of one pull's deviation by which a cell's margin may shrink without the revision counting as
// moving it towards the limit: 0.05 of a deviation moves a chance of 5 % by half a per cent. Common practice, no
// source.
const negligible = 0.05

// Review scores one revision against its platform's limits and the fleet's evidence.
func (j *Job) Review(id string) (*Review, error) {
	r, err := j.ReviewWithoutUses(id)
	if err != nil {
		return nil, err
	}
	return r, j.overUses(r)
}

// ReviewWithoutUses is Review without the chances over uses, on which no verdict rests.
func (j *Job) ReviewWithoutUses(id string) (*Review, error) {
	rev, ok := j.ws.Revisions[id]
	if !ok {
		return nil, j.noRevision(id)
	}
	return j.review(rev, rev.Vehicle, "")
}

// review scores a revision for a vehicle (workspace.Fleet for a car not seen). Own logs are all that were made on the
// revision, or those of one car.
func (j *Job) review(rev *workspace.Revision, vehicle, ownOf string) (*Review, error) {
	r, err := j.scored(rev, vehicle, ownOf)
	if err != nil {
		return nil, fmt.Errorf("revision %s: %w", rev.ID, err)
	}
	return r, nil
}

func (j *Job) scored(rev *workspace.Revision, vehicle, ownOf string) (*Review, error) {
	m, err := j.Model(rev.Platform)
	if err != nil {
		return nil, err
	}
	car := j.CarOf(vehicle)
	since := j.hardwareDate(car)
	rows, err := j.judgedOn(rev, car, since)
	if err != nil {
		return nil, err
	}
	own, err := j.ownPulls(rev, ownOf)
	if err != nil {
		return nil, err
	}
	r := j.blankReview(rev, vehicle)
	b, err := m.benchFor(rows, rev, car, since)
	if err != nil {
		m.withoutBench(r, rev, err)
		return r, nil
	}
	r.Weather = b.days.said(b.visits)
	r.Notes, r.unshown = append(r.Notes, b.notes...), b.unshown
	doubts := slices.Concat(m.sensorDoubts(b.car), m.logDoubts(b), m.tableDoubts(rev, b.logged))
	stresses := m.stresses(b)
	deaf, quiet, err := m.mayNotHear(b, stresses)
	if err != nil {
		return nil, err
	}
	doubts, r.Notes = append(doubts, deaf...), append(r.Notes, quiet...)
	r.unshown = append(append(r.unshown, doubts...), m.fileDoubts()...)
	base, err := m.assessHazards(r, b, m.FuelClass(rev.Fuel))
	if err != nil {
		return nil, err
	}
	r.uses = m.usesOf(b)
	crossings := m.measuredCrossings(own)
	if r.OwnLogs, err = m.ownLogs(own); err != nil {
		return nil, err
	}
	if err := rankFindings(r.Findings); err != nil {
		return nil, err
	}
	if r.Conditions, err = m.stressed(stresses, base); err != nil {
		return nil, err
	}
	unvisited, placed, err := m.unvisited(b, rev, rows, stresses, m.FuelClass(rev.Fuel))
	if err != nil {
		return nil, err
	}
	r.Unvisited, r.Support = unvisited, m.supportOf(b, placed)
	r.Support.standings(r.Curves)
	r.Gains = m.gains(b, base)
	r.Footprint = footprint.Of(m.Platform, m.ws, rev, b.from, b.visits, b.gaps)
	r.Changes = m.changes(r, rev, b)
	if r.NextPulls, err = m.nextPulls(r, b, base); err != nil {
		return nil, err
	}
	judge(r, crossings, m.decision())
	if r.Verdict != VerdictConditions {
		r.Notes = append(r.Notes, slices.DeleteFunc(doubts, isMisreadTable)...)
	}
	r.Notes = append(r.Notes, r.outsideButFar(m.decision())...)
	r.Findings = worthReading(r.Findings)
	r.Notes = append(r.Notes, m.unsettled(r.worst)...)
	r.Notes = append(r.Notes, milder(crossings)...)
	r.Notes = append(r.Notes, newSpikes(&r.Footprint)...)
	r.Notes = append(r.Notes, m.notes()...)
	return r, nil
}

// assessHazards fills a review's hazards, findings and curves.
func (m *Model) assessHazards(r *Review, b *bench, class string) (map[hazard.ID][]*evaluation, error) {
	base := map[hazard.ID][]*evaluation{}
	for _, h := range hazard.All() {
		evals, why, err := m.evaluations(b, h)
		if err != nil {
			return nil, err
		}
		base[h.ID] = evals
		r.worst[h.ID] = worstOf(evals)
		r.Hazards = append(r.Hazards, m.hazardSummary(h, evals, why, b))
		for _, e := range evals {
			r.Findings = append(r.Findings, m.findings(b, e, class)...)
			r.Curves = append(r.Curves, m.curve(b, e, class))
		}
	}
	return base, nil
}

func (j *Job) blankReview(rev *workspace.Revision, vehicle string) *Review {
	return &Review{
		Stamp:    j.Stamp("headroom/review/1"),
		Revision: rev.ID, Parent: rev.Parent, Platform: rev.Platform, Vehicle: j.Alias(vehicle),
		Author: rev.Author, Fuel: rev.Fuel, Hazards: []Hazard{}, Findings: []Finding{}, Gains: []Gain{},
		Conditions: []Condition{}, Changes: []Changed{}, Weather: (*days)(nil).said(nil),
		Unvisited: Unvisited{Places: []UnvisitedPlace{}},
		Support:   Support{Outside: []FarState{}, Largest: result.Unknown()},
		NextPulls: []NextPull{}, OwnLogs: []OwnLog{}, worst: map[hazard.ID]*evaluation{},
	}
}

// withoutBench fills the review of a revision for which there is nothing to run it on: every hazard is listed with the
// reason it could not be assessed.
func (m *Model) withoutBench(r *Review, rev *workspace.Revision, fault error) {
	for _, h := range hazard.All() {
		var why result.Reason = NothingToRun{Fault: fault.Error()}
		switch {
		case h.ID == hazard.Knock && m.KnockControl == nil:
			why = Lacking{Metric: metric.KnockMargin, Lack: m.KnockLack}
		case h.ID != hazard.Knock && len(m.LimitsFor(h.ID)) == 0:
			why = m.noLimit(h.ID)
		}
		r.Hazards = append(r.Hazards, notAssessed(h, m.severity(h), result.Reasons{why}))
	}
	r.Footprint = footprint.Of(m.Platform, m.ws, rev, rev.Parent, nil, nil)
	r.NextPulls = []NextPull{{
		RPM: result.UnknownSpan(), LoadPct: result.UnknownSpan(), Gear: result.Unknown(),
		Channels: wantedChannels(), For: result.Reasons{FirstPull{}},
	}}
	judge(r, nil, m.decision())
	r.Notes = append(r.Notes, tableNotes(rev, &r.Footprint)...)
}

func notAssessed(h hazard.Info, severity hazard.Severity, why result.Reasons) Hazard {
	none := result.Unknown()
	return Hazard{Hazard: h.ID, Severity: severity, Status: result.NotAssessed, Reasons: why,
		ProbabilityPerPull: none, Interval90: result.Span{none, none}, Basis: BasisPredicted, Parent: none,
		parentHigh: none, Uses: []UseChance{},
		Change90: result.Span{none, none}}
}

// hazardSummary takes the worst of a hazard's limits; crossing any of them is crossing the hazard, so the largest
// probability is a lower bound of the hazard's and is named as such when there are several. why is what kept other
// limits of it from being assessed.
func (m *Model) hazardSummary(h hazard.Info, evals []*evaluation, why result.Reasons, b *bench) Hazard {
	out := notAssessed(h, m.severity(h), why)
	if len(evals) == 0 {
		out.unread = len(m.LimitsFor(h.ID)) > 0
		return out
	}
	out.partial = len(why) > 0
	out.Record = m.recordOf(h.ID)
	worst := worstOf(evals)
	out.Status, out.Basis, out.Cars, out.Pulls = result.Assessed, b.basis, worst.cars, worst.pulls
	out.ProbabilityPerPull = result.Number(worst.result.Probability)
	out.Interval90 = result.Span{result.Number(worst.result.Low), result.Number(worst.result.High)}
	out.ModelHigh = worst.result.ModelHigh
	if len(worst.before.Draws) > 0 {
		low, high := risk.Difference(worst.before, worst.result)
		out.Parent, out.parentHigh = result.Number(worst.before.Probability), result.Number(worst.before.High)
		out.Change90 = result.Span{result.Number(low), result.Number(high)}
		out.asRun = b.onParent && high < WorthALine
		out.parentsRecord = m.recordAgainst(b, worst, &out)
	}
	for _, e := range evals {
		if e.disputed && out.against == nil {
			out.against = m.movesAgainst(e)
		}
	}
	var on result.Reasons // what it was judged on, the most telling first
	if !worst.measured {
		on = append(on, worst.predictor.level)
		if m.unsure(worst, m.decision().HoldProbability[out.Severity]) {
			out.unproven = append(out.unproven, worst.predictor.level)
			out.untold = fleet.QuantityOf(worst.ID).Measured == nil
		}
	}
	if len(evals) > 1 {
		on = append(on, WorstOf{Limits: len(evals), Metric: worst.ID})
	}
	if out.unseen = worst.measured && worst.predictor.unseen && b.named; out.unseen {
		out.ownLack = m.lackingOn(worst.Info, b, b.car)
		on = append(on, NeverLogged{Lack: out.ownLack})
	}
	if thin := m.thin(worst.cars, worst.pulls); thin != nil && worst.measured {
		out.Status = result.Thin
		on = append(on, thin)
		out.unproven = append(out.unproven, thin)
	}
	if h.ID == hazard.Knock {
		on = append(on, m.knockAgainstPhysics(&out)...)
	}
	out.Reasons = append(on, why...)
	return out
}

// unsure reports whether an evaluation is a calculation that no car's measurement bounds and that does not say by
// itself on which side of a threshold the chance lies: its error is a guess. Of a metric that a log can show the
// calculation's own chance decides, since two pulls would settle it; of one that none can, its whole interval.
func (m *Model) unsure(e *evaluation, threshold float64) bool {
	q := fleet.QuantityOf(e.ID)
	l := e.predictor.level
	if q == nil || l.OwnCar || l.OtherCars > 0 {
		return false
	}
	if q.Measured == nil {
		return e.result.Low <= threshold
	}
	return e.result.Probability <= threshold
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

// parentsDoing is how many deviations of the car's pulls, with their days and cells, a revision may move from what the
// judged pulls ran without being outside the envelope by its own doing: the next pull of what was driven may lie there.
// Common practice, no source.
const parentsDoing = 1

// likeDriven reports whether a move from the parent is no more than what the driven calibration's own pulls differ by,
// or takes nothing from what the car itself was driven on.
func (e *evaluation) likeDriven(b *bench, in *cellChange, negligible float64) bool {
	return b.onParent && in.moved < parentsDoing*math.Hypot(e.predictor.pullSD, e.predictor.cellSD) ||
		b.car != "" && in.taken < negligible
}

// beyond reports whether a prediction lies outside the envelope.
func (c EnvelopeCheck) beyond() bool { return c.Inside != nil && !*c.Inside }

// findings turns the cells of an evaluation into findings.
func (m *Model) findings(b *bench, e *evaluation, class string) []Finding {
	out := make([]Finding, 0, len(e.result.Cells))
	for _, c := range e.result.Cells {
		key := e.keys[c.Cell]
		in := e.inCell(b, key)
		limit := in.limit
		onScale := func(margin float64) result.Number { return result.Number(limit - e.Side.Sign()*margin) }
		fd := Finding{
			Hazard: e.hazard, Severity: e.severity, Cell: m.Cell(key), Metric: e.ID, Unit: e.Unit,
			Predicted: onScale(c.Margin.Mean), Interval90: ordered(onScale(c.Margin.Low), onScale(c.Margin.High)),
			Limit: result.Number(limit), LimitSource: e.limitSource, Margin: result.Number(c.Margin.Mean),
			MarginSD:           result.Number(c.Margin.SD),
			ProbabilityPerPull: result.Number(c.Probability), Basis: b.basis, Change: in.change,
		}
		small := max(1e-6, negligible*value.Or(c.Margin.SD, 0))
		fd.Envelope = m.envelopeCheck(e, class, key, float64(fd.Predicted))
		fd.worsened = in.moved > small && !e.likeDriven(b, &in, small)
		if was := m.envelopeCheck(e, class, key, float64(onScale(c.Margin.Mean+in.moved))); was.beyond() &&
			in.moved < parentsDoing*c.Margin.SD {
			fd.worsened = false
		}
		if fd.Envelope.Inside == nil && !b.met[key] { // another day's cell, whatever the revision does
			fd.worsened = false
		}
		fd.run = fd.Envelope.Inside != nil && *fd.Envelope.Inside || b.onParent && !fd.worsened
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
	limit  float64
	change Change
	moved  float64 // margin lost against the parent
	taken  float64 // margin lost against what the judged pulls ran
}

func (e *evaluation) inCell(b *bench, key state.CellKey) cellChange {
	var n, limit, spark, lambda, boost, moved, taken float64
	for _, pt := range e.points {
		if pt.cell != key {
			continue
		}
		s, was := &b.visits[pt.index].State, &b.parent[pt.index].State
		n++
		limit += pt.limit
		spark += value.Or(s.Spark-was.Spark, 0)
		lambda += value.Or(s.LambdaCommanded-was.LambdaCommanded, value.Or(s.Lambda-was.Lambda, 0))
		boost += value.Or(s.Manifold-was.Manifold, 0)
		moved += value.Or(pt.parentMargin-pt.margin, 0)
		taken += value.Or(pt.ranMargin-pt.margin, value.Or(pt.parentMargin-pt.margin, 0))
	}
	return cellChange{
		limit: limit / n,
		change: Change{SparkDeg: result.Number(spark / n), Lambda: result.Number(lambda / n),
			BoostKPa: result.Number(boost / n)},
		moved: moved / n, taken: taken / n,
	}
}

func (m *Model) envelopeCheck(e *evaluation, class string, key state.CellKey, predicted float64) EnvelopeCheck {
	c, ok := m.Envelopes[fleet.EnvelopeKey{Kind: evidence.KindPull, Class: class, Metric: e.ID, Cell: key}]
	check := EnvelopeCheck{Limit: result.Unknown()}
	if !ok {
		return check
	}
	check.Cars, check.Pulls = c.Cars, c.Pulls
	if c.Status != result.Assessed {
		return check
	}
	check.Limit = c.Limit
	inside := e.Side.Sign()*(predicted-float64(c.Limit)) <= 0
	check.Inside = &inside
	return check
}

// worthReading cuts the ranked list where it stops telling the reader anything.
func worthReading(ranked []Finding) []Finding {
	for i := range ranked {
		if i >= mostFindings || (i >= fewFindings && float64(ranked[i].ProbabilityPerPull) < WorthALine) {
			return ranked[:i]
		}
	}
	return ranked
}

// rankFindings orders findings by severity times chance of crossing, ties by margin (risk.Rank), and numbers them.
func rankFindings(findings []Finding) error {
	items := make([]risk.Finding, len(findings))
	for i, f := range findings {
		items[i] = risk.Finding{Weight: f.Severity.Weight(), Probability: float64(f.ProbabilityPerPull),
			Margin: float64(f.Margin), MarginSD: float64(f.MarginSD)}
	}
	order, err := risk.Rank(items)
	if err != nil {
		return err
	}
	unranked := slices.Clone(findings)
	for rank, i := range order {
		findings[rank] = unranked[i]
		findings[rank].Rank = rank + 1
	}
	return nil
}

// measuredCrossings lists the limits that a revision's own pulls were seen to cross.
func (m *Model) measuredCrossings(own []evidence.Row) []MeasuredCrossing {
	if len(own) == 0 {
		return nil
	}
	pulls := evidence.PullRows(own)
	var out []MeasuredCrossing
	note := func(h hazard.ID, severity hazard.Severity, crossed []*evidence.Row) {
		if len(crossed) == 0 {
			return
		}
		cars, runs := evidence.NewIndex[string](), evidence.NewIndex[string]()
		for _, r := range crossed {
			cars.Of(r.Vehicle)
			runs.Of(r.Run)
		}
		out = append(out, MeasuredCrossing{Hazard: h, Pulls: evidence.CountPulls(crossed),
			Of: evidence.CountPulls(pulls), Cars: cars.Keys, Runs: runs.Keys, severity: severity})
	}
	if k := m.KnockControl; k != nil {
		knock, _ := hazard.Of(hazard.Knock)
		note(knock.ID, knock.Severity, evidence.Filter(pulls, func(r *evidence.Row) bool {
			return r.RetardMax > k.ToleratedRetardDeg && !m.UnheardIn(r)
		}))
	}
	read := m.AsRead()
	for i := range m.Limits {
		l := &m.Limits[i]
		q := fleet.QuantityOf(l.Metric)
		if q == nil || q.Measured == nil {
			continue
		}
		note(l.Hazard, l.EffectiveSeverity(), evidence.Filter(pulls, func(r *evidence.Row) bool {
			s := m.Read(r)
			return q.Margin(read, &s, l.At) < 0
		}))
	}
	return out
}

// milder are the crossings of limits that do not hold a revision.
func milder(crossings []MeasuredCrossing) result.Reasons {
	var out result.Reasons
	for _, c := range crossings {
		if !c.severity.Serious() {
			out = append(out, c)
		}
	}
	return out
}

// curve is the worst cell at each speed.
func (m *Model) curve(b *bench, e *evaluation, class string) Curve {
	c := Curve{Hazard: e.hazard, Metric: e.ID, Unit: e.Unit}
	bySpeed := map[int]CurvePoint{}
	parent := e.parentBySpeed(m, b)
	for _, cell := range e.result.Cells {
		key := e.keys[cell.Cell]
		if old, ok := bySpeed[key[0]]; ok && old.Margin <= cell.Margin.Mean {
			continue
		}
		pt := CurvePoint{
			RPM: (float64(key[0]) + 0.5) * m.RPMStep, Margin: cell.Margin.Mean, Low: cell.Margin.Low,
			High:   cell.Margin.High,
			Parent: math.NaN(), Envelope: result.Unknown(), cell: key,
		}
		if v, ok := parent[key[0]]; ok {
			pt.Parent = v
		}
		env := m.Envelopes[fleet.EnvelopeKey{Kind: evidence.KindPull, Class: class, Metric: e.ID, Cell: key}]
		pt.Cars = env.Cars
		if env.Status == result.Assessed {
			pt.Envelope = result.Number(e.Side.Sign() * (e.inCell(b, key).limit - float64(env.Limit)))
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
func (e *evaluation) parentBySpeed(m *Model, b *bench) map[int]float64 {
	sum, n := map[state.CellKey]float64{}, map[state.CellKey]float64{}
	for _, pt := range e.points {
		if value.Known(pt.parentMargin) {
			k := m.CellOf(&b.parent[pt.index].State)
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
