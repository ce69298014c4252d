package workspace

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"headroom/internal/fault"
	"headroom/internal/yamlfile"
	"headroom/models/channel"
	"headroom/models/unit"
)

// checker collects the problems of one YAML file.
type checker struct {
	file     *yamlfile.File
	problems []fault.Fault
}

func (c *checker) add(key, what, remedy string) {
	c.problems = append(c.problems, fault.Fault{File: c.file.Name, Line: c.file.Line(key), Where: key, What: what,
		Remedy: remedy})
}

// span is a valid range with the unit and meaning that a message needs; example is a typical value.
type span struct {
	low, high float64
	unit      string
	meaning   string
	example   string
}

func (s span) text() string {
	return strings.TrimSpace(fmt.Sprintf("%g to %g %s", s.low, s.high, s.unit))
}

func (s span) holds(v float64) bool { return v >= s.low && v <= s.high }

// required checks a number that must be given.
func (c *checker) required(key string, v float64, s span) {
	if !c.file.Has(key) {
		c.add(key, "missing", fmt.Sprintf("give %s, e.g. %s", s.meaning, s.example))
		return
	}
	c.optional(key, v, s)
}

// optional checks a number that may be left away.
func (c *checker) optional(key string, v float64, s span) {
	if c.file.Has(key) && !s.holds(v) {
		c.add(key, fmt.Sprintf("%g is outside the valid range", v), fmt.Sprintf("give %s, %s, e.g. %s%s", s.meaning,
			s.text(), s.example, s.inAnother(v)))
	}
}

// mistaken are the units that a number is given in by mistake where another is asked for.
var mistaken = map[string][]unit.Unit{
	"°C":  {unit.Fahrenheit, unit.Kelvin},
	"kPa": {unit.PSI, unit.Bar, unit.Hectopasc, unit.InchHg},
}

// inAnother says what a number out of range comes to if it was given in another unit, "" where that is as far out.
func (s span) inAnother(v float64) string {
	for _, from := range mistaken[s.unit] {
		scale, offset, err := unit.Linear(from, unit.Unit(s.unit))
		if right := v*scale + offset; err == nil && s.holds(right) {
			return fmt.Sprintf("; in %s it would be %.3g %s", from, right, s.unit)
		}
	}
	return ""
}

// oneOf checks a word that must be given.
func (c *checker) oneOf(key, v string, allowed ...string) {
	list := strings.Join(allowed, ", ")
	switch {
	case v == "":
		c.add(key, "missing", "give one of: "+list)
	case !slices.Contains(allowed, v):
		c.add(key, fmt.Sprintf("%q is not known", v), "give one of: "+list)
	}
}

func (c *checker) text(key, v, meaning string) {
	if strings.TrimSpace(v) == "" {
		c.add(key, "missing", "give "+meaning)
	}
}

// curve checks breakpoints and values of one curve; at and value are the keys of the two lists.
func (c *checker) curve(key, at, value string, xs, ys []float64, xSpan, ySpan span) {
	atKey, valueKey := joinKey(key, at), joinKey(key, value)
	switch {
	case len(xs) == 0:
		c.add(atKey, "missing", fmt.Sprintf("list %s, %s, e.g. %s", xSpan.meaning, xSpan.text(), xSpan.example))
		return
	case len(xs) != len(ys):
		c.add(valueKey, fmt.Sprintf("%d values for %d breakpoints", len(ys), len(xs)),
			fmt.Sprintf("give one value per entry of %s", at))
		return
	}
	for i, x := range xs {
		if !xSpan.holds(x) {
			c.add(fmt.Sprintf("%s[%d]", atKey, i), fmt.Sprintf("%g is outside the valid range", x),
				fmt.Sprintf("give %s, %s", xSpan.meaning, xSpan.text()))
			return
		}
		if i > 0 && x <= xs[i-1] {
			c.add(fmt.Sprintf("%s[%d]", atKey, i), fmt.Sprintf("%g does not exceed the one before it (%g)", x, xs[i-1]),
				"list the breakpoints in increasing order, each once")
			return
		}
	}
	for i, y := range ys {
		if !ySpan.holds(y) {
			c.add(fmt.Sprintf("%s[%d]", valueKey, i), fmt.Sprintf("%g is outside the valid range", y),
				fmt.Sprintf("give %s, %s", ySpan.meaning, ySpan.text()))
			return
		}
	}
}

func joinKey(a, b string) string {
	if a == "" {
		return b
	}
	return a + "." + b
}

// knownChannel checks a channel name.
func (c *checker) knownChannel(key string, id channel.ID) bool {
	if _, ok := channel.Lookup(id); ok {
		return true
	}
	var names []string
	for _, d := range channel.All() {
		names = append(names, string(d.ID))
	}
	remedy := "give a channel name, such as engine_speed, absolute_load or manifold_pressure"
	if meant := fault.DidYouMean(string(id), names); meant != "" {
		remedy = meant
	}
	what := fmt.Sprintf("channel %q is not known", id)
	if id == "" {
		what = "missing"
	}
	c.add(key, what, remedy)
	return false
}

// badID says why a name cannot be an id, or "". Ids become folder names and parts of reports.
func badID(id string) string {
	if id == "" {
		return "missing"
	}
	if strings.HasPrefix(id, ".") || strings.HasPrefix(id, "-") {
		return fmt.Sprintf("%q starts with %q", id, id[:1])
	}
	for _, r := range id {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("._-", r) {
			return fmt.Sprintf("%q contains %q", id, string(r))
		}
	}
	return ""
}

const idRemedy = "an id is letters, digits, dots, underscores and hyphens, starting with a letter or digit, e.g. " +
	"car-017"

// badDate says why a date is not one, or "". An empty date is unknown, not bad.
func badDate(date string) string {
	if date == "" {
		return ""
	}
	if _, err := time.Parse(time.DateOnly, date); err != nil {
		return fmt.Sprintf("%q is not a date", date)
	}
	return ""
}

const dateRemedy = "write year-month-day, e.g. 2026-03-04"
