package source

import (
	"fmt"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/runlog/header"
	"headroom/models/unit"
)

// How far ahead the layout is looked for.
const (
	sniffLines = 400
	sniffBytes = 1 << 20
)

// layout is the recognised shape of a delimited text file.
type layout struct {
	delimiter byte
	decimal   byte
	fields    int // of a usual data line, without a trailing empty one
	header    []string
	units     []string // of the units row, nil without one
	dialect   Dialect
	skipped   int // non-empty lines before the header
}

// sniffLayout settles delimiter, decimal mark, header and units row from the first lines.
func sniffLayout(lines []line) (*layout, error) {
	lay := &layout{}
	if err := lay.settleDelimiter(lines); err != nil {
		return nil, err
	}
	first, err := lay.findData(lines)
	if err != nil {
		return nil, err
	}
	if err := lay.findHeader(lines, first); err != nil {
		return nil, err
	}
	lay.dialect.Delimiter = string(lay.delimiter)
	lay.dialect.Decimal = string(lay.decimal)
	lay.dialect.FirstData = lines[first].number
	return lay, nil
}

// trial is how well one pair of delimiter and decimal mark explains the lines.
type trial struct {
	delimiter, decimal byte
	score              float64
	fields             int
	numbers            int
	groups             int // numbers read only by taking a mark as a thousands mark
}

// settleDelimiter tries every pair of delimiter and decimal mark and keeps the one under which most cells are numbers
// or times in lines of one width.
func (lay *layout) settleDelimiter(lines []line) error {
	var best, second trial
	for _, delimiter := range []byte(delimiters) {
		for _, decimal := range []byte(".,") {
			t := tryLayout(lines, delimiter, decimal)
			if t.score > best.score {
				best, second = t, best
			} else if t.score > second.score {
				second = t
			}
		}
	}
	if best.score <= 0 || best.fields < 2 {
		return &fault.Fault{What: "no header found: no table of numbers among the first lines",
			Remedy: "export the log as delimited text (comma, semicolon, tab or pipe) with a header row"}
	}
	lay.delimiter, lay.decimal, lay.fields = best.delimiter, best.decimal, best.fields
	reason := fmt.Sprintf("%s between %d columns and %s as decimal mark read %d cells of the first lines as numbers",
		markName(best.delimiter), best.fields, markName(best.decimal), best.numbers)
	if second.score > 0 {
		reason += fmt.Sprintf("; next best: %s with decimal %s, %d cells", markName(second.delimiter),
			markName(second.decimal), second.numbers)
	}
	if best.groups > 0 {
		reason += fmt.Sprintf("; %d cells have thousands marks", best.groups)
	}
	lay.dialect.Reason = reason
	return nil
}

func markName(c byte) string {
	switch c {
	case '\t':
		return "tab"
	case ';':
		return "semicolon"
	case ',':
		return "comma"
	case '|':
		return "pipe"
	case '.':
		return "point"
	}
	return string(c)
}

// tryLayout scores one pair. Number cells in lines of the commonest width count for it, text cells half against it, and
// a number that needs a thousands mark counts a little less than a plain one.
func tryLayout(lines []line, delimiter, decimal byte) trial {
	t := trial{delimiter: delimiter, decimal: decimal}
	type tally struct {
		lines, numbers, groups int
		score                  float64
	}
	byWidth := map[int]*tally{}
	var fields []string
	for _, l := range lines {
		if strings.TrimSpace(l.text) == "" {
			continue
		}
		fields = splitFields(l.text, delimiter, fields)
		width := trimmedWidth(fields)
		if width < 2 {
			continue
		}
		w := byWidth[width]
		if w == nil {
			w = &tally{}
			byWidth[width] = w
		}
		w.lines++
		for _, f := range fields[:width] {
			switch kind, grouped := sniffCell(f, decimal); {
			case kind == CellText:
				w.score -= 0.5
			case kind == CellMissing:
			case grouped:
				w.score += 0.9
				w.numbers++
				w.groups++
			default:
				w.score++
				w.numbers++
			}
		}
	}
	for width, w := range byWidth {
		better := w.score > t.score || (w.score == t.score && width > t.fields)
		if w.numbers > 0 && w.score > 0 && better {
			t.score, t.fields, t.numbers, t.groups = w.score, width, w.numbers, w.groups
		}
	}
	return t
}

