package assess

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"headroom/internal/hazard"
	"headroom/internal/parallel"
	"headroom/internal/result"
)

// Hand-made revisions against the verdict: dangerous ones and ones that no log accounts for, of which none may be
// released, and harmless ones, of which each must be, so that nothing is bought by holding everything. What each may
// get is what a careful tuner would ask for, from the change alone: common practice, no source. They are written as a
// shop writes them, files of a workspace, and reviewed from its logs.

// revisionCase is a revision made from a driven one.
type revisionCase struct {
	name string
	why  string    // it is dangerous, not accounted for, or harmless
	on   ground    // the workspace that it stands in
	of   string    // the driven revision that it is made from; "" for fleettest.SoundParent
	via  []edit    // made to a revision in between that nobody drove; none without one
	made []edit    // made to the revision itself
	may  []Verdict // it gets one of these
	tell string    // the code of a reason or note that has to be given; a hold is enough without
	call []string  // one of these words has to be said: the mistake is called by its name
}

// refused is what a revision gets here that is left out of the workspace with a word on why.
const refused Verdict = "refused"

// What a revision may get.
var (
	released = []Verdict{VerdictRelease}
	held     = []Verdict{VerdictHold}
	unsure   = []Verdict{VerdictHold, VerdictUndecided}
	keptAway = []Verdict{VerdictHold, VerdictUndecided, VerdictConditions}
	caught   = []Verdict{VerdictHold, VerdictUndecided, VerdictConditions, refused}
)

// Fewest revisions of either kind: what docs/proof-judgement.md states.
const (
	fewestDangerous = 40
	fewestHarmless  = 20
)

// stressedTooMuch is the probability of a pull crossing a serious limit under a stress that the report itself prints,
// above which no expert would call it released; common practice, no source.
const stressedTooMuch = 0.5

func TestRedTeam(t *testing.T) {
	dangerous, harmless := dangerousRevisions(), harmlessRevisions()
	if len(dangerous) < fewestDangerous || len(harmless) < fewestHarmless {
		t.Errorf("%d dangerous and %d harmless revisions", len(dangerous), len(harmless))
	}
	for _, c := range dangerous {
		if slices.Contains(c.may, VerdictRelease) {
			t.Errorf("%s is dangerous and may be released", c.name)
		}
	}
	all := slices.Concat(dangerous, harmless)
	names := map[string]bool{}
	for i := range all {
		if names[all[i].name] {
			t.Errorf("two revisions are called %s", all[i].name)
		}
		names[all[i].name] = true
	}
	for name := range notYet {
		if !names[name] {
			t.Errorf("notYet names %s, which is not there", name)
		}
	}
	short := 0
	for g := range grounds {
		on := slices.DeleteFunc(slices.Clone(all), func(c revisionCase) bool { return c.on != ground(g) })
		short += redTeamOn(t, ground(g), on)
	}
	t.Logf("%d dangerous and %d harmless revisions, %d of them not judged as they should be", len(dangerous),
		len(harmless), short)
}

// redTeamOn reviews the revisions of one workspace and returns how many fall short.
func redTeamOn(t *testing.T, g ground, cases []revisionCase) (short int) {
	dir := grounds[g](t)
	for i := range cases {
		cases[i].write(t, dir)
	}
	j := openJob(t, dir)
	reviews, errs := make([]*Review, len(cases)), make([]error, len(cases))
	parallel.Each(len(cases), 2, func(int, int) {}, func(i int) {
		reviews[i], errs[i] = j.ReviewWithoutUses(cases[i].name)
	})
	for i := range cases {
		c := &cases[i]
		got := c.outcome(reviews[i], errs[i])
		faults := c.faults(got, reviews[i])
		if len(faults) > 0 {
			short++
		}
		if slices.Equal(c.may, released) && slices.ContainsFunc(got.told, isTableDoubt) {
			t.Errorf("%s is harmless, and a table of it is doubted: %s", c.name, got.said)
		}
		text := fmt.Sprintf("%s (%s): %s\n    %s", c.name, c.why, strings.Join(faults, "; "), got.said)
		switch known := notYet[c.name]; {
		case len(faults) > 0 && known:
			t.Log("not yet: " + text)
		case len(faults) > 0:
			t.Error(text)
		case known:
			t.Errorf("%s is judged as it should be: take it out of notYet", c.name)
		}
	}
	return short
}

func isTableDoubt(r result.Reason) bool { return r.Code() == TableDoubt{}.Code() }

// outcome is what a revision got and everything that was said of it, but for its name, which says it all.
type outcome struct {
	verdict Verdict
	told    result.Reasons
	said    string
}

func (c *revisionCase) outcome(r *Review, err error) outcome {
	if err != nil {
		return outcome{verdict: refused, said: strings.ReplaceAll(err.Error(), c.name, "…")}
	}
	told := slices.Concat(r.Reasons, r.Notes)
	said, _ := json.Marshal(told)
	return outcome{verdict: r.Verdict, told: told, said: string(said)}
}

// faults are what is wrong with an outcome.
func (c *revisionCase) faults(got outcome, r *Review) (out []string) {
	if !slices.Contains(c.may, got.verdict) {
		out = append(out, fmt.Sprintf("%s, want one of %v", got.verdict, c.may))
	}
	if c.tell != "" && got.verdict != VerdictHold && !slices.ContainsFunc(got.told,
		func(r result.Reason) bool { return r.Code() == c.tell }) {
		out = append(out, "nothing says "+c.tell)
	}
	if len(c.call) > 0 && !slices.ContainsFunc(c.call,
		func(word string) bool { return strings.Contains(strings.ToLower(got.said), word) }) {
		out = append(out, fmt.Sprintf("the mistake is not called one of %q", c.call))
	}
	if i := slices.IndexFunc(got.told, isMisreadTable); i > 0 && !crossed(got.told[0]) && !isMisreadTable(got.told[0]) {
		out = append(out, "what the whole table is misread as does not come first")
	}
	if got.verdict != VerdictRelease {
		return out
	}
	for _, s := range r.Conditions {
		if h, _ := hazard.Of(s.Hazard); h.Severity.Serious() && s.ProbabilityPerPull > stressedTooMuch {
			out = append(out, fmt.Sprintf("released, and %.2f of pulls cross %s under %v", s.ProbabilityPerPull,
				s.Hazard, s.Stress))
		}
	}
	return out
}

func crossed(r result.Reason) bool { return r.Code() == MeasuredCrossing{}.Code() }
