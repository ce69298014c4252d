package report

import (
	"slices"

	"headroom/internal/assess"
	"headroom/internal/assess/footprint"
)

// Results come as facts. Here each gets its words: the fields of a copy that say "by internal/report". The result
// itself is left as it is.

// StandingCautions end every report.
var StandingCautions = []string{
	"This is evidence for a decision, not the decision: a calibration can destroy an engine and injure people. A " +
		"qualified professional decides, under controlled test conditions, on a dynamometer or closed course.",
	"Predictions are no better than the sensors behind them: check that lambda, pressure, temperature and knock " +
		"sensors are calibrated and that the fuel in the tank is the fuel named here.",
	"What no log has visited is not known. Fuel batch, heat, altitude and wear differ from day to day; a result for " +
		"one car does not carry over to another without its own logs.",
	"Emissions, noise and road-use law differ by place; whoever releases a calibration answers for it.",
}

func wordedReview(r *assess.Review, w words) *assess.Review {
	out := *r
	out.Because = w.list(r.Reasons)
	out.Cautions = append(w.sentences(r.Notes), StandingCautions...)
	out.Hazards = slices.Clone(r.Hazards)
	for i := range out.Hazards {
		out.Hazards[i].Why = w.joined(r.Hazards[i].Reasons)
	}
	out.Findings = slices.Clone(r.Findings)
	for i := range out.Findings {
		out.Findings[i].Say = w.said(w.finding(&r.Findings[i]))
	}
	out.Conditions = slices.Clone(r.Conditions)
	for i := range out.Conditions {
		out.Conditions[i].Condition = w.said(w.stress(r.Conditions[i].Stress))
	}
	out.NextPulls = slices.Clone(r.NextPulls)
	for i := range out.NextPulls {
		out.NextPulls[i].Narrows = w.joined(r.NextPulls[i].For)
	}
	out.OwnLogs = slices.Clone(r.OwnLogs)
	for i := range out.OwnLogs {
		out.OwnLogs[i].Say = w.said(w.ownLog(&r.OwnLogs[i]))
	}
	out.Footprint = wordedFootprint(&r.Footprint, w)
	out.Changes = slices.Clone(r.Changes)
	for i := range out.Changes {
		c := &out.Changes[i]
		c.Why = accountOf(c)
		if len(c.Reasons) > 0 {
			c.Why += ": " + w.joined(c.Reasons)
		}
	}
	return &out
}

func wordedFootprint(f *footprint.Footprint, w words) footprint.Footprint {
	out := *f
	out.NotModelled = make([]string, len(f.Gaps))
	for i, g := range f.Gaps {
		out.NotModelled[i] = w.said(w.gap(g))
	}
	out.NotCompared = obstacle(f.Obstacle)
	out.Tables = slices.Clone(f.Tables)
	for i := range out.Tables {
		out.Tables[i].NotCompared = obstacle(f.Tables[i].Obstacle)
	}
	return out
}

func wordedAudit(a *assess.Audit, w words) *assess.Audit {
	out := *a
	out.Cautions = StandingCautions
	out.Rows = slices.Clone(a.Rows)
	for i := range out.Rows {
		out.Rows[i].Because = w.joined(a.Rows[i].Reasons)
	}
	out.Groups = slices.Clone(a.Groups)
	for i := range out.Groups {
		out.Groups[i].Caution = w.joined(a.Groups[i].Reasons)
	}
	return &out
}

func wordedAcross(a *assess.Across, w words) *assess.Across {
	out := *a
	out.Cautions = StandingCautions
	out.Cars = slices.Clone(a.Cars)
	for i := range out.Cars {
		out.Cars[i].Because = w.joined(a.Cars[i].Reasons)
	}
	return &out
}

func wordedAgainst(a *assess.Against, w words) *assess.Against {
	out := *a
	out.Cautions = append(w.sentences(a.Notes), StandingCautions...)
	out.Left.Because, out.Right.Because = w.list(a.Left.Reasons), w.list(a.Right.Reasons)
	out.Hazards = slices.Clone(a.Hazards)
	for i := range out.Hazards {
		h := &out.Hazards[i]
		h.Left.Why, h.Right.Why = w.joined(h.Left.Reasons), w.joined(h.Right.Reasons)
	}
	return &out
}

func wordedEnvelopes(e *assess.Envelopes, w words) *assess.Envelopes {
	out := *e
	out.Cautions = StandingCautions
	out.Platforms = slices.Clone(e.Platforms)
	for i := range out.Platforms {
		out.Platforms[i].Knock.Why = w.joined(e.Platforms[i].Knock.Reasons)
	}
	return &out
}
