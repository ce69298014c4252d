// Package text answers one question: how does a document look in a terminal, in Markdown and on a page? A document is
// headings, sentences, facts, lists, tables and finished drawings, already worded; the three writers set it, wrap it
// and paint it, and add no fact of their own. Text from outside stays text: what would be markup is escaped, and
// control and direction-changing characters are replaced. No published source is involved but ECMA-48 for the
// terminal's attributes; the page's style sheet and palette are the package's own.
package text

// Document is a result as it is told to a person. It is built once per result and rendered by the terminal, Markdown
// and HTML writers; it holds finished words and numbers and no markup.
type Document struct {
	Kind     string // "review", "audit", …
	Title    string
	Facts    []Fact
	Verdict  *Verdict
	Sections []Section
}

// Fact is a name and what it is.
type Fact struct{ Name, Value string }

// Verdict is the word, what it means, and why.
type Verdict struct {
	Word    string
	Meaning string // what it asks of the reader, a sentence; "" when the word is not known
	Because []string
	Grade   Grade
}

// Grade says how a verdict is meant to strike the eye. The word says the same.
type Grade string

// Grades, from the mildest on. Pages find the colours of a verdict under these names.
const (
	Released    Grade = "release"
	Conditional Grade = "conditions"
	Undecided   Grade = "undecided"
	Held        Grade = "hold"
)

// Section is a heading with what stands below it. An empty Blocks is never left unexplained: Intro says what is not
// there and why.
type Section struct {
	ID, Title string
	Named     bool // the title is an identifier: it is never set in capitals
	Intro     string
	Blocks    []Block
}

// Block is one thing in a section; exactly one of the pointers and slices is set.
type Block struct {
	Text   string
	Facts  []Fact
	List   []string
	Table  *Table
	Grid   *Grid
	Plots  []Plot  // html only
	Traces *Traces // html only
	Pulls  *Pulls  // html only
}