// trimmedWidth is the number of fields without one empty last field (a trailing delimiter).
func trimmedWidth(fields []string) int {
	if n := len(fields); n > 1 && fields[n-1] == "" {
		return n - 1
	}
	return len(fields)
}

// sniffCell classifies a cell without keeping its value.
func sniffCell(s string, decimal byte) (kind CellKind, grouped bool) {
	if missingWords[strings.ToLower(s)] {
		return CellMissing, false
	}
	if _, grouped, ok := parseNumber(s, decimal); ok {
		return CellNumber, grouped
	}
	if _, _, ok := cutUnit(s); ok {
		return CellNumber, false
	}
	if _, _, ok := parseClock(s); ok {
		return CellClock, false
	}
	if _, _, ok := parseStamp(s, -1); ok {
		return CellStamp, false
	}
	return CellText, false
}

// findData returns the index of the first line that looks like a data row: about the usual width, and mostly numbers
// and times.
func (lay *layout) findData(lines []line) (int, error) {
	for i, l := range lines {
		fields := splitFields(l.text, lay.delimiter, nil)
		if abs(trimmedWidth(fields)-lay.fields) > 1 && len(fields) != lay.fields {
			continue
		}
		if numbers, texts := lay.count(fields); numbers > 0 && numbers >= texts {
			return i, nil
		}
	}
	return 0, &fault.Fault{What: "no header found: no data rows among the first lines",
		Remedy: "export the log with a header row and data under it"}
}

// count tells how many cells are numbers or times, and how many are text.
func (lay *layout) count(fields []string) (numbers, texts int) {
	for _, f := range fields {
		switch kind, _ := sniffCell(f, lay.decimal); kind {
		case CellNumber, CellClock, CellStamp:
			numbers++
		case CellText:
			texts++
		}
	}
	return numbers, texts
}

// findHeader looks upward from the first data row for the row of names, and for a units row between.
func (lay *layout) findHeader(lines []line, first int) error {
	var unitsRow []string
	unitsLine := 0
	for i := first - 1; i >= 0; i-- {
		fields := splitFields(lines[i].text, lay.delimiter, nil)
		numbers, texts := lay.count(fields)
		if strings.TrimSpace(lines[i].text) == "" {
			continue
		}
		if texts == 0 || numbers > texts || 2*trimmedWidth(fields) < lay.fields {
			break
		}
		if unitsRow == nil && mostlyUnits(fields) && lay.nameRowAbove(lines, i) {
			unitsRow, unitsLine = fields, lines[i].number
			continue
		}
		lay.header, lay.units = fields, unitsRow
		lay.dialect.HeaderLine, lay.dialect.UnitsLine = lines[i].number, unitsLine
		for _, l := range lines[:i] {
			if strings.TrimSpace(l.text) != "" {
				lay.skipped++
			}
		}
		return nil
	}
	return &fault.Fault{Line: lines[first].number,
		What:   "no header found: numbers start here without a row of names above",
		Remedy: "add a header row that names each column, for example time (s),engine speed (rpm)"}
}

// nameRowAbove reports whether a row of names stands above line i.
func (lay *layout) nameRowAbove(lines []line, i int) bool {
	for j := i - 1; j >= 0; j-- {
		if strings.TrimSpace(lines[j].text) == "" {
			continue
		}
		fields := splitFields(lines[j].text, lay.delimiter, nil)
		numbers, texts := lay.count(fields)
		return texts > numbers && 2*trimmedWidth(fields) >= lay.fields
	}
	return false
}

// mostlyUnits reports whether three in five of the filled cells read as units.
func mostlyUnits(fields []string) bool {
	filled, units := 0, 0
	for _, f := range fields {
		f = strings.Trim(f, " ()[]{}")
		if f == "" {
			continue
		}
		filled++
		if _, err := unit.Parse(f); err == nil || header.ClockPattern(f) {
			units++
		}
	}
	return filled > 0 && 5*units >= 3*filled
}

func abs(i int) int {
	if i < 0 {
		return -i
	}
	return i
}
