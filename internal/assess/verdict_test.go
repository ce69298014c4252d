package assess

import (
	"testing"

	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/workspace"

	"github.com/google/go-cmp/cmp"
)

func judged(hazards []Hazard, findings []Finding, conditions []Condition, gaps []state.Gap,
	crossings []MeasuredCrossing) *Review {
	r := &Review{Hazards: hazards, Findings: findings, Conditions: conditions,
		Footprint: footprint.Footprint{Gaps: gaps}}
	judge(r, crossings, workspace.Defaults().Decision)
	return r
}

func assessed(id hazard.ID, severity hazard.Severity, upper float64) Hazard {
	return Hazard{Hazard: id, Severity: severity, Status: result.Assessed,
		ProbabilityPerPull: result.Number(upper / 2), Interval90: result.Span{0, result.Number(upper)}}
}

// The rule of docs/methods.md, "Verdict", case by case, at the default thresholds (5 % catastrophic, 10 % major).
func TestVerdictRule(t *testing.T) {
	none := result.Unknown()
	unknown := Hazard{Hazard: hazard.Knock, Severity: hazard.Major, Status: result.NotAssessed,
		Reasons: result.Reasons{NoLimit{}}, ProbabilityPerPull: none, Interval90: result.Span{none, none}}
	thin := assessed(hazard.Lean, hazard.Catastrophic, 0.01)
	thin.Status, thin.Reasons = result.Thin, result.Reasons{ThinEvidence{Cars: 2}}
	yes, no := true, false
	in := Finding{Hazard: hazard.Knock, worsened: true, Envelope: EnvelopeCheck{Inside: &yes}}
	out := Finding{Hazard: hazard.Knock, worsened: true, Envelope: EnvelopeCheck{Inside: &no}}
	never := Finding{Hazard: hazard.Knock, worsened: true}
	unchanged := Finding{Hazard: hazard.Knock, Envelope: EnvelopeCheck{Inside: &no}}
	crossed := Condition{Stress: Stress{Kind: state.HotCharge}, Hazard: hazard.Knock, crosses: true}
	fine := assessed(hazard.Knock, hazard.Major, 0.09)
	lean := assessed(hazard.Lean, hazard.Catastrophic, 0.5)
	unseen := fine
	unseen.unseen = true
	unsure, likely := assessed(hazard.Knock, hazard.Major, 0.18), assessed(hazard.Knock, hazard.Major, 0.22)
	unsure.unseen, likely.unseen = true, true
	untold := assessed(hazard.CylinderPressure, hazard.Catastrophic, 0.09)
	untold.untold, untold.unproven = true, result.Reasons{ComputedLevel{}}
	unraised := untold
	unraised.asRun = true
	distant := assessed(hazard.ExhaustTemperature, hazard.Major, 0.002)
	nearer := assessed(hazard.ExhaustTemperature, hazard.Major, 0.02)
	hotter := Finding{Hazard: hazard.ExhaustTemperature, worsened: true, Envelope: EnvelopeCheck{Inside: &no}}
	wasRun, notRun := Finding{Hazard: hazard.CylinderPressure, run: true}, Finding{Hazard: hazard.CylinderPressure}
	byPhysics := func(h Hazard, run bool) NotProven {
		return NotProven{Hazard: h.Hazard, Severity: h.Severity, Chance: h.ProbabilityPerPull, Interval90: h.Interval90,
			Threshold: 0.05, Why: h.unproven, Run: run}
	}
	measured := MeasuredCrossing{Hazard: hazard.Knock, Pulls: 1, Of: 3, severity: hazard.Major}
	milder := MeasuredCrossing{Hazard: hazard.Driveline, Pulls: 1, Of: 3, severity: hazard.Moderate}
	hazards := func(h ...Hazard) []Hazard { return h }
	found := []Finding{in}
	for _, c := range []struct {
		name    string
		review  *Review
		want    Verdict
		reasons result.Reasons
	}{
		{"all well", judged(hazards(fine), found, nil, nil, nil), VerdictRelease, result.Reasons{NothingAgainst{}}},
		{"major over its threshold", judged(hazards(assessed(hazard.Knock, hazard.Major, 0.11)), nil, nil, nil, nil),
			VerdictHold, result.Reasons{TooLikely{Hazard: hazard.Knock, Severity: hazard.Major, Chance: 0.055,
				Interval90: result.Span{0, 0.11}, Threshold: 0.10}}},
		{"catastrophic over its threshold", judged(hazards(assessed(hazard.Lean, hazard.Catastrophic, 0.06)), nil, nil,
			nil, nil), VerdictHold, result.Reasons{TooLikely{Hazard: hazard.Lean, Severity: hazard.Catastrophic,
			Chance: 0.03, Interval90: result.Span{0, 0.06}, Threshold: 0.05}}},
		{"moderate never holds", judged(hazards(fine, assessed(hazard.Driveline, hazard.Moderate, 1)), found, nil, nil,
			nil), VerdictRelease, result.Reasons{NothingAgainst{}}},
		{"measured crossing", judged(hazards(fine), nil, nil, nil, []MeasuredCrossing{measured}), VerdictHold,
			result.Reasons{measured}},
		{"a milder measured crossing", judged(hazards(fine), found, nil, nil, []MeasuredCrossing{milder}),
			VerdictRelease, result.Reasons{NothingAgainst{}}},
		{"hold beats undecided", judged(hazards(unknown, lean), nil, nil, nil, nil), VerdictHold,
			result.Reasons{TooLikely{Hazard: hazard.Lean, Severity: hazard.Catastrophic, Chance: 0.25,
				Interval90: result.Span{0, 0.5}, Threshold: 0.05}}},
		{"not assessed", judged(hazards(unknown), found, nil, nil, nil), VerdictUndecided,
			result.Reasons{NotJudged{Hazard: hazard.Knock, Severity: hazard.Major, Status: result.NotAssessed,
				Why: result.Reasons{NoLimit{}}}}},
		{"thin", judged(hazards(thin), found, nil, nil, nil), VerdictUndecided,
			result.Reasons{NotJudged{Hazard: hazard.Lean, Severity: hazard.Catastrophic, Status: result.Thin,
				Why: result.Reasons{ThinEvidence{Cars: 2}}}}},
		{"undecided beats conditions", judged(hazards(thin), []Finding{out}, nil, nil, nil), VerdictUndecided,
			result.Reasons{thin.notJudged()}},
		{"outside the envelope", judged(hazards(fine), []Finding{out}, nil, nil, nil), VerdictConditions,
			result.Reasons{OutsideEnvelope{Hazard: hazard.Knock, Cells: []result.Cell{{}}}}},
		{"outside the envelope, the limit far", judged(hazards(distant), []Finding{hotter}, nil, nil, nil),
			VerdictRelease, result.Reasons{NothingAgainst{}}},
		{"outside the envelope, the limit not so far", judged(hazards(nearer), []Finding{hotter}, nil, nil, nil),
			VerdictConditions, result.Reasons{OutsideEnvelope{Hazard: hazard.ExhaustTemperature,
				Cells: []result.Cell{{}}}}},
		{"nobody has been there", judged(hazards(fine), []Finding{never}, nil, nil, nil), VerdictConditions,
			result.Reasons{EnvelopeUnknown{Hazard: hazard.Knock, Cells: []result.Cell{{}}}}},
		{"an unchanged cell is not charged to the revision", judged(hazards(fine), []Finding{unchanged}, nil, nil,
			nil), VerdictRelease, result.Reasons{NothingAgainst{}}},
		{"never logged on this car", judged(hazards(unseen), found, nil, nil, nil), VerdictConditions,
			result.Reasons{NeverLoggedHere{Hazard: hazard.Knock}}},
		{"only the bound passes, never logged on this car", judged(hazards(unsure), found, nil, nil, nil),
			VerdictUndecided, result.Reasons{NotProven{Hazard: hazard.Knock, Severity: hazard.Major, Chance: 0.09,
				Interval90: result.Span{0, 0.18}, Threshold: 0.1, Why: result.Reasons{NeverLogged{}}}}},
		{"no log can tell, pulls ran as near", judged(hazards(untold), []Finding{wasRun}, nil, nil, nil),
			VerdictConditions, result.Reasons{byPhysics(untold, true)}},
		{"no log can tell, nearer than any pull", judged(hazards(untold), []Finding{wasRun, notRun}, nil, nil, nil),
			VerdictUndecided, result.Reasons{byPhysics(untold, false)}},
		{"no log can tell, and the chance is the driven parent's", judged(hazards(unraised), []Finding{notRun}, nil,
			nil, nil), VerdictConditions, result.Reasons{byPhysics(unraised, true)}},
		{"the chance passes, never logged on this car", judged(hazards(likely), nil, nil, nil, nil), VerdictHold,
			result.Reasons{TooLikely{Hazard: hazard.Knock, Severity: hazard.Major, Chance: 0.11,
				Interval90: result.Span{0, 0.22}, Threshold: 0.1}}},
		{"stress crosses", judged(hazards(fine), found, []Condition{crossed}, nil, nil), VerdictConditions,
			result.Reasons{CrossesUnder{Hazard: hazard.Knock, Stress: crossed.Stress}}},
		{"changed, not modelled", judged(hazards(fine), found, nil,
			[]state.Gap{{Kind: state.TableChanged, Role: "other"}},
			nil), VerdictConditions, result.Reasons{Unmodelled{Gap: state.Gap{Kind: state.TableChanged,
			Role: "other"}}}},
	} {
		if c.review.Verdict != c.want {
			t.Errorf("%s: %s, want %s", c.name, c.review.Verdict, c.want)
		}
		if d := cmp.Diff(c.reasons, c.review.Reasons, cmp.AllowUnexported(MeasuredCrossing{})); d != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, d)
		}
	}
}
