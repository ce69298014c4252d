package backtest

import (
	"regexp"
	"testing"

	"headroom/internal/result"
)

// A reason's code is its name for other programs: lower case with underscores, and no two the same. What the codes are
// is held by docs/schema/reason.schema.json and by internal/report.
func TestReasonsHaveCodesOfTheirOwn(t *testing.T) {
	name := regexp.MustCompile("^[a-z]+(_[a-z]+)*$")
	seen := map[string]result.Reason{}
	for _, r := range []result.Reason{
		NothingPredicted{}, NoneCrossed{}, AllCrossed{}, SkillOrLuck{}, HazardsMixed{}, NoKnock{}, NotMeasurable{},
		NoLimits{}, NeverBoth{}, NothingBefore{}, NoFit{}, NothingInCommon{}, NotPredicted{}, NoRecord{}, UndatedRows{},
		ShortRecord{}, MilderRevisions{},
	} {
		code := r.Code()
		if other, known := seen[code]; known || !name.MatchString(code) {
			t.Errorf("%T is called %q, as is %T", r, code, other)
		}
		seen[code] = r
	}
}
