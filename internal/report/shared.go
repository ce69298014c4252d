package report

import (
	"strconv"

	"headroom/internal/report/show"
	"headroom/internal/report/text"
	"headroom/internal/result"
)

// Cells and sections that several results share.

// chance is a probability with its 90 % interval.
func chance(p result.Number, span result.Span) text.Cell {
	if !p.Known() {
		return text.Of(show.Missing)
	}
	if within := show.Probabilities(span); within != show.Missing {
		return text.Of(show.Probability(p), "("+within+")")
	}
	return text.Of(show.Probability(p), "(interval not known)")
}

func evidenceOf(cars, pulls int) text.Cell { return text.Of(count(cars, "car"), count(pulls, "pull")) }

func where(c result.Cell) text.Cell {
	return text.Of(show.Range(c.RPM, "rpm"), show.Range(c.LoadPct, "% load"))
}

func integer(n int) text.Cell { return text.Of(strconv.Itoa(n)) }

func cautionSection(cautions []string) text.Section {
	s := text.Section{ID: "cautions", Title: "Cautions"}
	if len(cautions) == 0 {
		s.Intro = "This result came without its cautions. Treat it as unfinished: engines fail and people get hurt."
		return s
	}
	s.Blocks = []text.Block{{List: cautions}}
	return s
}

func provenanceSection(s result.Stamp) text.Section {
	return text.Section{
		ID: "provenance", Title: "Where this comes from",
		Intro: "The same files, version and seed give the same report, byte for byte.",
		Blocks: []text.Block{{Facts: []text.Fact{
			{Name: "Schema", Value: or(s.Schema, show.Missing+" (not stated)")},
			{Name: "Tool version", Value: or(s.ToolVersion, show.Missing+" (not stated)")},
			{Name: "Workspace digest", Value: or(s.WorkspaceDigest, show.Missing+" (not stated)")},
			{Name: "Seed", Value: strconv.FormatUint(s.Seed, 10)},
		}}},
	}
}
