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

// Units returns the ways to read a header, the likeliest first: the last bracket that holds a unit, else the units row,
// else no unit, and then a unit behind the last slash, dash, comma, underscore or blank.
func Units(header, unitsRow string) []WrittenUnit {
	header = Mend(header)
	if way, ok := bracketed(header); ok {
		return []WrittenUnit{way}
	}
	base, bracket, rest := cutBracket(header)
	if bracket != "" {
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

// bracketed is the way to read a header by the last of its brackets that holds a unit; a plain number is one only
// where no other bracket has any. What the other brackets hold are words of the name.
func bracketed(header string) (WrittenUnit, bool) {
	best := WrittenUnit{}
	before, after := header, ""
	for {
		open, closing := lastBracket(before)
		if open < 0 {
			return best, best.Known
		}
		text := strings.TrimSpace(before[open+1 : closing])
		u, marked, err := unit.ParseMarked(text)
		if err == nil && text != "" && (u != unit.One || !best.Known) {
			name := openBrackets(before[:open] + " " + before[closing+1:] + after)
			best = WrittenUnit{Name: name, Text: text, Unit: u, Marked: marked, Known: true}
			if u != unit.One {
				return best, true
			}
		}
		before, after = before[:open], " "+text+" "+before[closing+1:]+after
	}
}

// lastBracket is where the last bracket of s opens and closes; open is −1 without one.
func lastBracket(s string) (open, closing int) {
	closing = strings.LastIndexAny(s, ")]}")
	if closing < 0 {
		return -1, -1
	}
	pair := map[byte]string{')': "()", ']': "[]", '}': "{}"}[s[closing]]
	return matchingBracket(s[:closing+1], pair), closing
}

// openBrackets takes the signs of brackets out.
func openBrackets(s string) string {
	return strings.Join(strings.Fields(strings.NewReplacer("(", " ", ")", " ", "[", " ", "]", " ", "{", " ", "}",
		" ").Replace(s)), " ")
}

// Mend puts right what two encodings of one text leave of the signs of units.
func Mend(header string) string {
	if !strings.ContainsAny(header, "Â℃℉Î") {
		return header
	}
	return mended.Replace(header)
}

var mended = strings.NewReplacer("Â°", "°", "Âº", "°", "Âµ", "µ", "Â²", "²", "Î»", "λ", "℃", "°C", "℉", "°F")

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
