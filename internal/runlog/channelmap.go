package runlog

import (
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"headroom/models/channel"
	"headroom/models/unit"
)

// Map is a user's channels.yaml: for files whose name fits a pattern, which header is which channel in which unit.
type Map struct {
	Files []FileRule `yaml:"files"`
	File  string     `yaml:"-"` // path it was read from
}

// FileRule holds for the files that fit Pattern. Of several rules that fit, the first to name a header, a time column
// or a rate wins.
type FileRule struct {
	// shell pattern of the file's name, or of the end of its path when it holds a slash
	Pattern string       `yaml:"pattern"`
	Rate    float64      `yaml:"rate"` // samples a second, for files without a time column
	Time    *TimeRule    `yaml:"time"`
	Columns []ColumnRule `yaml:"columns"`
}

// TimeRule names the time column.
type TimeRule struct {
	Header string `yaml:"header"`
	Unit   string `yaml:"unit"` // s, ms, min …; empty: as recognised (needed for clock times)
}

// ColumnRule maps one header. The value is raw·Scale + Offset in Unit; Scale 0 means 1.
type ColumnRule struct {
	Header  string  `yaml:"header"`
	Channel string  `yaml:"channel"` // canonical channel, or "none" to leave the column out
	Unit    string  `yaml:"unit"`    // empty: as recognised
	Scale   float64 `yaml:"scale"`
	Offset  float64 `yaml:"offset"`
	Lag     float64 `yaml:"lag"` // seconds the column trails engine speed, ≥ 0

	Line int `yaml:"-"`
}

// LoadMap reads and checks a channels.yaml. Errors are *FileError with the line of the fault: syntax, an unknown key,
// an unknown channel or unit, a unit that does not fit the channel, a header named twice.
func LoadMap(file string) (*Map, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, &FileError{File: file, What: "cannot be read", Err: err,
			Remedy: "check the path and its permissions"}
	}
	m, err := parseMap(data)
	if err != nil {
		return nil, named(err, file)
	}
	m.File = file
	return m, nil
}

