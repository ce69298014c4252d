package source

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"headroom/models/unit"
)

// CellKind says what a cell was read as.
type CellKind uint8

const (
	CellMissing CellKind = iota
	CellNumber
	CellClock // time of day, or minutes and seconds
	CellStamp // date and time of day
	CellText
)

// missingWords are what loggers write where they have no reading.
var missingWords = map[string]bool{
	"": true, "-": true, "--": true, "---": true, "n/a": true, "na": true, "nan": true, "null": true, "none": true,
	"nil": true, "inf": true, "-inf": true, "+inf": true, "?": true, "no data": true, "nodata": true, "n.a.": true,
	"#n/a": true, "err": true, "error": true,
}

// parseNumber reads a number with the given decimal mark. Digits may be grouped in threes by the other mark, an
// apostrophe or a blank; a percent sign may follow. grouped reports that groups were met.
func parseNumber(s string, decimal byte) (v float64, grouped, ok bool) {
	if s == "" {
		return 0, false, false
	}
	if decimal == '.' && plainNumber(s) {
		v, err := strconv.ParseFloat(s, 64)
		return v, false, err == nil && !math.IsInf(v, 0)
	}
	s = strings.TrimSpace(strings.TrimSuffix(s, "%"))
	s = strings.ReplaceAll(s, "−", "-")
	whole, fraction, hasFraction := strings.Cut(s, string(decimal))
	whole, grouped, ok = ungroup(whole, decimal)
	if !ok {
		return 0, false, false
	}
	text := whole
	if hasFraction {
		text += "." + fraction
	}
	if !plainNumber(text) {
		return 0, false, false
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, grouped, err == nil && !math.IsInf(v, 0)
}

// plainNumber reports whether s is made of the characters of a decimal number and holds a digit; strconv would also
// take hexadecimal and "infinity".
func plainNumber(s string) bool {
	digit := false
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case c >= '0' && c <= '9':
			digit = true
		case c == '.' || c == '-' || c == '+':
		case (c == 'e' || c == 'E') && digit:
		default:
			return false
		}
	}
	return digit
}

// cutUnit splits a cell such as "100kPa" or "12,5 %" into its number and the unit written behind it; ok is false where
// the rest is no unit.
func cutUnit(s string) (number, unitText string, ok bool) {
	if s == "" || !strings.ContainsRune("+-.0123456789", rune(s[0])) {
		return "", "", false
	}
	end := 0
	for end < len(s) && strings.IndexByte("+-.,'0123456789", s[end]) >= 0 {
		end++
	}
	unitText = strings.TrimSpace(s[end:])
	if unitText == "" || len(unitText) > 12 || allDigits(unitText[:1]) {
		return "", "", false
	}
	if u, err := unit.Parse(unitText); err != nil || u == unit.One {
		return "", "", false
	}
	return s[:end], unitText, true
}

// thousandsMarks are those of any convention; the comma or the point is added by the decimal mark.
const thousandsMarks = "'’\u00a0\u202f "

// splitFunc splits at every rune that isMark, keeping empty parts.
func splitFunc(s string, isMark func(rune) bool) []string {
	var parts []string
	for {
		i := strings.IndexFunc(s, isMark)
		if i < 0 {
			return append(parts, s)
		}
		_, size := utf8.DecodeRuneInString(s[i:])
		parts = append(parts, s[:i])
		s = s[i+size:]
	}
}

// ungroup takes thousands marks out of the whole part: every group after the first must have three digits.
func ungroup(s string, decimal byte) (plain string, grouped, ok bool) {
	mark := byte(',')
	if decimal == ',' {
		mark = '.'
	}
	isMark := func(r rune) bool { return r == rune(mark) || strings.ContainsRune(thousandsMarks, r) }
	if strings.IndexFunc(s, isMark) < 0 {
		return s, false, true
	}
	parts := splitFunc(s, isMark)
	first := strings.TrimLeft(parts[0], "+-")
	if len(first) < 1 || len(first) > 3 || first[0] == '0' {
		return "", false, false
	}
	for _, p := range parts[1:] {
		if len(p) != 3 || !allDigits(p) {
			return "", false, false
		}
	}
	return strings.Join(parts, ""), true, true
}

