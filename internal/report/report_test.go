package report

import (
	"bytes"
	"encoding/xml"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/olekukonko/tablewriter/pkg/twwidth"

	"headroom/internal/report/show"
)

var update = flag.Bool("update", false, "write the golden files anew")

// renderings are every result of this package by name, ordinary and awkward.
var renderings = []struct {
	name string
	to   func(w io.Writer, f Format, opt Options) error
}{
	{"review", func(w io.Writer, f Format, opt Options) error { return Review(w, fixtureReview(), f, opt) }},
	{"awkward", func(w io.Writer, f Format, opt Options) error { return Review(w, awkwardReview(), f, opt) }},
	{"audit", func(w io.Writer, f Format, opt Options) error { return Audit(w, fixtureAudit(), f, opt) }},
	{"across", func(w io.Writer, f Format, opt Options) error { return Across(w, fixtureAcross(), f, opt) }},
	{"against", func(w io.Writer, f Format, opt Options) error { return Against(w, fixtureAgainst(), f, opt) }},
	{"fleet", func(w io.Writer, f Format, opt Options) error { return Fleet(w, fixtureFleet(), f, opt) }},
	{"inspect", func(w io.Writer, f Format, opt Options) error { return Inspections(w, fixtureInspections(), f, opt) }},
	{"ingest", func(w io.Writer, f Format, opt Options) error { return Ingest(w, fixtureSummary(), f, opt) }},
	{"verify", func(w io.Writer, f Format, opt Options) error { return Mismatches(w, fixtureFaults(), f, opt) }},
	{"envelopes", func(w io.Writer, f Format, opt Options) error { return Envelopes(w, fixtureEnvelopes(), f, opt) }},
}

func render(t *testing.T, name string, f Format, opt Options) string {
	t.Helper()
	for _, r := range renderings {
		if r.name == name {
			var b bytes.Buffer
			if err := r.to(&b, f, opt); err != nil {
				t.Fatalf("%s as %s: %v", name, f, err)
			}
			return b.String()
		}
	}
	t.Fatalf("no rendering %q", name)
	return ""
}

func TestGolden(t *testing.T) {
	inColour := Options{Width: 80, Units: imperial, Colour: true}
	for _, c := range []struct {
		file, name string
		f          Format
		opt        Options
	}{
		{"review-80.txt", "review", Table, Options{Width: 80}},
		{"review-160.txt", "review", Table, Options{Width: 160}},
		{"review-imperial-colour.txt", "review", Table, inColour},
		{"review.md", "review", Markdown, Options{}},
		{"review.html", "review", HTML, Options{}},
		{"review.json", "review", JSON, Options{}},
		{"review.csv", "review", CSV, Options{}},
		{"audit-80.txt", "audit", Table, Options{Width: 80}},
		{"audit.json", "audit", JSON, Options{}},
		{"audit.csv", "audit", CSV, Options{}},
		{"across-80.txt", "across", Table, Options{Width: 80}},
		{"across.html", "across", HTML, Options{}},
		{"across.json", "across", JSON, Options{}},
		{"across.csv", "across", CSV, Options{}},
		{"against-80.txt", "against", Table, Options{Width: 80}},
		{"against.html", "against", HTML, Options{}},
		{"against.json", "against", JSON, Options{}},
		{"against.csv", "against", CSV, Options{}},
		{"fleet-80.txt", "fleet", Table, Options{Width: 80}},
		{"fleet-160.txt", "fleet", Table, Options{Width: 160}},
		{"fleet.json", "fleet", JSON, Options{}},
		{"fleet.csv", "fleet", CSV, Options{}},
		{"envelopes-80.txt", "envelopes", Table, Options{Width: 80}},
		{"envelopes.json", "envelopes", JSON, Options{}},
		{"envelopes.csv", "envelopes", CSV, Options{}},
		{"inspect-80.txt", "inspect", Table, Options{Width: 80}},
		{"inspect-brief-80.txt", "inspect", Table, Options{Width: 80, Brief: true}},
		{"inspect.json", "inspect", JSON, Options{}},
		{"inspect.csv", "inspect", CSV, Options{}},
		{"ingest-80.txt", "ingest", Table, Options{Width: 80}},
		{"ingest.json", "ingest", JSON, Options{}},
		{"ingest.csv", "ingest", CSV, Options{}},
		{"verify-80.txt", "verify", Table, Options{Width: 80}},
		{"verify.json", "verify", JSON, Options{}},
	} {
		t.Run(c.file, func(t *testing.T) {
			got := render(t, c.name, c.f, c.opt)
			file := filepath.Join("testdata", c.file)
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatalf("%v; run the tests of this package with -update", err)
			}
			if d := cmp.Diff(string(want), got); d != "" {
				t.Errorf("differs from %s (-want +got):\n%s", file, d)
			}
		})
	}
}

