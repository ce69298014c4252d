package text

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/olekukonko/tablewriter"
	"github.com/olekukonko/tablewriter/renderer"
	"github.com/olekukonko/tablewriter/tw"

	"headroom/internal/report/show"
)

const (
	defaultWidth = 80
	leastWidth   = 40
	roomyWidth   = 120 // from here on, columns marked Wide are shown
	ampleWidth   = 160 // from here on, rows of several lines are rare enough to stand without a blank line between
	columnGap    = 2
	leastColumn  = 3
	longestWord  = 20 // words longer than this are broken before other columns suffer
)

// Terminal attributes (ECMA-48, select graphic rendition).
const (
	sgrReset   = "\x1b[0m"
	sgrBold    = "\x1b[1m"
	sgrFaint   = "\x1b[2m"
	sgrAlarm   = "\x1b[1;31m"
	sgrDoubt   = "\x1b[35m"
	sgrCaution = "\x1b[1;33m"
	sgrGood    = "\x1b[1;36m"
)

// terminal writes a document as text of a fixed width.
type terminal struct {
	strings.Builder
	width  int
	colour bool
}

// WriteTerminal writes a document as text of a fixed width in columns: 0 means 80, less than 40 is taken as 40. From
// 120 columns on, columns marked Wide are shown. Colour adds terminal attributes and changes no word.
func WriteTerminal(w io.Writer, doc Document, width int, colour bool) error {
	t := &terminal{width: max(width, leastWidth), colour: colour}
	if width == 0 {
		t.width = defaultWidth
	}
	t.head(doc)
	for _, s := range doc.Sections {
		if err := t.section(s); err != nil {
			return fmt.Errorf("table %q: %w", s.Title, err)
		}
	}
	_, err := io.WriteString(w, t.String())
	return err
}

// paint puts terminal attributes around text, where the caller wants them.
func (t *terminal) paint(s, sgr string) string {
	if !t.colour || sgr == "" {
		return s
	}
	return sgr + s + sgrReset
}

// line wraps a paragraph behind a mark and paints it.
func (t *terminal) line(mark, s, sgr string) {
	for _, l := range strings.SplitAfter(hang(mark, Clean(s), t.width), "\n") {
		if l == "" {
			continue
		}
		t.WriteString(t.paint(breakable(strings.TrimSuffix(l, "\n")), sgr) + "\n")
	}
}

func (t *terminal) head(doc Document) {
	t.line("", doc.Title, sgrBold)
	facts := make([]string, len(doc.Facts))
	for i, f := range doc.Facts {
		facts[i] = strings.ToLower(f.Name) + show.NBSP + f.Value
	}
	if len(facts) > 0 {
		t.line("", strings.Join(facts, " · "), "")
	}
	if v := doc.Verdict; v != nil {
		t.WriteByte('\n')
		t.line("VERDICT  ", strings.ToUpper(v.Word)+" – "+cmp.Or(v.Meaning, "this verdict is not known to the report."),
			gradePaint(v.Grade))
		for _, b := range v.Because {
			t.line("  - ", b, "")
		}
	}
}

func gradePaint(g Grade) string {
	switch g {
	case Released:
		return sgrGood
	case Conditional:
		return sgrCaution
	case Held:
		return sgrAlarm
	}
	return sgrDoubt
}

func tonePaint(x Tone) string {
	switch x {
	case Alarm:
		return sgrAlarm
	case Doubt:
		return sgrDoubt
	case Faint:
		return sgrFaint
	case Loud:
		return sgrBold
	}
	return ""
}

func (t *terminal) section(s Section) error {
	t.WriteByte('\n')
	title := s.Title
	if !s.Named {
		title = strings.ToUpper(title)
	}
	t.line("", title, sgrBold)
	if s.Intro != "" {
		t.line("", s.Intro, "")
	}
	for _, b := range s.Blocks {
		if err := t.block(b); err != nil {
			return err
		}
	}
	return nil
}

func (t *terminal) block(b Block) error {
	if b.Text != "" {
		t.line("", b.Text, "")
	}
	name := 0
	for _, f := range b.Facts {
		name = max(name, widthOf(f.Name))
	}
	for _, f := range b.Facts {
		t.line(f.Name+strings.Repeat(" ", name-widthOf(f.Name)+columnGap), f.Value, "")
	}
	for _, item := range b.List {
		t.line("- ", item, "")
	}
	if len(b.Plots) > 0 {
		t.line("", "The plots are in the html format, their numbers in the md format.", "")
	}
	if b.Table == nil || b.Table.Only == OnPaper {
		return nil
	}
	return t.table(b.Table)
}

