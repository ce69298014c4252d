package report

import (
	"headroom/internal/assess"
	"headroom/internal/report/text"
)

// verdicts are what each verdict asks of the reader (docs/methods.md, "Verdict") and how it is shown: as the verdict of
// a document and in a table.
var verdicts = map[assess.Verdict]struct {
	meaning string
	grade   text.Grade
	tone    text.Tone
}{
	assess.VerdictRelease: {"No assessed limit, envelope or stress condition speaks against it. A licensed " +
		"professional still decides.", text.Released, text.Calm},
	assess.VerdictConditions: {"Inside the limits, but only with the points below in mind.", text.Conditional,
		text.Loud},
	assess.VerdictHold: {"Do not release: a serious limit is crossed, or too likely to be crossed.", text.Held,
		text.Alarm},
	assess.VerdictUndecided: {"Cannot be decided yet: evidence is missing or too thin. Missing evidence is never a " +
		"pass.", text.Undecided, text.Doubt},
}

// verdictTone is a verdict's tone in a table; any other word is shown as in doubt.
func verdictTone(word assess.Verdict) text.Tone {
	v, ok := verdicts[word]
	if !ok {
		return text.Doubt
	}
	return v.tone
}
