package header

import (
	"strings"
	"unicode"

	"headroom/models/unit"
)

// WrittenUnit is one way to cut a header into a name and a unit.
type WrittenUnit struct {
	Name   string
	Text   string    // unit as written, "" when none is written
	Unit   unit.Unit // "" when none is written or it is not known
	Marked bool      // the reference of a pressure is spelled out
	Known  bool      // Text is a unit
}

// Units returns the ways to read a header, the likeliest first: the unit in brackets, else the units row, else no
// unit, and then a unit behind the last slash, dash, comma, underscore or blank.
func Units(header, unitsRow string) []WrittenUnit {
	base, bracket, rest := cutBracket(header)
	if bracket != "" {
		if u, marked, err := unit.ParseMarked(bracket); err == nil {
			return []WrittenUnit{{Name: base, Text: bracket, Unit: u, Marked: marked, Known: true}}
		}
		base = rest
	}
	if unitsRow != "" {
		hu := WrittenUnit{Name: base, Text: unitsRow}
		if u, marked, err := unit.ParseMarked(unitsRow); err == nil {
			hu.Unit, hu.Marked, hu.Known = u, marked, true
		}
		return []WrittenUnit{hu}
	}
	ways := []WrittenUnit{{Name: base}}
	for _, at := range cutPoints(base) {
		head, tail := base[:at], strings.Trim(base[at:], " _-/,.:")
		if len(tail) > 12 {
			continue
		}
		u, marked, err := unit.ParseMarked(tail)
		if err != nil || u == unit.One || strings.Trim(head, " _-/,.:") == "" {
			continue
		}
		ways = append(ways, WrittenUnit{Name: head, Text: tail, Unit: u, Marked: marked, Known: true})
	}
	if u, marked, err := unit.ParseMarked(base); err == nil && u != unit.One {
		ways = append(ways, WrittenUnit{Name: base, Text: base, Unit: u, Marked: marked, Known: true})
	}
	return ways
}

// Base is a header without the last bracket, which usually holds the unit.
func Base(header string) string {
	base, _, _ := cutBracket(header)
	return base
}

// ClockPattern recognises the words that stand for a unit over a column of clock times, dates or states.
func ClockPattern(s string) bool {
	s = strings.ToLower(s)
	return strings.Contains(s, "hh:mm") || strings.Contains(s, "mm:ss") || s == "clock" || s == "time" || s == "text" ||
		s == "date" || s == "on/off"
}

// cutBracket splits "name (unit)": base is the header without the last bracket, bracket its content, rest the header
// with the brackets' signs taken out.
func cutBracket(header string) (base, bracket, rest string) {
	header = strings.TrimSpace(header)
	for _, pair := range []string{"()", "[]", "{}"} {
		end := strings.LastIndexByte(header, pair[1])
		if end < 0 {
			continue
		}
		start := matchingBracket(header[:end+1], pair)
		if start < 0 {
			continue
		}
		base = strings.TrimSpace(header[:start] + " " + header[end+1:])
		return base, strings.TrimSpace(header[start+1 : end]), strings.NewReplacer(pair[:1], " ", pair[1:],
			" ").Replace(header)
	}
	return header, "", header
}

// matchingBracket finds the opening bracket that belongs to the closing one at the end of s.
func matchingBracket(s, pair string) int {
	depth := 0
	for i := len(s) - 1; i >= 0; i-- {
		switch s[i] {
		case pair[1]:
			depth++
		case pair[0]:
			depth--
			if depth == 0 {
				return i
			}
		}
	}
	return -1
}

// cutPoints lists the byte positions, nearest to the start first among the last three, where a unit may begin, and the
// last camel-case hump.
func cutPoints(s string) []int {
	var points []int
	for i := 1; i < len(s); i++ {
		if strings.IndexByte(" _-/,:", s[i]) >= 0 {
			points = append(points, i)
		}
	}
	if len(points) > 3 {
		points = points[len(points)-3:]
	}
	runes := []rune(s)
	for i := len(runes) - 1; i > 0; i-- {
		if (unicode.IsLower(runes[i-1]) || unicode.IsDigit(runes[i-1])) && unicode.IsUpper(runes[i]) ||
			runes[i] == '%' || runes[i] == '°' {
			points = append(points, len(string(runes[:i])))
			break
		}
	}
	return points
}