func (t *terminal) table(tab *Table) error {
	if len(tab.Rows) == 0 {
		return nil
	}
	if tab.Caption != "" {
		t.WriteByte('\n')
		t.line("", tab.Caption, sgrBold)
	}
	shown := *tab
	if tab.Most > 0 && len(tab.Rows) > tab.Most {
		shown.Rows = tab.Rows[:tab.Most]
	}
	g := t.layout(&shown)
	header, rows := g.fill(t)
	if err := t.draw(g, header, rows); err != nil {
		return err
	}
	if left := len(tab.Rows) - len(shown.Rows); left > 0 {
		t.line("", fmt.Sprintf("The first %d of %d. The md, html, csv and json formats have them all.", len(shown.Rows),
			len(tab.Rows)), "")
	}
	if tab.Absent != "" && shown.lacks() {
		t.line("", show.Missing+" means: "+tab.Absent, "")
	}
	t.notes(&shown)
	return nil
}

// notes prints what is said about each row, behind the row's first cell.
func (t *terminal) notes(tab *Table) {
	mark := 0
	for _, r := range tab.Rows {
		mark = max(mark, widthOf(Clean(r.Cells[0].Joined())))
	}
	mark = min(mark, t.width/3)
	for _, r := range tab.Rows {
		for i, n := range r.Notes {
			name := ""
			if i == 0 {
				name = wrap(Clean(r.Cells[0].Joined()), mark)[0]
			}
			t.line(strings.Repeat(" ", mark-widthOf(name))+name+"  ", n, "")
		}
	}
}

// gridding is the part of a table that is shown, with the width of each column. A stacked column has its parts one
// above the other and its head broken between words.
type gridding struct {
	columns []Column
	cells   [][]Cell // one row per table row, columns as above
	widths  []int
	stacked []bool
	broken  bool // every head is broken between words
}

// layout picks columns and widths: everything on one line if that fits, else heads broken, else flexible columns
// wrapped between the parts of a cell, else cells stacked column by column, the one that gives most room first, else
// wrapped anywhere.
func (t *terminal) layout(tab *Table) gridding {
	g := gridding{cells: make([][]Cell, len(tab.Rows))}
	for i, c := range tab.Columns {
		if c.Wide && t.width < roomyWidth {
			continue
		}
		g.columns = append(g.columns, c)
		for j, r := range tab.Rows {
			g.cells[j] = append(g.cells[j], r.Cells[i])
		}
	}
	g.widths, g.stacked = make([]int, len(g.columns)), make([]bool, len(g.columns))
	room := t.width - columnGap*(len(g.columns)-1)
	for _, g.broken = range []bool{false, true} {
		for i := range g.columns {
			g.widths[i] = g.natural(i, false)
		}
		if sum(g.widths) <= room {
			return g
		}
	}
	natural := slices.Clone(g.widths)
	g.narrow(room, g.widestPart)
	if sum(g.widths) <= room {
		return g
	}
	g.widths = natural
	for sum(g.widths) > room && g.stack() {
	}
	g.squeeze(room)
	return g
}

// widestPart is the least width of a column that breaks no part of a cell: for a flexible column the widest part, for
// any other the width it has.
func (g *gridding) widestPart(column int) int {
	if g.columns[column].Flex {
		return g.natural(column, true)
	}
	return g.widths[column]
}

// stack stacks the column that gives most room; false when none gives any.
func (g *gridding) stack() bool {
	best, most := -1, 0
	for i := range g.columns {
		if saved := g.widths[i] - g.natural(i, true); !g.stacked[i] && saved > most {
			best, most = i, saved
		}
	}
	if best < 0 {
		return false
	}
	g.stacked[best] = true
	g.widths[best] -= most
	return true
}

// lines is a cell of a column in lines, before wrapping.
func (g *gridding) lines(c Cell, stacked bool) []string {
	if !stacked {
		return []string{Clean(c.Joined())}
	}
	lines := make([]string, len(c.Parts))
	for i, p := range c.Parts {
		lines[i] = Clean(p)
	}
	return lines
}

// natural is the width of a column's widest line, stacked or not.
func (g *gridding) natural(column int, stacked bool) int {
	widest := widthOf(g.columns[column].Head)
	if stacked || g.broken {
		widest = widestWord(g.columns[column].Head)
	}
	for _, r := range g.cells {
		for _, l := range g.lines(r[column], stacked) {
			widest = max(widest, widthOf(l))
		}
	}
	return widest
}

func widestWord(s string) int {
	widest := 0
	for _, w := range words(s) {
		widest = max(widest, widthOf(w))
	}
	return widest
}

