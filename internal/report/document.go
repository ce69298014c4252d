package report

import (
	"html/template"
	"strconv"
	"strings"

	"headroom/internal/report/show"
	"headroom/internal/result"
)

// document is a result as it is told to a person. It is built once per result and rendered by the terminal, Markdown
// and HTML writers; it holds finished words and numbers and no markup.
type document struct {
	Kind     string // "review", "audit", …
	Title    string
	Facts    []fact
	Verdict  *verdict
	Sections []section
}

// fact is a name and what it is.
type fact struct{ Name, Value string }

// verdict is the word, what it means, and why.
type verdict struct {
	Word, Meaning string
	Because       []string
}

// section is a heading with what stands below it. An empty Blocks is never left unexplained: Intro says what is not
// there and why.
type section struct {
	ID, Title string
	Named     bool // the title is an identifier: it is never set in capitals
	Intro     string
	Blocks    []block
}

// block is one thing in a section; exactly one of the pointers and slices is set.
type block struct {
	Text   string
	Facts  []fact
	List   []string
	Table  *table
	Grid   *grid
	Plots  []plot  // html only
	Traces *traces // html only
}

// plot is a finished drawing with its heading, or a note why there is none.
type plot struct {
	Title, Note string
	SVG         template.HTML
}

// table is rows under columns.
type table struct {
	Caption string // "" for none
	Columns []column
	Rows    []row
	Fold    string // html: shown folded away under these words; "" for open
	Legend  string // html: what the small pictures in the cells show
	Absent  string // what "–" means in this table; printed when a cell has one
	Only    medium // the formats it is for; everywhere when empty
	Most    int    // terminal: rows shown at most, 0 for all
}

// medium names the human formats a block is for.
type medium string

const (
	everywhere medium = ""
	onTerminal medium = "terminal"
	notTyped   medium = "document" // Markdown and html
)

// column heads a column.
type column struct {
	Head  string
	Right bool // numbers stand to the right
	Wide  bool // terminal: shown only where there is room
	Flex  bool // terminal: gives way first where there is not
}

// row is one line of a table and what is said about it.
type row struct {
	Cells  []cell
	Notes  []string // full sentences about this row
	Accent tone     // faint: the whole row is set back
}

// setBack makes the whole row one that need not catch the eye.
func (r *row) setBack() {
	r.Accent = faint
	for i := range r.Cells {
		r.Cells[i].Tone = faint
	}
}

// cell is a value in parts: side by side where there is room, one above the other where there is not.
type cell struct {
	Parts []string
	Tone  tone
	Strip template.HTML // html only: a small drawing beside the parts; "" for none
}

// tone says how a cell is meant to strike the eye. The words say the same: nothing is told by colour alone.
type tone string

const (
	calm  tone = ""
	alarm tone = "alarm"
	doubt tone = "doubt"
	faint tone = "faint"
	loud  tone = "loud"
)

func text(parts ...string) cell {
	kept := make([]string, 0, len(parts))
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return cell{Parts: kept}
}

func (c cell) toned(t tone) cell {
	c.Tone = t
	return c
}

// joined is the cell on one line. A part in brackets belongs to the one before.
func (c cell) joined() string { return joinParts(c.Parts) }

func joinParts(parts []string) string {
	var b strings.Builder
	for i, p := range parts {
		switch {
		case i == 0:
		case strings.HasPrefix(p, "("):
			b.WriteByte(' ')
		default:
			b.WriteString(", ")
		}
		b.WriteString(p)
	}
	return b.String()
}

// lacks reports whether any cell shows a value that is not known.
func (t *table) lacks() bool {
	for _, r := range t.Rows {
		for _, c := range r.Cells {
			for _, p := range c.Parts {
				if strings.HasPrefix(p, show.Missing) {
					return true
				}
			}
		}
	}
	return false
}

// grid is one metric over speed and load (html only; the other formats show the table beside it).
type grid struct {
	Caption, Note string
	Fold          string // shown folded away under these words; "" for open
	Columns       []string
	Rows          []gridRow
}

type gridRow struct {
	Head  string
	Cells []gridCell
}

// gridCell shows a number; Shade 1–6 is its place between the grid's smallest and largest, 0 is no number.
type gridCell struct {
	Text, Sub string
	Shade     int
}

// chance is a probability with its 90 % interval.
func chance(p result.Number, span result.Span) cell {
	if !p.Known() {
		return text(show.Missing)
	}
	if within := show.Probabilities(span); within != show.Missing {
		return text(show.Probability(p), "("+within+")")
	}
	return text(show.Probability(p), "(interval not known)")
}

func evidenceOf(cars, pulls int) cell { return text(count(cars, "car"), count(pulls, "pull")) }

func where(c result.Cell) cell {
	return text(show.Range(c.RPM, "rpm"), show.Range(c.LoadPct, "% load"))
}

func integer(n int) cell { return text(strconv.Itoa(n)) }

func cautionSection(cautions []string) section {
	s := section{ID: "cautions", Title: "Cautions"}
	if len(cautions) == 0 {
		s.Intro = "This result came without its cautions. Treat it as unfinished: engines fail and people get hurt."
		return s
	}
	s.Blocks = []block{{List: cautions}}
	return s
}

func provenanceSection(s result.Stamp) section {
	return section{
		ID: "provenance", Title: "Where this comes from",
		Intro: "The same files, version and seed give the same report, byte for byte.",
		Blocks: []block{{Facts: []fact{
			{"Schema", or(s.Schema, show.Missing+" (not stated)")},
			{"Tool version", or(s.ToolVersion, show.Missing+" (not stated)")},
			{"Workspace digest", or(s.WorkspaceDigest, show.Missing+" (not stated)")},
			{"Seed", strconv.FormatUint(s.Seed, 10)},
		}}},
	}
}