// parseMap decodes strictly and checks every rule.
func parseMap(data []byte) (*Map, error) {
	tree, err := parser.ParseBytes(data, 0)
	if err != nil {
		return nil, yamlError(err)
	}
	m := &Map{}
	if len(strings.TrimSpace(string(data))) == 0 || allComments(tree) {
		return m, nil
	}
	if err := yaml.UnmarshalWithOptions(data, m, yaml.Strict()); err != nil {
		return nil, yamlError(err)
	}
	for i := range m.Files {
		if err := m.Files[i].check(tree, i); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// allComments reports whether the document holds nothing but comments.
func allComments(tree *ast.File) bool {
	for _, doc := range tree.Docs {
		if doc.Body != nil && doc.Body.Type() != ast.CommentType {
			return false
		}
	}
	return true
}

// yamlError keeps the line of a YAML error and drops the quoted source.
func yamlError(err error) error {
	fe := &FileError{What: firstLine(err.Error()), Remedy: "docs/logs.md shows the layout of channels.yaml"}
	var line, col int
	if n, _ := fmt.Sscanf(fe.What, "[%d:%d]", &line, &col); n == 2 {
		fe.Line = line
		if _, rest, ok := strings.Cut(fe.What, "] "); ok {
			fe.What = rest
		}
	}
	return fe
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return s
}

// check finds what a rule gets wrong, and fills in line numbers.
func (r *FileRule) check(tree *ast.File, i int) error {
	at := func(format string, args ...any) int {
		return lineOf(tree, fmt.Sprintf("$.files[%d]", i)+fmt.Sprintf(format, args...))
	}
	if r.Pattern == "" {
		return &FileError{Line: at(""), What: fmt.Sprintf("files[%d] has no pattern", i),
			Remedy: "write pattern: \"*\" to mean every file"}
	}
	if _, err := path.Match(r.Pattern, ""); err != nil {
		return &FileError{Line: at(".pattern"), What: fmt.Sprintf("pattern %q is malformed", r.Pattern),
			Remedy: "use *, ? and [a-z] as in shell patterns"}
	}
	if r.Rate < 0 || r.Rate > 1e6 {
		return &FileError{Line: at(".rate"), What: fmt.Sprintf("rate %g is not a number of samples a second", r.Rate),
			Remedy: "write for example rate: 20"}
	}
	if r.Time != nil && r.Time.Header == "" {
		return &FileError{Line: at(".time"), What: "time has no header",
			Remedy: "name the time column as the file does"}
	}
	if r.Time != nil && r.Time.Unit != "" {
		if u, err := unit.Parse(r.Time.Unit); err != nil || u.Quantity() != unit.Time {
			return &FileError{Line: at(".time.unit"), What: fmt.Sprintf("%q is not a unit of time", r.Time.Unit),
				Remedy: "write s, ms, µs or min, or leave the unit out"}
		}
	}
	seen := map[string]int{}
	for j := range r.Columns {
		c := &r.Columns[j]
		c.Line = at(".columns[%d].header", j)
		if c.Line == 0 {
			c.Line = at(".columns[%d]", j)
		}
		if err := c.check(); err != nil {
			return err
		}
		key := foldHeader(c.Header)
		if first, ok := seen[key]; ok {
			return &FileError{Line: c.Line, What: fmt.Sprintf("header %q is mapped twice, first on line %d", c.Header,
				first), Remedy: "keep one of the two"}
		}
		seen[key] = c.Line
	}
	return nil
}

// check finds what a column rule gets wrong.
func (c *ColumnRule) check() error {
	fail := func(remedy, format string, args ...any) error {
		return &FileError{Line: c.Line, What: fmt.Sprintf(format, args...), Remedy: remedy}
	}
	if c.Header == "" {
		return fail("name the column as the file does", "a column has no header")
	}
	if c.Channel == "none" {
		return nil
	}
	def, ok := channel.Lookup(channel.ID(c.Channel))
	if !ok {
		return fail("use a channel of docs/logs.md, or none to leave the column out",
			"channel %q of header %q is not known", c.Channel, c.Header)
	}
	if c.Lag < 0 || c.Lag > 60 {
		return fail("write for example lag: 0.3", "lag %g s of header %q is not between 0 and 60", c.Lag, c.Header)
	}
	if c.Unit == "" {
		return nil
	}
	u, err := unit.Parse(c.Unit)
	if err != nil {
		return fail("docs/logs.md lists the units", "header %q: %v", c.Header, err)
	}
	if !acceptsUnit(def.ID, u) {
		return fail(fmt.Sprintf("use a unit of %s", def.Unit.Quantity()), "unit %s of header %q does not fit %s", u,
			c.Header, def.ID)
	}
	return nil
}

// lineOf finds the line of a key in the YAML tree, 0 when it is not there.
func lineOf(tree *ast.File, at string) int {
	p, err := yaml.PathString(at)
	if err != nil {
		return 0
	}
	node, err := p.FilterFile(tree)
	if err != nil || node == nil || node.GetToken() == nil || node.GetToken().Position == nil {
		return 0
	}
	return node.GetToken().Position.Line
}

// foldHeader makes headers comparable: case and repeated blanks do not matter.
func foldHeader(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

// rulesFor merges the rules whose pattern fits the source.
func (m *Map) rulesFor(source string) FileRule {
	merged := FileRule{}
	if m == nil {
		return merged
	}
	seen := map[string]bool{}
	for _, r := range m.Files {
		if !r.fits(source) {
			continue
		}
		if merged.Rate == 0 {
			merged.Rate = r.Rate
		}
		if merged.Time == nil {
			merged.Time = r.Time
		}
		for _, c := range r.Columns {
			if key := foldHeader(c.Header); !seen[key] {
				seen[key] = true
				merged.Columns = append(merged.Columns, c)
			}
		}
	}
	return merged
}

// fits reports whether the rule's pattern matches the file's name or, with slashes, the end of its path.
func (r FileRule) fits(source string) bool {
	parts := strings.Split(filepath.ToSlash(source), "/")
	n := strings.Count(r.Pattern, "/") + 1
	if n > len(parts) {
		return false
	}
	ok, err := path.Match(r.Pattern, strings.Join(parts[len(parts)-n:], "/"))
	return err == nil && ok
}

// find returns the rule for a header.
func (r FileRule) find(header string) (ColumnRule, bool) {
	for _, c := range r.Columns {
		if foldHeader(c.Header) == foldHeader(header) {
			return c, true
		}
	}
	return ColumnRule{}, false
}

// WriteMap writes a commented channels.yaml that reads files like run as run was read, for the user to edit: used
// columns first, then every column that was left out with its reason, mapped to none.
func WriteMap(w io.Writer, run *Run) error {
	var b strings.Builder
	b.WriteString("# How the columns of logs are read. Edit the lines, then run inspect again.\n")
	b.WriteString("# channel: a canonical channel, or none. unit: as the file has it (psi gauge, kPa, °F, AFR …).\n")
	b.WriteString("# value = raw * scale + offset, in unit. lag: seconds the column trails engine speed.\n")
	fmt.Fprintf(&b, "files:\n  - pattern: %s\n", yamlString(escapePattern(filepath.Base(run.Source))))
	if run.TimeBase.Column != "" {
		fmt.Fprintf(&b, "    time: {header: %s}  # %s\n", yamlString(run.TimeBase.Column), oneLine(run.TimeBase.Reason))
	} else if run.TimeBase.Rate > 0 {
		fmt.Fprintf(&b, "    rate: %g\n", run.TimeBase.Rate)
	}
	b.WriteString("    columns:\n")
	written := map[string]bool{}
	for _, used := range []bool{true, false} {
		for _, c := range run.Columns {
			key := foldHeader(c.Header)
			if (c.Channel != "") != used || key == "" || written[key] || c.Header == run.TimeBase.Column {
				continue
			}
			written[key] = true
			if used {
				fmt.Fprintf(&b, "      - {header: %s, channel: %s%s}  # %s\n", yamlString(c.Header), c.Channel,
					unitEntry(c.Unit), oneLine(c.Reason))
				continue
			}
			fmt.Fprintf(&b, "      - {header: %s, channel: none}  # %s\n", yamlString(c.Header), oneLine(c.Reason))
		}
	}
	if len(written) == 0 {
		b.WriteString("      []\n")
	}
	_, err := io.WriteString(w, b.String())
	if err != nil {
		return fmt.Errorf("write channel map: %w", err)
	}
	return nil
}

// escapePattern makes a file name match itself only.
func escapePattern(s string) string {
	return strings.NewReplacer("\\", "\\\\", "*", "\\*", "?", "\\?", "[", "\\[").Replace(s)
}

// unitEntry writes a unit where it is one that can be read back; "factor" and the like are left to recognition.
func unitEntry(u string) string {
	if _, err := unit.Parse(u); err != nil {
		return ""
	}
	return ", unit: " + yamlString(u)
}

// yamlString quotes a string for YAML's flow style.
func yamlString(s string) string {
	return "\"" + strings.NewReplacer("\\", "\\\\", "\"", "\\\"", "\n", " ", "\r", " ", "\t", "\\t").Replace(s) + "\""
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
