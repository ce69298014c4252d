package text

import (
	"fmt"
	"io"
	"strings"

	"headroom/internal/report/show"
)

// WriteMarkdown writes a document as Markdown with pipe tables.
func WriteMarkdown(w io.Writer, doc Document) error {
	var b strings.Builder
	fmt.Fprintf(&b, "# %s\n\n", escaped(doc.Title))
	markdownFacts(&b, doc.Facts)
	if v := doc.Verdict; v != nil {
		fmt.Fprintf(&b, "**Verdict: %s.** %s\n\n", escaped(v.Word), escaped(v.Meaning))
		markdownList(&b, v.Because)
	}
	for _, s := range doc.Sections {
		fmt.Fprintf(&b, "## %s\n\n", escaped(s.Title))
		if s.Intro != "" {
			fmt.Fprintf(&b, "%s\n\n", escaped(s.Intro))
		}
		for _, x := range s.Blocks {
			if x.Text != "" {
				fmt.Fprintf(&b, "%s\n\n", escaped(x.Text))
			}
			markdownFacts(&b, x.Facts)
			markdownList(&b, x.List)
			if x.Table != nil && x.Table.Only != OnTerminal {
				markdownTable(&b, x.Table)
			}
		}
	}
	_, err := io.WriteString(w, strings.TrimRight(b.String(), "\n")+"\n")
	return err
}

func markdownFacts(b *strings.Builder, facts []Fact) {
	for _, f := range facts {
		fmt.Fprintf(b, "- %s: %s\n", escaped(f.Name), escaped(f.Value))
	}
	if len(facts) > 0 {
		b.WriteByte('\n')
	}
}

func markdownList(b *strings.Builder, items []string) {
	for _, i := range items {
		fmt.Fprintf(b, "- %s\n", escaped(i))
	}
	if len(items) > 0 {
		b.WriteByte('\n')
	}
}

func markdownTable(b *strings.Builder, t *Table) {
	if len(t.Rows) == 0 {
		return
	}
	if t.Caption != "" {
		fmt.Fprintf(b, "**%s**\n\n", escaped(t.Caption))
	}
	b.WriteByte('|')
	for _, c := range t.Columns {
		fmt.Fprintf(b, " %s |", escaped(c.Head))
	}
	b.WriteString("\n|")
	for _, c := range t.Columns {
		if c.Right {
			b.WriteString(" ---: |")
		} else {
			b.WriteString(" --- |")
		}
	}
	b.WriteByte('\n')
	for _, r := range t.Rows {
		b.WriteByte('|')
		for _, c := range r.Cells {
			fmt.Fprintf(b, " %s |", markdownCell(c))
		}
		b.WriteByte('\n')
	}
	b.WriteByte('\n')
	if t.Absent != "" && t.lacks() {
		fmt.Fprintf(b, "%s means: %s\n\n", show.Missing, escaped(t.Absent))
	}
	for _, r := range t.Rows {
		if len(r.Notes) > 0 {
			fmt.Fprintf(b, "- %s: %s\n", escaped(r.Cells[0].Joined()), escaped(strings.Join(r.Notes, " ")))
		}
	}
	if t.noted() {
		b.WriteByte('\n')
	}
}

// markdownCell is a cell on one line, bold where it is meant to strike the eye.
func markdownCell(c Cell) string {
	s := strings.TrimSpace(escaped(c.Joined()))
	if s != "" && (c.Tone == Loud || c.Tone == Alarm) {
		return "**" + s + "**"
	}
	return s
}

// noted reports whether anything is said about any row.
func (t *Table) noted() bool {
	for _, r := range t.Rows {
		if len(r.Notes) > 0 {
			return true
		}
	}
	return false
}

// markup is what Markdown would take as its own; "&" comes with it because of character references.
var markup = strings.NewReplacer(
	`\`, `\\`, "`", "\\`", "*", `\*`, "_", `\_`, "[", `\[`, "]", `\]`, "<", "&lt;", ">", "&gt;", "|", `\|`, "&",
	"&amp;", "~", `\~`, "#", `\#`,
	show.NBSP, " ",
)

// escaped is text that Markdown shows as it stands.
func escaped(s string) string { return markup.Replace(Clean(s)) }
