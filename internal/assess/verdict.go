package assess

import (
	"fmt"

	"headroom/internal/result"
	"headroom/internal/say"
	"headroom/internal/workspace"
)

// VerdictRule is printed with every report.
const VerdictRule = "hold: the upper 90 % bound of the probability that a pull crosses a limit passes the " +
	"workspace's threshold for a major or catastrophic hazard, or a crossing was measured. " +
	"undecided: a major or catastrophic hazard, or one of its limits, could not be assessed or its evidence is thin. " +
	"conditions: inside limits, but outside what the fleet has been shown to run, or a catastrophic hazard or knock " +
	"was never logged on the car, or a major one and the spread between cars does not rule it out, or a milder " +
	"hazard with a limit could not be assessed, or a stress condition crosses a limit, or a changed table is not " +
	"modelled. " +
	"release: none of these."

// serious reports whether a severity can hold a revision.
func serious(severity string) bool {
	return workspace.SeverityRank(severity) >= workspace.SeverityRank(workspace.Major)
}

// judge applies the rule to a filled review.
func (p *platform) judge(r *Review, crossings []string) {
	hold := append([]string{}, crossings...)
	var undecided []string
	for _, h := range r.Hazards {
		if !serious(h.Severity) {
			continue
		}
		threshold, limited := p.decision.HoldProbability[h.Severity]
		if h.Interval90[1].Known() && limited && float64(h.Interval90[1]) > threshold {
			hold = append(hold, fmt.Sprintf("%s: %s, upper bound over the %s allowed for a %s hazard",
				say.Words(h.Hazard), chance(h.ProbabilityPerPull, h.Interval90), say.Percent(result.Number(threshold)),
				h.Severity))
			continue
		}
		switch {
		case h.partial:
			undecided = append(undecided, fmt.Sprintf("%s (%s) not assessed against all of its limits: %s",
				say.Words(h.Hazard), h.Severity, h.Why))
		case h.Status == result.NotAssessed:
			undecided = append(undecided, fmt.Sprintf("%s (%s) not assessed: %s", say.Words(h.Hazard), h.Severity,
				h.Why))
		case h.Status == result.Thin:
			undecided = append(undecided, fmt.Sprintf("%s (%s) on thin evidence: %s", say.Words(h.Hazard), h.Severity,
				h.Why))
		}
	}
	conditions := p.conditionReasons(r)
	r.Verdict, r.Because = VerdictRelease,
		[]string{"every serious hazard was assessed, stays inside its limit and inside what the fleet has been shown " +
			"to run, also under the stress conditions tried"}
	for _, step := range []struct {
		verdict string
		reasons []string
	}{{VerdictConditions, conditions}, {VerdictUndecided, undecided}, {VerdictHold, hold}} {
		if len(step.reasons) > 0 {
			r.Verdict, r.Because = step.verdict, step.reasons
		}
	}
}

// ownFaults reports whether a hazard comes from faults of one car (a sensor, a pump, deposits) that no spread between
// other cars foretells: knock, and all that is catastrophic.
func (h *Hazard) ownFaults() bool {
	return h.Hazard == workspace.Knock || h.Severity == workspace.Catastrophic
}

// conditionReasons lists what keeps a revision inside its limits from being released without conditions.
func (p *platform) conditionReasons(r *Review) []string {
	var out []string
	outside, unknown := map[string][]result.Cell{}, map[string][]result.Cell{}
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
	for _, h := range workspace.Hazards() {
		if c := outside[h.Name]; len(c) > 0 {
			out = append(out, fmt.Sprintf("%s: outside the fleet's envelope at %s", say.Words(h.Name), cellList(c)))
		}
		if c := unknown[h.Name]; len(c) > 0 {
			out = append(out, fmt.Sprintf("%s: too few cars have been logged at %s to say what the fleet runs there",
				say.Words(h.Name), cellList(c)))
		}
	}
	for _, h := range r.Hazards {
		if h.unseen && serious(h.Severity) && (h.ownFaults() || float64(h.Interval90[1]) >= worthALine) {
			out = append(out, say.Words(h.Hazard)+": this car has never logged what tells it; log that before "+
				"relying on the fleet's spread")
		}
		if h.unread && !serious(h.Severity) {
			out = append(out, fmt.Sprintf("%s not assessed: %s", say.Words(h.Hazard), h.Why))
		}
	}
	for _, c := range r.Conditions {
		if c.crosses {
			out = append(out, fmt.Sprintf("%s crosses its limit with %s (margin %s)", say.Words(c.Hazard), c.Condition,
				say.Short(c.Margin)))
		}
	}
	return append(out, r.Footprint.NotModelled...)
}

func cellList(cells []result.Cell) string {
	lo, hi := cells[0].RPM[0], cells[0].RPM[1]
	for _, c := range cells {
		lo, hi = min(lo, c.RPM[0]), max(hi, c.RPM[1])
	}
	plural := "cell"
	if len(cells) > 1 {
		plural = "cells"
	}
	return fmt.Sprintf("%d %s between %.0f and %.0f rpm", len(cells), plural, float64(lo), float64(hi))
}
