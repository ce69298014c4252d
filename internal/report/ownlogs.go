package report

import (
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
)

// ownLogSection sets what the revision's own logs showed against what was expected of its tables.
func ownLogSection(logs []assess.OwnLog, d show.Display) text.Section {
	s := text.Section{ID: "own-logs", Title: "Own logs of this revision"}
	if len(logs) == 0 {
		s.Intro = "None: this revision has no own logs of any limited metric. What this report says of it is " +
			"predicted from other logs, not measured on it."
		return s
	}
	var surprises []string
	t := &text.Table{
		Columns: []text.Column{{Head: "Metric", Flex: true}, {Head: "Expected", Right: true},
			{Head: "Measured", Right: true},
			{Head: "Pulls outside", Right: true}, {Head: "Pulls past the limit", Right: true}, {Head: "As expected?"}},
		Absent: "no number could be worked out from these logs.",
	}
	for _, o := range logs {
		if o.Surprise {
			surprises = append(surprises, plain(o.Metric))
		}
		t.Rows = append(t.Rows, ownLogRow(o, d))
	}
	s.Intro = "Means over the same cells: expected from the fleet's logs and the revision's tables, and measured on " +
		"it. Outside are pulls whose mean lies beyond the 99 % band of one pull's mean; brackets hold the exact 99 % " +
		"interval of the share of pulls that cross. " + madeOn(logs)
	if len(surprises) == 0 {
		s.Blocks = []text.Block{{Text: "No surprise: no metric lies outside its band more often than chance explains."},
			{Table: t}}
		return s
	}
	s.Blocks = []text.Block{{Text: fmt.Sprintf("Surprise in %d of %s: %s. Find out why before relying on the "+
		"predictions.",
		len(surprises), count(len(logs), "metric"), strings.Join(surprises, ", "))}, {Table: t}}
	return s
}

func ownLogRow(o assess.OwnLog, d show.Display) text.Row {
	crossed := text.Of(fmt.Sprintf("%d of %d", o.PullsCrossed, o.Pulls))
	if within := show.Probabilities(o.Crossing99); within != show.Missing {
		crossed = text.Of(crossed.Parts[0], "("+within+")")
	}
	if o.PullsCrossed > 0 {
		crossed = crossed.Toned(text.Alarm)
	}
	expected := text.Of("yes")
	if !o.Expected.Known() || !o.Measured.Known() {
		expected = text.Of("cannot say").Toned(text.Doubt)
	}
	r := text.Row{Cells: []text.Cell{
		text.Of(plain(o.Metric)).Toned(text.Loud), text.Of(d.Value(o.Expected, o.Unit)),
		text.Of(d.Value(o.Measured, o.Unit)),
		text.Of(fmt.Sprintf("%d of %d", o.Outside, o.Pulls)), crossed, expected,
	}}
	r.Notes = byLog(&o, d)
	if o.Surprise {
		r.Cells[len(r.Cells)-1] = text.Of("surprise").Toned(text.Doubt)
		r.Notes = append([]string{sentence(or(o.Say, "More pulls lie outside their band than chance explains"))},
			r.Notes...)
	}
	return r
}

// madeOn names the cars and logs behind own logs.
func madeOn(logs []assess.OwnLog) string {
	cars, runs := map[string]bool{}, map[string]bool{}
	for _, o := range logs {
		for _, l := range o.Logs {
			cars[l.Vehicle], runs[l.Run] = true, true
		}
	}
	return fmt.Sprintf("They were made on %s (%s).", strings.Join(slices.Sorted(maps.Keys(cars)), ", "),
		count(len(runs), "log"))
}

// byLog says what each log of a metric showed, where there are several.
func byLog(o *assess.OwnLog, d show.Display) []string {
	if len(o.Logs) < 2 {
		return nil
	}
	parts := make([]string, len(o.Logs))
	for i, l := range o.Logs {
		parts[i] = fmt.Sprintf("%s, %s: %s where %s was expected", l.Vehicle, path.Base(l.Run),
			d.Value(l.Measured, o.Unit), d.Value(l.Expected, o.Unit))
	}
	return []string{"By log: " + strings.Join(parts, "; ") + "."}
}