func allDigits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// parseClock reads "hh:mm:ss", "mm:ss.s" and their kin, with an optional AM or PM, as seconds. parts is the number of
// colon-separated parts.
func parseClock(s string) (seconds float64, parts int, ok bool) {
	upper := strings.ToUpper(s)
	noon := 0
	if rest, found := strings.CutSuffix(upper, "AM"); found {
		upper, noon = strings.TrimSpace(rest), 1
	} else if rest, found := strings.CutSuffix(upper, "PM"); found {
		upper, noon = strings.TrimSpace(rest), 2
	}
	fields := strings.Split(upper, ":")
	if len(fields) < 2 || len(fields) > 4 {
		return 0, 0, false
	}
	if len(fields) == 4 { // hh:mm:ss:mmm
		fields = []string{fields[0], fields[1], fields[2] + "." + fields[3]}
	}
	last := strings.Replace(fields[len(fields)-1], ",", ".", 1)
	total := 0.0
	for i, f := range fields {
		if i == len(fields)-1 {
			f = last
		} else if !allDigits(f) || len(f) > 4 {
			return 0, 0, false
		}
		if !plainNumber(f) || strings.ContainsAny(f, "eE+-") {
			return 0, 0, false
		}
		v, err := strconv.ParseFloat(f, 64)
		if err != nil || (i > 0 && v >= 60) {
			return 0, 0, false
		}
		total = total*60 + v
	}
	if noon != 0 {
		if len(fields) < 3 {
			total *= 60
		}
		if total >= 12*3600 && total < 13*3600 {
			total -= 12 * 3600
		}
		if noon == 2 {
			total += 12 * 3600
		}
	}
	return total, len(fields), true
}

// stampLayouts are the date and time layouts that are tried; Go accepts fractional seconds after each.
var stampLayouts = []string{
	"2006-01-02T15:04:05Z07:00", "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02 15:04:05Z07:00",
	"2006-01-02 15:04:05 -0700",
	"2006-01-02 15:04:05 MST", "2006/01/02 15:04:05", "20060102 150405", "20060102T150405", "02-Jan-2006 15:04:05",
	"2006-01-02_15-04-05",
	"02.01.2006 15:04:05", "2.1.2006 15:04:05", "01/02/2006 15:04:05", "1/2/2006 15:04:05", "1/2/2006 3:04:05 PM",
	"02/01/2006 15:04:05", "2/1/2006 15:04:05", "2/1/2006 3:04:05 PM",
	"01-02-2006 15:04:05", "02-01-2006 15:04:05", "01/02/06 15:04:05", "02/01/06 15:04:05",
}

// parseStamp reads a date and time as seconds since 1970 UTC. hint is the layout that worked last; the one that worked
// now is returned.
func parseStamp(s string, hint int) (seconds float64, layout int, ok bool) {
	if len(s) < 12 || len(s) > 40 || s[0] < '0' || s[0] > '9' {
		return 0, hint, false
	}
	try := func(i int) bool {
		t, err := time.Parse(stampLayouts[i], s)
		if err != nil {
			return false
		}
		seconds, layout = float64(t.Unix())+float64(t.Nanosecond())/1e9, i
		return true
	}
	if hint >= 0 && hint < len(stampLayouts) && try(hint) {
		return seconds, layout, true
	}
	for i := range stampLayouts {
		if try(i) {
			return seconds, layout, true
		}
	}
	return 0, hint, false
}

// dayMonthOpen reports whether a layout leaves open which number is the day; such stamps count midnights, not dates.
func dayMonthOpen(layout int) bool {
	return layout >= 0 && layout < len(stampLayouts) && !strings.HasPrefix(stampLayouts[layout], "2006") &&
		!strings.Contains(stampLayouts[layout], "Jan")
}
