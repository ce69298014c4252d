package report

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/report/show"
)

// count is a number of things, "1 car", "12 cars", "3 stretches".
func count(n int, thing string) string {
	switch {
	case n == 1:
	case strings.HasSuffix(thing, "ch"), strings.HasSuffix(thing, "ss"):
		thing += "es"
	default:
		thing += "s"
	}
	return strconv.Itoa(n) + show.NBSP + thing
}

// plain is an identifier of a result in words: as the catalogues of hazards and metrics call it, else with its
// underscores as blanks, "commanded lambda" for lambda_commanded.
func plain[S ~string](name S) string {
	if h, ok := hazard.Of(hazard.ID(name)); ok {
		return h.Spoken
	}
	if m, ok := metric.Of(metric.ID(name)); ok {
		return m.Spoken
	}
	for _, how := range []string{"commanded", "learned"} {
		if of, ok := strings.CutSuffix(string(name), "_"+how); ok {
			return how + " " + plain(of)
		}
	}
	return or(strings.ReplaceAll(string(name), "_", " "), show.Missing)
}

// capital is s with its first letter a capital.
func capital(s string) string {
	if s == "" {
		return s
	}
	first, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[size:]
}

// or is s, or what to say instead when it is empty.
func or[S ~string](s S, instead string) string {
	if s == "" {
		return instead
	}
	return string(s)
}

// sentence is s closed by a full stop.
func sentence(s string) string {
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "!") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// names are identifiers of any kind as plain text.
func names[S ~string](ids []S) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return out
}
