package assess

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/calmap"
)

// VerdictRule is printed with every report.
const VerdictRule = "hold: the upper 90 % bound of the probability that a pull crosses a limit passes the " +
	"workspace's threshold for a major or catastrophic hazard on evidence that is not thin, or a crossing was " +
	"measured. " +
	"undecided: a major or catastrophic hazard, or one of its limits, could not be assessed, or its evidence is thin " +
	"or contradicts physics, or its prediction rests on a part that no judged pull ran with, or on a spark, " +
	"lambda or boost table that is not there, or that changed and that judged logs cannot read, or its parent's " +
	"pulls crossed the limit more often than was computed for them, or only the upper bound of a chance passes the " +
	"threshold and the car never logged what tells, or past revisions show that it does not change as physics " +
	"expects, or a judged state lies far outside what the fleet has logged. " +
	"conditions: inside limits, but outside what the fleet has been shown to run (not of a hazard below catastrophic " +
	"whose bound stays below a tenth of the threshold of major ones), or only the error of a calculation " +
	"that no log can check passes the threshold and the same calculation puts pulls that were run as near to the " +
	"limit, or a catastrophic hazard or knock " +
	"was never logged on the car, or a major one and the spread between cars does not rule it out, or a milder " +
	"hazard with a limit could not be assessed, or under a stress a limit is crossed or a serious hazard passes the " +
	"workspace's threshold for stress, or a table changes where no judged pull has been and a pull that went there " +
	"would pass the threshold, or a judged state lies outside what the fleet has logged, or a changed table is not " +
	"modelled, or no judged pull ran on such a fuel or with such a part, or the car's lambda sensor is suspect or " +
	"its logs did not hear knock, or a number of the platform file is not what logs show, or a table looks to be in " +
	"another unit or on other axes, or holds what no such table can. " +
	"release: none of these."

// judge applies the rule to a filled review. crossings are those measured on the revision.
func judge(r *Review, crossings []MeasuredCrossing, d workspace.Decision) {
	var hold, undecided, conditions result.Reasons
	for _, c := range crossings {
		if c.severity.Serious() {
			hold = append(hold, c)
		}
	}
	for _, h := range r.Hazards {
		if !h.Severity.Serious() {
			continue
		}
		threshold, limited := d.HoldProbability[h.Severity]
		if h.Interval90[1].Known() && limited && float64(h.Interval90[1]) > threshold {
			why := h.unprovenAt(threshold)
			if len(why) == 0 {
				hold = append(hold, TooLikely{Hazard: h.Hazard, Severity: h.Severity, Chance: h.ProbabilityPerPull,
					Interval90: h.Interval90, Threshold: result.Number(threshold), Cell: r.likeliest(h.Hazard),
					Parent: h.Parent, ParentHeld: float64(h.parentHigh) > threshold})
				continue
			}
			open := h.notProven(threshold, why)
			if open.Run = h.untold && (h.asRun || r.noWorseThanRun(h.Hazard)); !open.Run {
				undecided = append(undecided, open)
				continue
			}
			conditions = append(conditions, open)
		}
		if h.partial || h.Status != result.Assessed {
			undecided = append(undecided, h.notJudged())
		}
		if h.parentsRecord != nil && !h.milder() {
			undecided = append(undecided, *h.parentsRecord)
		}
		if h.against != nil {
			undecided = append(undecided, h.against)
		}
	}
	undecided = append(undecided, r.openParts()...)
	undecided = append(undecided, r.unknownTables()...)
	_, far := r.Support.reasons()
	undecided = append(undecided, far...)
	r.Verdict, r.Reasons = VerdictRelease, result.Reasons{NothingAgainst{}}
	for _, step := range []struct {
		verdict Verdict
		reasons result.Reasons
	}{{VerdictConditions, append(conditions, r.conditions(d)...)}, {VerdictUndecided, undecided}, {VerdictHold, hold}} {
		if len(step.reasons) == 0 {
			continue
		}
		if step.verdict != VerdictConditions { // among these they are as they come
			step.reasons = append(step.reasons, r.misreadTables()...)
		}
		r.Verdict, r.Reasons = step.verdict, byWeight(step.reasons)
	}
}

// misreadTables are the tables that look to be in another unit or on other axes: what is computed from one rests on it.
func (r *Review) misreadTables() (out result.Reasons) {
	for _, reason := range r.unshown {
		if isMisreadTable(reason) {
			out = append(out, reason)
		}
	}
	return out
}

