package report

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
	document
	Style template.CSS
}

// writeHTML writes a document as one self-contained page: no script, no request, light and dark, printable.
func writeHTML(w io.Writer, doc document) error {
	var b bytes.Buffer
	if err := page.Execute(&b, pageData{document: doc, Style: template.CSS(pageStyle)}); err != nil {
		return fmt.Errorf("write html: %w", err)
	}
	_, err := w.Write(bytes.Map(harmless, b.Bytes()))
	return err
}

// Class names the verdict's colours in the style sheet; a word that is not a verdict has none.
func (v *verdict) Class() string {
	if _, ok := meanings[v.Word]; ok {
		return v.Word
	}
	return "undecided"
}

// Shown reports whether a table belongs on a page.
func (t *table) Shown() bool { return len(t.Rows) > 0 && t.Only != onTerminal }

// Lacks is lacks for the template.
func (t *table) Lacks() bool { return t.Absent != "" && t.lacks() }

// Class is how a cell looks: to the right, and its tone.
func (t *table) Class(column int, c cell) string {
	class := ""
	if t.Columns[column].Right {
		class = "num"
	}
	if c.Tone != calm {
		class += " " + string(c.Tone)
	}
	if c.short() {
		class += " short"
	}
	return strings.TrimSpace(class)
}

// short reports whether a cell can stay on one line a part without pushing others off the page.
func (c cell) short() bool {
	for _, p := range c.Parts {
		if widthOf(p) > longestShort {
			return false
		}
	}
	return true
}

const longestShort = 20

// Span is the number of columns.
func (t *table) Span() int { return len(t.Columns) }

// Head is the heading of a column, which narrow screens show beside each value.
func (t *table) Head(column int) string { return t.Columns[column].Head }

// First is the leading part of a cell.
func (c cell) First() string {
	if len(c.Parts) == 0 {
		return ""
	}
	return c.Parts[0]
}

// Rest is the parts after the first, which stand below it in smaller type.
func (c cell) Rest() []string {
	if len(c.Parts) < 2 {
		return nil
	}
	return c.Parts[1:]
}
