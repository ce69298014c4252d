// Package channelmap answers one question: what does the user say about the columns of a log? It reads and checks a
// channels.yaml, which says for files whose name fits a pattern which header is which channel in which unit, and wins
// over whatever headers and values would be taken for.
package channelmap

import (
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/plainfile"
	"headroom/internal/runlog/header"
	"headroom/internal/yamlfile"
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
	Pattern string `yaml:"pattern"`
	// "headers": the rule is of a logger and fits every log that has at least four in five of the headers it names, and
	// no fewer than three; "": it is of files by their pattern
	Match   string       `yaml:"match"`
	Rate    float64      `yaml:"rate"` // samples a second, for files without a time column
	Time    *TimeRule    `yaml:"time"`
	Columns []ColumnRule `yaml:"columns"`

	BarometerKPa float64  `yaml:"barometer_kpa"`
	AltitudeM    *float64 `yaml:"altitude_m"`
	AFRStoich    float64  `yaml:"afr_stoich"`
	LambdaLagS   float64  `yaml:"lambda_lag_s"`
}

// Logger is what the rule states of the logger and its place.
func (r FileRule) Logger() Logger {
	return Logger{Barometer: r.BarometerKPa, Altitude: r.AltitudeM, Stoich: r.AFRStoich, LambdaLag: r.LambdaLagS}
}