// TestWidth holds every terminal result to the width the caller gave, whatever the identifiers.
func TestWidth(t *testing.T) {
	for _, r := range renderings {
		for _, width := range []int{0, 40, 60, 80, 100, 120, 160, 200} {
			for _, colour := range []bool{false, true} {
				out := render(t, r.name, Table, Options{Width: width, Colour: colour})
				allowed := width
				if width == 0 {
					allowed = 80
				}
				for i, line := range strings.Split(out, "\n") {
					if w := columns(line); w > allowed {
						t.Errorf("%s at width %d: line %d is %d columns wide: %q", r.name, width, i+1, w, line)
					}
				}
			}
		}
	}
}

// columns is how many columns a line takes in a terminal.
func columns(line string) int { return twwidth.WidthWithOptions(line, twwidth.Options{}) }

// TestRoomIsUsed checks that a wide terminal gets wider lines, fewer of them, and the columns kept for it.
func TestRoomIsUsed(t *testing.T) {
	for _, r := range renderings {
		at80, at160 := render(t, r.name, Table, Options{Width: 80}), render(t, r.name, Table, Options{Width: 160})
		widest := 0
		for _, line := range strings.Split(at160, "\n") {
			widest = max(widest, columns(line))
		}
		if widest <= 100 {
			t.Errorf("%s at 160: the widest line has only %d columns", r.name, widest)
		}
		if a, b := strings.Count(at80, "\n"), strings.Count(at160, "\n"); b >= a {
			t.Errorf("%s: %d lines at 160, %d at 80", r.name, b, a)
		}
	}
}

// TestColourAddsNothing strips the terminal attributes and expects the plain text.
func TestColourAddsNothing(t *testing.T) {
	trailing := regexp.MustCompile(`(?m) +$`)
	attribute := regexp.MustCompile("\x1b\\[[0-9;]*m")
	for _, r := range renderings {
		plain, painted := render(t, r.name, Table, Options{Width: 80}),
			render(t, r.name, Table, Options{Width: 80, Colour: true})
		if strings.Contains(plain, "\x1b") {
			t.Errorf("%s: attributes without being asked for", r.name)
		}
		if !strings.Contains(painted, "\x1b[1m") {
			t.Errorf("%s: no attributes although asked for", r.name)
		}
		if got := trailing.ReplaceAllString(attribute.ReplaceAllString(painted, ""), ""); got != plain {
			t.Errorf("%s: colour changes the text:\n%s", r.name, cmp.Diff(plain, got))
		}
	}
}

func TestDeterministic(t *testing.T) {
	for _, r := range renderings {
		for _, f := range formats {
			first := render(t, r.name, f, Options{Width: 80})
			for range 3 {
				if render(t, r.name, f, Options{Width: 80}) != first {
					t.Errorf("%s as %s: two renderings differ", r.name, f)
				}
			}
		}
	}
}

// TestNeverSays looks for words no report may use, and for numbers that are not numbers.
func TestNeverSays(t *testing.T) {
	forbidden := regexp.MustCompile(`(?i)\bsafe(ly|ty)?\b|\bNaN\b|\bInf\b|%!|<no value>|−0(\.0+)?[^.\d]`)
	for _, r := range renderings {
		for _, f := range []Format{Table, Markdown, HTML, JSON, CSV} {
			if found := forbidden.FindString(render(t, r.name, f, Options{Width: 80})); found != "" {
				t.Errorf("%s as %s says %q", r.name, f, found)
			}
		}
	}
}

