package text

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"

	"github.com/olekukonko/tablewriter/pkg/twwidth"
	"pgregory.net/rapid"
)

// letters hold blanks of both kinds, marks of Markdown and HTML, wide letters and characters that must not get out.
var letters = rapid.StringOfN(rapid.RuneFrom([]rune("ab cd-_/.é日λ–|*<>&#`\\\"\u00a0\n\x1b\u202e")), 0, 60, -1)

// heads, as the names of facts, are never from outside.
var heads = rapid.SampledFrom([]string{"#", "Where", "Chance per pull"})

// drawn is a document with everything in it but drawings, of any words.
func drawn(t *rapid.T) Document {
	words := func(name string) string { return letters.Draw(t, name) }
	tab := &Table{Caption: words("caption"), Absent: words("absent"), Most: rapid.IntRange(0, 3).Draw(t, "most")}
	for range rapid.IntRange(1, 6).Draw(t, "columns") {
		tab.Columns = append(tab.Columns, Column{Head: heads.Draw(t, "head"), Right: rapid.Bool().Draw(t, "right"),
			Wide: len(tab.Columns) > 0 && rapid.Bool().Draw(t, "wide"), Flex: rapid.Bool().Draw(t, "flex")})
	}
	for range rapid.IntRange(0, 4).Draw(t, "rows") {
		r := Row{Notes: []string{words("note")}}
		for range tab.Columns {
			tone := rapid.SampledFrom([]Tone{Calm, Alarm, Doubt, Faint, Loud}).Draw(t, "tone")
			r.Cells = append(r.Cells, Of(words("part"), words("part")).Toned(tone))
		}
		if rapid.Bool().Draw(t, "set back") {
			r.SetBack()
		}
		tab.Rows = append(tab.Rows, r)
	}
	grade := rapid.SampledFrom([]Grade{Released, Conditional, Undecided, Held}).Draw(t, "grade")
	return Document{
		Kind: words("kind"), Title: words("title"), Facts: []Fact{{Name: "Car", Value: words("value")}},
		Verdict: &Verdict{Word: words("word"), Meaning: words("meaning"), Because: []string{words("because")},
			Grade: grade},
		Sections: []Section{{ID: "one", Title: words("section"), Intro: words("intro"), Named: rapid.Bool().Draw(t,
			"named"), Blocks: []Block{{Text: words("text")}, {Facts: []Fact{{Name: "Car",
			Value: words("value")}}}, {List: []string{words("item")}}, {Table: tab}}}},
	}
}

func written(t *rapid.T, write func(w io.Writer) error) string {
	var b strings.Builder
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

var attribute = regexp.MustCompile("\x1b\\[[0-9;]*m")

// TestTerminal: whatever the words, no line is wider than the terminal, colour changes none of them, and nothing that
// commands a terminal gets out.
func TestTerminal(t *testing.T) {
	trailing := regexp.MustCompile(`(?m) +$`)
	rapid.Check(t, func(t *rapid.T) {
		doc, width := drawn(t), rapid.IntRange(40, 200).Draw(t, "width")
		plain := written(t, func(w io.Writer) error { return WriteTerminal(w, doc, width, false) })
		for _, l := range strings.Split(plain, "\n") {
			if n := twwidth.WidthWithOptions(l, twwidth.Options{}); n > width {
				t.Fatalf("%d columns in a terminal of %d: %q", n, width, l)
			}
		}
		if strings.ContainsAny(plain, "\x1b\u202e\u00a0") {
			t.Fatalf("a control character got out: %q", plain)
		}
		painted := written(t, func(w io.Writer) error { return WriteTerminal(w, doc, width, true) })
		bare := trailing.ReplaceAllString(attribute.ReplaceAllString(painted, ""), "")
		if bare != trailing.ReplaceAllString(plain, "") {
			t.Fatalf("colour changes the text:\n%q\n%q", bare, plain)
		}
	})
}

// TestMarkdown: whatever the words, a table keeps its columns and nothing becomes a tag.
func TestMarkdown(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		doc := drawn(t)
		out := written(t, func(w io.Writer) error { return WriteMarkdown(w, doc) })
		if strings.ContainsAny(out, "<>\x1b\u202e") {
			t.Fatalf("a tag or a control character got out: %q", out)
		}
		want := len(doc.Sections[0].Blocks[3].Table.Columns) + 1
		for _, l := range strings.Split(out, "\n") {
			l = strings.NewReplacer(`\\`, "", `\|`, "").Replace(l)
			if n := strings.Count(l, "|"); strings.HasPrefix(l, "|") && n != want {
				t.Fatalf("%d bars, want %d: %q", n, want, l)
			}
		}
	})
}

// TestPage: whatever the words, the page is well formed and has no element but its own.
func TestPage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		doc := drawn(t)
		out := written(t, func(w io.Writer) error { return WriteHTML(w, doc) })
		d := xml.NewDecoder(strings.NewReader(out))
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				t.Fatalf("%v in %s", err, out)
			}
			if n, ok := token.(xml.StartElement); ok && len(n.Name.Local) == 1 && n.Name.Local != "p" {
				t.Fatalf("an element <%s> out of words", n.Name.Local)
			}
		}
	})
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, fmt.Errorf("no space left") }

func TestFullDisk(t *testing.T) {
	doc := Document{Title: "Nothing"}
	for i, err := range []error{WriteTerminal(full{}, doc, 0, false), WriteMarkdown(full{}, doc),
		WriteHTML(full{}, doc)} {
		if err == nil {
			t.Errorf("writer %d: a write error was lost", i)
		}
	}
}

// TestBlankPart: a part without a word takes no line of its own, here in a row that must be wrapped.
func TestBlankPart(t *testing.T) {
	tab := &Table{Columns: []Column{{Head: "#"}, {Head: "#"}},
		Rows: []Row{{Cells: []Cell{Of(strings.Repeat("a", 27), " "), Of("", "aaaaaaa日aa")}}}}
	var b strings.Builder
	if err := WriteTerminal(&b, Document{Sections: []Section{{Blocks: []Block{{Table: tab}}}}}, 40, false); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "\n"+strings.Repeat("a", 27)+"  aaaaaaa日aa\n") {
		t.Errorf("%q", b.String())
	}
}
