package assess

import (
	"strings"
	"testing"

	"headroom/internal/result"
	"headroom/internal/workspace"
)

func judged(hazards []Hazard, findings []Finding, conditions []Condition, notModelled, crossings []string) *Review {
	p := &platform{decision: workspace.Defaults().Decision}
	r := &Review{Hazards: hazards, Findings: findings, Conditions: conditions,
		Footprint: Footprint{NotModelled: notModelled}}
	p.judge(r, crossings)
	return r
}

func assessed(hazard, severity string, upper float64) Hazard {
	return Hazard{Hazard: hazard, Severity: severity, Status: result.Assessed,
		ProbabilityPerPull: result.Number(upper / 2), Interval90: result.Span{0, result.Number(upper)}}
}

// The rule of methods.md section 4, case by case, at the default thresholds (5 % catastrophic, 10 % major).
func TestVerdictRule(t *testing.T) {
	none := result.Unknown()
	unknown := Hazard{Hazard: "knock", Severity: "major", Status: result.NotAssessed, Why: "no log",
		ProbabilityPerPull: none, Interval90: result.Span{none, none}}
	thin := assessed("lean", "catastrophic", 0.01)
	thin.Status, thin.Why = result.Thin, "2 cars"
	yes, no := true, false
	in := Finding{Hazard: "knock", worsened: true, Envelope: EnvelopeCheck{Inside: &yes}}
	out := Finding{Hazard: "knock", worsened: true, Envelope: EnvelopeCheck{Inside: &no}}
	never := Finding{Hazard: "knock", worsened: true}
	unchanged := Finding{Hazard: "knock", Envelope: EnvelopeCheck{Inside: &no}}
	crossed := Condition{Condition: "hot", Hazard: "knock", crosses: true}
	fine := assessed("knock", "major", 0.09)
	unseen := fine
	unseen.unseen = true
	for _, c := range []struct {
		name   string
		review *Review
		want   string
		say    string
	}{
		{"all well", judged([]Hazard{fine}, []Finding{in}, nil, nil, nil), VerdictRelease, "stays inside"},
		{"major over its threshold", judged([]Hazard{assessed("knock", "major", 0.11)}, nil, nil, nil, nil),
			VerdictHold, "knock"},
		{"catastrophic over its threshold", judged([]Hazard{assessed("lean", "catastrophic", 0.06)}, nil, nil, nil,
			nil), VerdictHold, "lean"},
		{"moderate never holds", judged([]Hazard{fine, assessed("driveline", "moderate", 1)}, []Finding{in}, nil, nil,
			nil), VerdictRelease, ""},
		{"measured crossing", judged([]Hazard{fine}, nil, nil, nil, []string{"knock: measured"}), VerdictHold,
			"measured"},
		{"hold beats undecided", judged([]Hazard{unknown, assessed("lean", "catastrophic", 0.5)}, nil, nil, nil, nil),
			VerdictHold, "lean"},
		{"not assessed", judged([]Hazard{unknown}, []Finding{in}, nil, nil, nil), VerdictUndecided, "no log"},
		{"thin", judged([]Hazard{thin}, []Finding{in}, nil, nil, nil), VerdictUndecided, "2 cars"},
		{"undecided beats conditions", judged([]Hazard{thin}, []Finding{out}, nil, nil, nil), VerdictUndecided, "thin"},
		{"outside the envelope", judged([]Hazard{fine}, []Finding{out}, nil, nil, nil), VerdictConditions, "outside"},
		{"nobody has been there", judged([]Hazard{fine}, []Finding{never}, nil, nil, nil), VerdictConditions,
			"too few cars"},
		{"an unchanged cell is not charged to the revision", judged([]Hazard{fine}, []Finding{unchanged}, nil, nil,
			nil), VerdictRelease, ""},
		{"never logged on this car", judged([]Hazard{unseen}, []Finding{in}, nil, nil, nil), VerdictConditions,
			"never logged"},
		{"stress crosses", judged([]Hazard{fine}, []Finding{in}, []Condition{crossed}, nil, nil), VerdictConditions,
			"hot"},
		{"changed, not modelled", judged([]Hazard{fine}, []Finding{in}, nil, []string{"other: changed, not modelled"},
			nil), VerdictConditions, "not modelled"},
	} {
		if c.review.Verdict != c.want || !strings.Contains(strings.Join(c.review.Because, "\n"), c.say) {
			t.Errorf("%s: %s because %q, want %s with %q", c.name, c.review.Verdict, c.review.Because, c.want, c.say)
		}
	}
}
