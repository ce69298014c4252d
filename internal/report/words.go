package report

import (
	"strconv"
	"strings"

	"headroom/internal/report/show"
)

// count is a number of things, "1 car", "12 cars", "3 stretches".
func count(n int, thing string) string {
	switch {
	case n == 1:
	case strings.HasSuffix(thing, "ch"):
		thing += "es"
	default:
		thing += "s"
	}
	return strconv.Itoa(n) + show.NBSP + thing
}

// spokenNames are hazards and metrics whose identifiers do not read as words; any other name is shown with its
// underscores as blanks.
var spokenNames = map[string]string{
	"lean": "lean mixture", "low_speed_load": "low-speed load", "bmep": "BMEP", "short_term_trim": "short-term trim",
	"long_term_trim": "long-term trim",
}

// plain is an identifier of the result in words.
func plain(name string) string {
	if said, ok := spokenNames[name]; ok {
		return said
	}
	return or(strings.ReplaceAll(name, "_", " "), show.Missing)
}

// or is s, or what to say instead when it is empty.
func or(s, instead string) string {
	if s == "" {
		return instead
	}
	return s
}

// sentence is s closed by a full stop.
func sentence(s string) string {
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}
