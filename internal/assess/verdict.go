package assess

import (
	"slices"

	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// VerdictRule is printed with every report.
const VerdictRule = "hold: the upper 90 % bound of the probability that a pull crosses a limit passes the " +
	"workspace's threshold for a major or catastrophic hazard, or a crossing was measured. " +
	"undecided: a major or catastrophic hazard, or one of its limits, could not be assessed or its evidence is thin, " +
	"or its prediction rests on a part that no judged pull ran with. " +
	"conditions: inside limits, but outside what the fleet has been shown to run, or a catastrophic hazard or knock " +
	"was never logged on the car, or a major one and the spread between cars does not rule it out, or a milder " +
	"hazard with a limit could not be assessed, or a stress condition crosses a limit, or a changed table is not " +
	"modelled, or no judged pull ran on such a fuel or with such a part, or a number of the platform file is not " +
	"what logs show. " +
	"release: none of these."

// judge applies the rule to a filled review. crossings are those measured on the revision.
func judge(r *Review, crossings []MeasuredCrossing, d workspace.Decision) {
	var hold, undecided result.Reasons
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
			hold = append(hold, TooLikely{Hazard: h.Hazard, Severity: h.Severity, Chance: h.ProbabilityPerPull,
				Interval90: h.Interval90, Threshold: result.Number(threshold)})
			continue
		}
		if h.partial || h.Status != result.Assessed {
			undecided = append(undecided, h.notJudged())
		}
	}
	undecided = append(undecided, r.openParts()...)
	r.Verdict, r.Reasons = VerdictRelease, result.Reasons{NothingAgainst{}}
	for _, step := range []struct {
		verdict Verdict
		reasons result.Reasons
	}{{VerdictConditions, r.conditions()}, {VerdictUndecided, undecided}, {VerdictHold, hold}} {
		if len(step.reasons) > 0 {
			r.Verdict, r.Reasons = step.verdict, step.reasons
		}
	}
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

// notJudged says why a hazard, or one of its limits, does not count as judged.
func (h *Hazard) notJudged() NotJudged {
	return NotJudged{Hazard: h.Hazard, Severity: h.Severity, Status: h.Status, Partial: h.partial, Why: h.Reasons}
}

// ownFaults reports whether a hazard comes from faults of one car (a sensor, a pump, deposits) that no spread between
// other cars foretells: knock, and all that is catastrophic.
func (h *Hazard) ownFaults() bool {
	return h.Hazard == hazard.Knock || h.Severity == hazard.Catastrophic
}

// conditions lists what keeps a revision inside its limits from being released without conditions.
func (r *Review) conditions() result.Reasons {
	var out result.Reasons
	outside, unknown := map[hazard.ID][]result.Cell{}, map[hazard.ID][]result.Cell{}
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
	for _, h := range hazard.All() {
		if c := outside[h.ID]; len(c) > 0 {
			out = append(out, OutsideEnvelope{Hazard: h.ID, Cells: c})
		}
		if c := unknown[h.ID]; len(c) > 0 {
			out = append(out, EnvelopeUnknown{Hazard: h.ID, Cells: c})
		}
	}
	for i := range r.Hazards {
		h := &r.Hazards[i]
		if h.unseen && h.Severity.Serious() && (h.ownFaults() || float64(h.Interval90[1]) >= worthALine) {
			out = append(out, NeverLoggedHere{Hazard: h.Hazard, Lack: h.ownLack})
		}
		if h.unread && !h.Severity.Serious() {
			out = append(out, h.notJudged())
		}
	}
	out = append(out, r.unshown...)
	for _, c := range r.Conditions {
		if c.crosses {
			out = append(out, CrossesUnder{Hazard: c.Hazard, Stress: c.Stress, Margin: c.Margin, Unit: c.Unit})
		}
	}
	for _, g := range r.Footprint.Gaps {
		out = append(out, Unmodelled{Gap: g})
	}
	return out
}
