package text

import (
	"html/template"
	"strings"

	"headroom/internal/report/show"
)

// Table is rows under columns.
type Table struct {
	Caption string // "" for none
	Columns []Column
	Rows    []Row
	Fold    string // html: shown folded away under these words; "" for open
	Legend  string // html: what the small pictures in the cells show
	Absent  string // what "–" means in this table; printed when a cell has one
	Only    Medium // the formats it is for; all of them when empty
	Most    int    // terminal: rows shown at most, 0 for all
}

// Medium names the human formats a table is for.
type Medium string

// Media. The empty one is all of them.
const (
	OnTerminal Medium = "terminal"
	OnPaper    Medium = "document" // Markdown and html
)

// Column heads a column.
type Column struct {
	Head  string
	Right bool // numbers stand to the right
	Wide  bool // terminal: shown only where there is room
	Flex  bool // terminal: gives way first where there is not
}

// Row is one line of a table and what is said about it.
type Row struct {
	Cells  []Cell
	Notes  []string // full sentences about this row
	Accent Tone     // faint: the whole row is set back
}

// SetBack makes the whole row one that need not catch the eye.
func (r *Row) SetBack() {
	r.Accent = Faint
	for i := range r.Cells {
		r.Cells[i].Tone = Faint
	}
}

// Cell is a value in parts: side by side where there is room, one above the other where there is not.
type Cell struct {
	Parts []string
	Tone  Tone
	Strip template.HTML // html only: a small drawing beside the parts; "" for none
}

// Tone says how a cell is meant to strike the eye. The words say the same: nothing is told by colour alone.
type Tone string

// Tones. Alarm is what speaks against, Doubt what is not sure, Faint what need not catch the eye, Loud what a row is
// read by, and Calm the rest.
const (
	Calm  Tone = ""
	Alarm Tone = "alarm"
	Doubt Tone = "doubt"
	Faint Tone = "faint"
	Loud  Tone = "loud"
)

// Of is a cell of these parts; those without a word are left out.
func Of(parts ...string) Cell {
	kept := make([]string, 0, len(parts))
	for _, p := range parts {
		if strings.TrimSpace(p) != "" {
			kept = append(kept, p)
		}
	}
	return Cell{Parts: kept}
}

// Toned is the cell in another tone.
func (c Cell) Toned(t Tone) Cell {
	c.Tone = t
	return c
}

// Joined is the cell on one line. A part in brackets belongs to the one before.
func (c Cell) Joined() string { return joinParts(c.Parts) }

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
func (t *Table) lacks() bool {
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