// TimeRule names the time column.
type TimeRule struct {
	Header string `yaml:"header"`
	Unit   string `yaml:"unit"` // s, ms, min …; empty: as recognised. Clock times and dates need none
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

// Load reads and checks a channels.yaml. Errors are *fault.Fault with the line of the fault: syntax, an unknown key,
// an unknown channel or unit, a unit that does not fit the channel, a header named twice.
func Load(file string) (*Map, error) {
	data, err := plainfile.Read(os.DirFS(filepath.Dir(file)), filepath.Base(file), plainfile.YAML)
	var refused *fault.Fault
	if errors.As(err, &refused) {
		return nil, fault.Name(err, file)
	}
	if err != nil {
		return nil, &fault.Fault{File: file, What: "cannot be read", Cause: err,
			Remedy: "check the path and its permissions"}
	}
	return parse(file, data)
}

// parse decodes strictly and checks every rule.
func parse(file string, data []byte) (*Map, error) {
	m := &Map{File: file}
	positions, broken := yamlfile.Decode(file, data, m)
	if broken != nil {
		return nil, broken
	}
	for i := range m.Files {
		if err := m.Files[i].check(positions, fmt.Sprintf("files[%d]", i)); err != nil {
			return nil, fault.Name(err, file)
		}
	}
	return m, nil
}

// check finds what the rule at a key gets wrong, and fills in line numbers.
func (r *FileRule) check(positions *yamlfile.File, key string) error {
	fail := func(at, what, remedy string) error {
		return &fault.Fault{Line: positions.Line(key + at), What: what, Remedy: remedy}
	}
	if r.Match != "" && r.Match != MatchHeaders {
		return fail(".match", fmt.Sprintf("match %q is not known", r.Match), "write match: headers, or give a pattern")
	}
	if r.Pattern == "" && r.Match == "" {
		return fail("", key+" has neither pattern nor match", "write match: headers to mean every log that has these "+
			"columns, or pattern: \"*\" to mean every file")
	}
	if bad, what, remedy := r.Logger().Wrong(); bad != "" {
		return fail("."+bad, what, remedy)
	}
	if _, err := path.Match(r.Pattern, ""); err != nil {
		return fail(".pattern", fmt.Sprintf("pattern %q is malformed", r.Pattern),
			"use *, ? and [a-z] as in shell patterns")
	}
	if r.Rate < 0 || r.Rate > 1e6 {
		return fail(".rate", fmt.Sprintf("rate %g is not a number of samples a second", r.Rate),
			"write for example rate: 20")
	}
	if r.Time != nil && r.Time.Header == "" {
		return fail(".time", "time has no header", "name the time column as the file does")
	}
	if r.Time != nil && r.Time.Unit != "" {
		if u, err := unit.Parse(r.Time.Unit); err != nil || u.Quantity() != unit.Time {
			return fail(".time.unit", fmt.Sprintf("%q is not a unit of time", r.Time.Unit),
				"write s, ms, µs or min, or leave the unit out")
		}
	}
	seen := map[string]int{}
	for j := range r.Columns {
		c := &r.Columns[j]
		c.Line = positions.Line(fmt.Sprintf("%s.columns[%d].header", key, j))
		if err := c.check(); err != nil {
			return err
		}
		key := header.Fold(c.Header)
		if first, ok := seen[key]; ok {
			return &fault.Fault{Line: c.Line, What: fmt.Sprintf("header %q is mapped twice, first on line %d", c.Header,
				first), Remedy: "keep one of the two"}
		}
		seen[key] = c.Line
	}
	return nil
}

// check finds what a column rule gets wrong.
func (c *ColumnRule) check() error {
	fail := func(remedy, format string, args ...any) error {
		return &fault.Fault{Line: c.Line, What: fmt.Sprintf(format, args...), Remedy: remedy}
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
	if !header.Accepts(def.ID, u) {
		return fail(fmt.Sprintf("use a unit of %s", def.Unit.Quantity()), "unit %s of header %q does not fit %s", u,
			c.Header, def.ID)
	}
	return nil
}

// MatchHeaders is a rule's Match when it fits logs by their headers.
const MatchHeaders = "headers"

// How much of a rule's headers a log must have for a rule that matches by headers: common practice, no source.
const (
	fitShare   = 0.8
	fitHeaders = 3
)

// For merges the rules that fit a log by its name or path, its headers, or both. A nil map has none.
func (m *Map) For(log string, headers []string) FileRule {
	merged := FileRule{}
	if m == nil {
		return merged
	}
	seen := map[string]bool{}
	for _, r := range m.Files {
		if !r.fits(log) || !r.fitsHeaders(headers) {
			continue
		}
		l := merged.Logger().Over(r.Logger())
		merged.BarometerKPa, merged.AltitudeM, merged.AFRStoich, merged.LambdaLagS = l.Barometer, l.Altitude, l.Stoich,
			l.LambdaLag
		if merged.Rate == 0 {
			merged.Rate = r.Rate
		}
		if merged.Time == nil {
			merged.Time = r.Time
		}
		for _, c := range r.Columns {
			if key := header.Fold(c.Header); !seen[key] {
				seen[key] = true
				merged.Columns = append(merged.Columns, c)
			}
		}
	}
	return merged
}

// fits reports whether the rule's pattern matches the file's name or, with slashes, the end of its path.
func (r FileRule) fits(log string) bool {
	if r.Pattern == "" {
		return true
	}
	parts := strings.Split(filepath.ToSlash(log), "/")
	n := strings.Count(r.Pattern, "/") + 1
	if n > len(parts) {
		return false
	}
	ok, err := path.Match(r.Pattern, strings.Join(parts[len(parts)-n:], "/"))
	return err == nil && ok
}

// fitsHeaders reports whether a log has enough of the headers that a rule of a logger names.
func (r FileRule) fitsHeaders(headers []string) bool {
	if r.Match != MatchHeaders {
		return true
	}
	have := map[string]bool{}
	for _, h := range headers {
		have[header.Fold(h)] = true
	}
	named, found := 0, 0
	count := func(name string) {
		named++
		if have[header.Fold(name)] {
			found++
		}
	}
	if r.Time != nil {
		count(r.Time.Header)
	}
	for _, c := range r.Columns {
		count(c.Header)
	}
	return named > 0 && float64(found) >= fitShare*float64(named) && found >= min(fitHeaders, named)
}

// Find returns the rule for a header.
func (r FileRule) Find(name string) (ColumnRule, bool) {
	for _, c := range r.Columns {
		if header.Fold(c.Header) == header.Fold(name) {
			return c, true
		}
	}
	return ColumnRule{}, false
}
