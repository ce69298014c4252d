package text

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
)

//go:embed page.css
var pageStyle string

//go:embed page.html.tmpl
var pageTemplate string

var page = template.Must(template.New("page").Parse(pageTemplate))

// pageData is a document with what only a page needs.
type pageData struct {
	Document
	Style template.CSS
}

// WriteHTML writes a document as one self-contained page: no script, no request, light and dark, printable.
func WriteHTML(w io.Writer, doc Document) error {
	var b bytes.Buffer
	if err := page.Execute(&b, pageData{Document: doc, Style: template.CSS(pageStyle)}); err != nil {
		return fmt.Errorf("write html: %w", err)
	}
	_, err := w.Write(bytes.Map(harmless, b.Bytes()))
	return err
}

// Shown reports whether a table belongs on a page.
func (t *Table) Shown() bool { return len(t.Rows) > 0 && t.Only != OnTerminal }

// Lacks reports whether the page says what "–" means in this table.
func (t *Table) Lacks() bool { return t.Absent != "" && t.lacks() }

// Class is how a cell looks: to the right, and its tone.
func (t *Table) Class(column int, c Cell) string {
	class := ""
	if t.Columns[column].Right {
		class = "num"
	}
	if c.Tone != Calm {
		class += " " + string(c.Tone)
	}
	if c.short() {
		class += " short"
	}
	return strings.TrimSpace(class)
}

// Pieces are the leading part of a cell, cut where a key of a file may be broken rather than within a word.
func (c Cell) Pieces() []string {
	if !strings.Contains(c.First(), "_") {
		return []string{c.First()}
	}
	var out []string
	for _, section := range strings.SplitAfter(c.First(), ".") {
		out = append(out, strings.SplitAfter(section, "_")...)
	}
	return out
}

// short reports whether a cell can stay on one line a part without pushing others off the page.
func (c Cell) short() bool {
	for _, p := range c.Parts {
		if widthOf(p) > longestShort {
			return false
		}
	}
	return true
}

const longestShort = 20

// Span is the number of columns.
func (t *Table) Span() int { return len(t.Columns) }

// Head is the heading of a column, which narrow screens show beside each value.
func (t *Table) Head(column int) string { return t.Columns[column].Head }

// First is the leading part of a cell.
func (c Cell) First() string {
	if len(c.Parts) == 0 {
		return ""
	}
	return c.Parts[0]
}

// Rest is the parts after the first, which stand below it in smaller type.
func (c Cell) Rest() []string {
	if len(c.Parts) < 2 {
		return nil
	}
	return c.Parts[1:]
}