// noWorseThanRun reports whether a hazard is nowhere nearer to its limit than pulls have been, judged by the same
// calculation.
func (r *Review) noWorseThanRun(id hazard.ID) bool {
	found := false
	for i := range r.Findings {
		if f := &r.Findings[i]; f.Hazard == id {
			if !f.run {
				return false
			}
			found = true
		}
	}
	return found
}

// likeliest is the cell of a hazard's finding most likely to be crossed, nil without one.
func (r *Review) likeliest(id hazard.ID) *result.Cell {
	var worst *Finding
	for i := range r.Findings {
		f := &r.Findings[i]
		if f.Hazard == id && (worst == nil || f.ProbabilityPerPull > worst.ProbabilityPerPull) {
			worst = f
		}
	}
	if worst == nil {
		return nil
	}
	return &worst.Cell
}

// byWeight orders reasons as findings are: those with a chance by severity times chance, after what was measured and
// the tables that look misread, and before what has none; others keep their order.
func byWeight(reasons result.Reasons) result.Reasons {
	weight := func(r result.Reason) float64 {
		switch r := r.(type) {
		case MeasuredCrossing:
			return math.Inf(1)
		case TableDoubt:
			if r.misread() {
				return math.MaxFloat64
			}
		case TooLikely:
			return r.Severity.Weight() * float64(r.Chance)
		case DangerousIfVisited:
			return r.Worst.Severity.Weight() * float64(r.Worst.IfVisited)
		case LikelyUnder:
			return r.Severity.Weight() * float64(r.Chance)
		}
		return 0
	}
	slices.SortStableFunc(reasons, func(a, b result.Reason) int { return cmp.Compare(weight(b), weight(a)) })
	return reasons
}

// openParts are the parts without which a serious hazard's prediction has nothing to rest on.
func (r *Review) openParts() (out result.Reasons) {
	for _, reason := range r.unshown {
		part, ok := reason.(PartNotShown)
		if ok && slices.ContainsFunc(r.Hazards, func(h Hazard) bool {
			return h.Severity.Serious() && h.Status != result.NotAssessed && slices.Contains(part.Hazards, h.Hazard)
		}) {
			out = append(out, part)
		}
	}
	return out
}

// unknownTables are the tables that every prediction rests on and that one side of the comparison lacks, or that
// changed and that judged states cannot read.
func (r *Review) unknownTables() (out result.Reasons) {
	for _, g := range r.Footprint.Gaps {
		rested := slices.Contains(state.ModelledRoles, g.Role) && g.Role != calmap.RoleIntakeCam
		if rested && (g.Kind == state.OneSided || g.Kind.Unread() && r.changesTable(g.Role)) {
			out = append(out, Unmodelled{Gap: g})
		}
	}
	return out
}

// changesTable reports whether the revision changes a table of a role, or may.
func (r *Review) changesTable(role string) bool {
	return slices.ContainsFunc(r.Footprint.Tables, func(t footprint.TableChange) bool {
		return t.Role == role && t.BreakpointsChanged != 0
	})
}

// notJudged says why a hazard, or one of its limits, does not count as judged.
func (h *Hazard) notJudged() NotJudged {
	return NotJudged{Hazard: h.Hazard, Severity: h.Severity, Status: h.Status, Partial: h.partial, Why: h.Reasons}
}

// milder reports whether the revision lowers the hazard's chance at nearly all parameter draws.
func (h *Hazard) milder() bool { return h.Change90[1] < 0 }

// ownFaults reports whether a hazard comes from faults of one car (a sensor, a pump, deposits) that no spread between
// other cars foretells: knock, and all that is catastrophic.
func (h *Hazard) ownFaults() bool {
	return h.Hazard == hazard.Knock || h.Severity == hazard.Catastrophic
}

