package text

import (
	"strings"
	"unicode"

	"github.com/olekukonko/tablewriter/pkg/twwidth"

	"headroom/internal/report/show"
)

// narrow makes widths the same in every locale: "–", "±" and "°" are one column.
var narrow = twwidth.Options{}

func widthOf(s string) int { return twwidth.WidthWithOptions(s, narrow) }

// Clean makes a string from outside harmless in a terminal or a text file: line breaks and tabs become a blank, and
// unbreakable blanks stay for the wrapping.
func Clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '\n' || r == '\r' || r == '\t' {
			return ' '
		}
		return harmless(r)
	}, s)
}

// Harmless makes what names or quotes something from outside harmless in a terminal: of control characters only line
// feeds stay. Bytes that are not UTF-8, which can be control characters too, become U+FFFD.
func Harmless(s string) string { return strings.Map(harmless, s) }

// harmless puts "?" for control characters and those that change the direction of text; a line feed stays.
func harmless(r rune) rune {
	if r != '\n' && unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) || r == '\u2028' || r == '\u2029' {
		return '?'
	}
	return r
}

// breakable turns unbreakable blanks into plain ones, once wrapping is done.
func breakable(s string) string { return strings.ReplaceAll(s, show.NBSP, " ") }

// words are the parts of a text that stay on one line; an unbreakable blank does not end a word.
func words(s string) []string { return strings.FieldsFunc(s, func(r rune) bool { return r == ' ' }) }

// wrap breaks text into lines of at most width columns, between words, and inside a word only when it is longer than
// a line: there after "-", "_", "/" or "." when one is near, else anywhere.
func wrap(s string, width int) []string {
	width = max(width, 1)
	var lines []string
	line := ""
	for _, word := range words(s) {
		if line != "" && widthOf(line)+1+widthOf(word) <= width {
			line += " " + word
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for widthOf(word) > width {
			var head string
			head, word = splitWord(word, width)
			lines = append(lines, head)
		}
		line = word
	}
	if line != "" || len(lines) == 0 {
		lines = append(lines, line)
	}
	return lines
}

// splitWord cuts a word that is wider than width.
func splitWord(word string, width int) (head, rest string) {
	used, cut, joint := 0, 0, 0
	for i, r := range word {
		w := widthOf(string(r))
		if used+w > width && i > 0 {
			break
		}
		used += w
		cut = i + len(string(r))
		if strings.ContainsRune("-_/."+show.NBSP, r) {
			joint = cut
		}
	}
	if joint > cut/2 {
		cut = joint
	}
	return word[:cut], word[cut:]
}

// hang wraps text behind a mark, with the following lines standing under the text.
func hang(mark, s string, width int) string {
	indent := widthOf(mark)
	lines := wrap(s, width-indent)
	var b strings.Builder
	for i, l := range lines {
		if i == 0 {
			b.WriteString(mark)
		} else {
			b.WriteString(strings.Repeat(" ", indent))
		}
		b.WriteString(l)
		b.WriteByte('\n')
	}
	return b.String()
}
