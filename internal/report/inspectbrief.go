package report

import (
	"fmt"
	"strings"

	"headroom/internal/hazard"
	"headroom/internal/ingest"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/runlog"
)

// How much of each kind a log's screen shows before it counts the rest.
const (
	briefPulls   = 4
	briefLeftOut = 6
	briefHeader  = 24 // characters of a header
)

// inspectBrief is how logs are read, a screen each; the whole has the reasons.
func inspectBrief(in []ingest.Inspection) text.Document {
	doc := inspectDocument(in)
	for i := range in {
		if in[i].Run != nil && in[i].Error == "" {
			doc.Sections[i].Blocks = []text.Block{{Facts: briefFacts(&in[i])}}
		}
	}
	return doc
}

func briefFacts(in *ingest.Inspection) []text.Fact {
	run := in.Run
	pulls, steady, used := 0, 0, 0
	for _, s := range in.Segments {
		if s.Kind == "pull" {
			pulls++
		} else {
			steady++
		}
	}
	for _, c := range run.Columns {
		if c.Channel != "" {
			used++
		}
	}
	facts := []text.Fact{
		{Name: "In short", Value: fmt.Sprintf("%d of %s are channels; %d rows, %s, one every %s; %s, %s; %s of "+
			"evidence",
			used, count(len(run.Columns), "column"), run.Rows, seconds(run.Duration(), 0), seconds(run.SampleInterval,
				2),
			count(pulls, "pull"), count(steady, "steady stretch"), count(in.Rows, "row"))},
		{Name: "Time", Value: briefTime(run)},
		{Name: "Read", Value: or(briefRead(run), "nothing")},
		{Name: "Left out", Value: or(briefLeft(run), "nothing that could be a channel")},
		{Name: "Cannot tell", Value: or(briefMissing(in), "nothing: it tells of every hazard")},
		{Name: "Doubts", Value: or(briefDoubts(in), "none")},
		{Name: "Pulls", Value: or(briefPullList(in), "none")},
		{Name: "More", Value: "--full for each column's reason, doubts, steady stretches and lags; --write for a " +
			"channels.yaml; --plot for a page"},
	}
	return facts
}

func briefTime(run *runlog.Run) string {
	if run.TimeBase.Column == "" {
		return "rows numbered"
	}
	return shortened(run.TimeBase.Column) + " in " + or(run.TimeBase.Unit, "no unit")
}

// briefRead lists the channels with their units, and the header where its words are others.
func briefRead(run *runlog.Run) string {
	var out []string
	for _, c := range run.Columns {
		if c.Channel == "" {
			continue
		}
		item := plain(string(c.Channel)) + " " + c.Unit
		if c.Confidence < 0.8 {
			item += " (" + share(c.Confidence) + ")"
		}
		out = append(out, strings.TrimSpace(item))
	}
	return strings.Join(out, ", ")
}

// briefLeft lists the columns that would be a channel, with what each lacks, and counts the others.
func briefLeft(run *runlog.Run) string {
	var out []string
	more, others := 0, 0
	for _, c := range run.Columns {
		switch {
		case c.Channel != "" || c.Header == run.TimeBase.Column:
		case c.Wanted == "" || c.Lack == "" || run.Values(c.Wanted) != nil:
			others++
		case len(out) == briefLeftOut:
			more++
		default:
			out = append(out, fmt.Sprintf("%s (%s) lacks %s", shortened(c.Header), plain(string(c.Wanted)),
				lackWords(string(c.Lack))))
		}
	}
	if more > 0 {
		out = append(out, count(more, "more such column"))
	}
	if others > 0 {
		out = append(out, count(others, "column")+" of other quantities or read from a better column")
	}
	return strings.Join(out, "; ")
}

// briefMissing names the hazards of which the log cannot tell, with the channels it has not.
func briefMissing(in *ingest.Inspection) string {
	var out []string
	for _, h := range hazard.All() {
		var lacks []string
		for _, u := range in.Unused {
			for _, id := range u.Costs {
				if id == string(h.ID) {
					lacks = append(lacks, plain(u.Channel))
				}
			}
		}
		if len(lacks) > 0 {
			out = append(out, h.Spoken+" (no "+strings.Join(lacks, ", no ")+")")
		}
	}
	return strings.Join(out, "; ")
}

// briefDoubts counts the doubts by kind.
func briefDoubts(in *ingest.Inspection) string {
	counts := map[string]int{}
	var kinds []string
	for _, f := range append(append([]runlog.Finding{}, in.Run.Findings...), in.Findings...) {
		if counts[f.Kind] == 0 {
			kinds = append(kinds, f.Kind)
		}
		counts[f.Kind]++
	}
	var out []string
	for _, k := range kinds {
		out = append(out, fmt.Sprintf("%s %d", plain(k), counts[k]))
	}
	return strings.Join(out, ", ")
}

// briefPullList lists the first pulls.
func briefPullList(in *ingest.Inspection) string {
	var out []string
	more := 0
	for _, s := range in.Segments {
		switch {
		case s.Kind != "pull":
		case len(out) == briefPulls:
			more++
		default:
			out = append(out, fmt.Sprintf("%s %s–%s%srpm", stretch(s.From, s.To), show.Fixed(s.RPMFrom, 0),
				show.Fixed(s.RPMTo, 0), show.NBSP))
		}
	}
	if more > 0 {
		out = append(out, count(more, "more pull"))
	}
	return strings.Join(out, "; ")
}

// shortened is a header of at most briefHeader characters, in quotes.
func shortened(header string) string {
	if r := []rune(header); len(r) > briefHeader {
		header = string(r[:briefHeader-1]) + "…"
	}
	return "“" + header + "”"
}