// conditions lists what keeps a revision inside its limits from being released without conditions.
func (r *Review) conditions(d workspace.Decision) result.Reasons {
	var out result.Reasons
	outside, unknown := r.pastEnvelopes()
	for _, h := range hazard.All() {
		if c := outside[h.ID]; len(c) > 0 && !r.farFromLimit(h.ID, d) {
			out = append(out, OutsideEnvelope{Hazard: h.ID, Cells: c})
		}
		if c := unknown[h.ID]; len(c) > 0 {
			out = append(out, EnvelopeUnknown{Hazard: h.ID, Cells: c})
		}
	}
	for i := range r.Hazards {
		h := &r.Hazards[i]
		if h.unseen && !r.notHeard(h.Hazard) && h.Severity.Serious() &&
			(h.ownFaults() || h.ModelHigh >= WorthALine) {
			out = append(out, NeverLoggedHere{Hazard: h.Hazard, Lack: h.ownLack})
		}
		if h.parentsRecord != nil && h.Severity.Serious() && h.milder() {
			out = append(out, *h.parentsRecord)
		}
		if h.unread && !h.Severity.Serious() {
			out = append(out, h.notJudged())
		}
	}
	out = append(out, r.unshown...)
	near, _ := r.Support.reasons()
	out = append(out, near...)
	out = append(out, r.underStress()...)
	out = append(out, r.ifVisited(d)...)
	for _, g := range r.Footprint.Gaps {
		out = append(out, Unmodelled{Gap: g})
	}
	for _, c := range r.Changes {
		for _, reason := range c.Reasons {
			if _, is := reason.(NoAccount); is {
				out = append(out, reason)
			}
		}
	}
	return out
}

// pastEnvelopes are, by hazard, the cells that the revision worsens to where the fleet has not been, and where too few
// cars have been to say.
func (r *Review) pastEnvelopes() (outside, unknown map[hazard.ID][]result.Cell) {
	outside, unknown = map[hazard.ID][]result.Cell{}, map[hazard.ID][]result.Cell{}
	for _, f := range r.Findings {
		if !f.worsened {
			continue
		}
		switch {
		case f.Envelope.Inside == nil:
			unknown[f.Hazard] = append(unknown[f.Hazard], f.Cell)
		case !*f.Envelope.Inside:
			outside[f.Hazard] = append(outside[f.Hazard], f.Cell)
		}
	}
	return outside, unknown
}

// outsideButFar notes what lies outside the envelope of a hazard whose limit is far (see farFromLimit).
func (r *Review) outsideButFar(d workspace.Decision) (out result.Reasons) {
	outside, _ := r.pastEnvelopes()
	for _, h := range hazard.All() {
		if c := outside[h.ID]; len(c) > 0 && r.farFromLimit(h.ID, d) {
			out = append(out, OutsideEnvelope{Hazard: h.ID, Cells: c})
		}
	}
	return out
}

// farShare is the share of the threshold of major hazards that the bound of a hazard stays below where it matters to no
// verdict that the fleet has not been there; common practice, no source.
const farShare = 0.1

// farFromLimit reports whether a hazard is not catastrophic and its bound stays far below the threshold.
func (r *Review) farFromLimit(id hazard.ID, d workspace.Decision) bool {
	h := r.HazardOf(id)
	return h != nil && h.Severity != hazard.Catastrophic && h.Interval90[1].Known() &&
		float64(h.Interval90[1]) < farShare*d.HoldProbability[hazard.Major]
}

// underStress lists the serious hazards that pass what the workspace allows under a stress, and what else crosses its
// limit under one.
func (r *Review) underStress() (out result.Reasons) {
	for _, c := range r.Conditions {
		severity := r.HazardOf(c.Hazard).Severity
		switch {
		case c.passes:
			out = append(out, LikelyUnder{Hazard: c.Hazard, Severity: severity, Stress: c.Stress,
				Chance: c.ProbabilityPerPull, Parent: c.Parent, Threshold: c.threshold})
		case c.crosses:
			out = append(out, CrossesUnder{Hazard: c.Hazard, Stress: c.Stress, Margin: c.Margin, Unit: c.Unit})
		}
	}
	return out
}

// HazardOf is the review's word on a hazard, nil where it has none.
func (r *Review) HazardOf(id hazard.ID) *Hazard {
	i := slices.IndexFunc(r.Hazards, func(h Hazard) bool { return h.Hazard == id })
	if i < 0 {
		return nil
	}
	return &r.Hazards[i]
}

// ifVisited lists the hazards that changed values of tables would bring to pulls that go where none has been.
func (r *Review) ifVisited(d workspace.Decision) (out result.Reasons) {
	for _, h := range hazard.All() {
		var reason *DangerousIfVisited
		for _, p := range r.Unvisited.Places {
			if p.Hazard != h.ID || !p.Dangerous {
				continue
			}
			if reason == nil {
				reason = &DangerousIfVisited{Worst: p, Threshold: result.Number(d.HoldProbability[p.Severity])}
			}
			reason.Cells = append(reason.Cells, p.Cell)
		}
		if reason != nil {
			out = append(out, *reason)
		}
	}
	if n := r.Unvisited.NotJudged; n > 0 {
		out = append(out, NotPlaced{Values: n})
	}
	return out
}