// squeeze narrows the widest column step by step until the table fits: flexible columns down to their longest word,
// then all columns down to theirs, then inside words.
func (g *gridding) squeeze(room int) {
	longest := make([]int, len(g.columns))
	for i, c := range g.columns {
		longest[i] = widestWord(c.Head)
		for _, r := range g.cells {
			for _, l := range g.lines(r[i], g.stacked[i]) {
				longest[i] = max(longest[i], min(widestWord(l), longestWord))
			}
		}
	}
	g.narrow(room, func(i int) int {
		if g.columns[i].Flex {
			return longest[i]
		}
		return g.widths[i]
	})
	g.narrow(room, func(i int) int { return longest[i] })
	g.narrow(room, func(int) int { return leastColumn })
}

// narrow takes columns off the widest column that is wider than its least, until the table fits or none is.
func (g *gridding) narrow(room int, least func(column int) int) {
	for sum(g.widths) > room {
		widest := -1
		for i := range g.widths {
			if g.widths[i] > least(i) && (widest < 0 || g.widths[i] > g.widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			return
		}
		g.widths[widest]--
	}
}

// fill wraps header and cells into their columns.
func (g *gridding) fill(t *terminal) (header []string, rows [][]string) {
	for i, c := range g.columns {
		header = append(header, t.cellText(wrap(c.Head, g.widths[i]), sgrBold))
	}
	for _, r := range g.cells {
		var out []string
		for i, c := range r {
			var lines []string
			for _, l := range g.lines(c, g.stacked[i]) {
				lines = append(lines, wrap(l, g.widths[i])...)
			}
			out = append(out, t.cellText(lines, tonePaint(c.Tone)))
		}
		rows = append(rows, out)
	}
	return header, rows
}

func (t *terminal) cellText(lines []string, sgr string) string {
	painted := make([]string, len(lines))
	for i, l := range lines {
		painted[i] = t.paint(breakable(l), sgr)
	}
	return strings.Join(painted, "\n")
}

// draw lets tablewriter set the wrapped cells: no frame, a rule under the header. Below a row of several lines stands a
// blank line, so that its last line is not read as the next row's; not where there is ample width.
func (t *terminal) draw(g gridding, header []string, rows [][]string) error {
	align := make([]tw.Align, len(g.columns))
	for i, c := range g.columns {
		align[i] = tw.AlignLeft
		if c.Right {
			align[i] = tw.AlignRight
		}
	}
	gaps := make([]tw.Padding, len(g.columns))
	for i := range gaps {
		gaps[i] = tw.Padding{Right: strings.Repeat(" ", columnGap), Overwrite: true}
	}
	gaps[len(gaps)-1].Right = ""
	format := tw.CellFormatting{AutoWrap: tw.WrapNone, AutoFormat: tw.Off}
	section := tw.CellConfig{Formatting: format, Padding: tw.CellPadding{PerColumn: gaps},
		Alignment: tw.CellAlignment{PerColumn: align}}
	var out strings.Builder
	table := tablewriter.NewTable(&out,
		tablewriter.WithEastAsian(tw.Off), // as widthOf: the locale must not change a report
		tablewriter.WithRenderer(renderer.NewBlueprint(tw.Rendition{
			Borders: tw.BorderNone,
			Symbols: tw.NewSymbols(tw.StyleLight),
			Settings: tw.Settings{
				Separators: tw.Separators{BetweenColumns: tw.Off, BetweenRows: tw.Off},
				Lines:      tw.Lines{ShowHeaderLine: tw.On},
			},
		})),
		tablewriter.WithConfig(tablewriter.Config{
			Header: section, Row: section,
			Behavior: tw.Behavior{TrimSpace: tw.Off, AutoHide: tw.Off},
		}),
	)
	table.Header(header)
	if err := table.Bulk(rows); err != nil {
		return err
	}
	if err := table.Render(); err != nil {
		return err
	}
	lines := strings.Split(strings.TrimRight(out.String(), "\n"), "\n")
	top := height(header) + 1
	t.lines(lines[:top])
	lines = lines[top:]
	for i, r := range rows {
		h := height(r)
		if i > 0 && t.width < ampleWidth && height(rows[i-1]) > 1 {
			t.WriteByte('\n')
		}
		t.lines(lines[:h])
		lines = lines[h:]
	}
	return nil
}

// height is how many lines a row of wrapped cells takes.
func height(cells []string) int {
	h := 1
	for _, c := range cells {
		h = max(h, strings.Count(c, "\n")+1)
	}
	return h
}

// lines writes finished lines without their trailing blanks.
func (t *terminal) lines(lines []string) {
	for _, l := range lines {
		t.WriteString(strings.TrimRight(l, " ") + "\n")
	}
}

func sum(ns []int) int {
	total := 0
	for _, n := range ns {
		total += n
	}
	return total
}