// TestEveryHumanFormatTellsTheSame looks for the facts a reader must find wherever the review is read.
func TestEveryHumanFormatTellsTheSame(t *testing.T) {
	for _, f := range []Format{Table, Markdown, HTML} {
		out := strings.NewReplacer(show.NBSP, " ", "&#43;", "+", "&lt;", "<", "&gt;", ">").Replace(render(t, "review",
			f,
			Options{Width: 160}))
		for _, want := range []string{
			"rev-0142-c", "rev-0142-b", "kestrel-20t", "car-017", "Do not release", "upper bound over the 5.0 %",
			"1.2 ± 1.4 deg", "−4.1 to 0.4 deg", "3000–3500 rpm", "160–180 % load", "19 %", "<0.1 %", "99.9 %",
			"past the limit",
			"shop rule, 2024", "spark +1.5 deg, boost +8 kPa", "outside (limit −0.4 deg from 14 cars, 160 pulls)",
			"not assessed", "No log has oil temperature.", "No limit for it in platforms/kestrel-20t.yaml.", "12 cars",
			"148 pulls",
			"of 12 hazards assessed", "charge temperature +20 K", "−1.9 deg", "438 N·m", "+6.3 %",
			"61 operating cells changed", "Fan duty: changed, not modelled",
			"2500–4000 rpm", "takes about 34 % off the variance of the 3 margins",
			"a calibration can destroy an engine", digest, "0.1.0",
			"headroom/review/1",
		} {
			if f == Table {
				out, want = strings.Join(strings.Fields(out), " "), strings.Join(strings.Fields(want), " ")
			}
			if !strings.Contains(out, want) {
				t.Errorf("%s does not say %q", f, want)
			}
		}
	}
}

func TestHostileTextStaysText(t *testing.T) {
	if out := render(t, "awkward", HTML, Options{}); strings.Contains(out, "<script") ||
		strings.Contains(out, "<b>not") {
		t.Error("html: an identifier became markup")
	}
	md := render(t, "awkward", Markdown, Options{})
	if strings.Contains(md, "<script") {
		t.Error("md: an identifier became markup")
	}
	for i, line := range strings.Split(md, "\n") {
		if strings.HasPrefix(line, "| 1 |") && strings.Count(strings.ReplaceAll(line, `\|`, ""), "|") < 6 {
			t.Errorf("md line %d: a pipe in a cell broke the table: %s", i+1, line)
		}
	}
	term := render(t, "awkward", Table, Options{Width: 80})
	if strings.ContainsAny(term, "\x1b\u202e") {
		t.Error("table: a control character reached the terminal")
	}
}

// TestPage parses the page as a browser does and checks that it asks for nothing from outside.
func TestPage(t *testing.T) {
	for _, r := range renderings {
		out := render(t, r.name, HTML, Options{})
		if strings.Contains(out, "http") || strings.Contains(out, "@import") || strings.Contains(out, "javascript:") {
			t.Errorf("%s: the page refers to something outside", r.name)
		}
		wellFormed(t, r.name, out)
	}
}

// wellFormed reads the page strictly, element by element, and looks at what is in it.
func wellFormed(t *testing.T, name, page string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	ids, headings := map[string]bool{}, 0
	for {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("%s: the page is not well formed: %v", name, err)
		}
		n, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		switch n.Name.Local {
		case "script", "link", "iframe", "img", "object", "embed":
			t.Errorf("%s: <%s> on the page", name, n.Name.Local)
		case "h1":
			headings++
		}
		for _, a := range n.Attr {
			switch key := a.Name.Local; {
			case key == "id" && ids[a.Value]:
				t.Errorf("%s: id %q twice", name, a.Value)
			case key == "id":
				ids[a.Value] = true
			case strings.HasPrefix(key, "on"), key == "src", key == "href":
				t.Errorf("%s: attribute %s on <%s>", name, key, n.Name.Local)
			}
		}
	}
	if headings != 1 {
		t.Errorf("%s: %d main headings", name, headings)
	}
}

func TestWrongOptions(t *testing.T) {
	var b bytes.Buffer
	if err := Review(&b, fixtureReview(), "xlsx", Options{}); err == nil || !strings.Contains(err.Error(), "parquet") {
		t.Errorf("unknown format: %v", err)
	}
	if err := Review(&b, fixtureReview(), Table, Options{Units: show.Units{Pressure: "atm"}}); err == nil ||
		!strings.Contains(err.Error(), "kPa, bar, psi") {
		t.Errorf("unknown unit: %v", err)
	}
	if err := Review(&b, nil, Table, Options{}); err == nil {
		t.Error("a missing result must be an error")
	}
	if b.Len() > 0 {
		t.Error("something was written beside an error")
	}
	for _, f := range formats {
		if got, err := ParseFormat(strings.ToUpper(string(f))); err != nil || got != f {
			t.Errorf("ParseFormat(%s) = %v, %v", f, got, err)
		}
	}
}

// TestWriteErrors checks that a full disk is reported.
func TestWriteErrors(t *testing.T) {
	for _, f := range formats {
		if err := Review(fullDisk{}, fixtureReview(), f, Options{}); err == nil {
			t.Errorf("%s: a write error was lost", f)
		}
	}
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, fmt.Errorf("no space left") }
