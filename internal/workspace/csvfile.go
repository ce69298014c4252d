package workspace

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"headroom/internal/fault"
)

// csvRow is one data row of a list such as vehicles.csv.
type csvRow struct {
	line  int
	cells map[string]string // by column name, trimmed
}

// readList reads a CSV list with a header row: comma, semicolon or tab between cells, lines starting with # skipped.
// Columns that are not known are a problem each, unless their name starts with "note".
func readList(rel string, data []byte, required, known []string) ([]csvRow, []fault.Fault) {
	records, lines, p := readRecords(rel, data, true)
	if p != nil {
		return nil, []fault.Fault{*p}
	}
	if len(records) == 0 {
		return nil, nil
	}
	header := make([]string, len(records[0]))
	var problems []fault.Fault
	for i, h := range records[0] {
		header[i] = strings.ToLower(strings.TrimSpace(h))
		where := fmt.Sprintf("column %d", i+1)
		switch {
		case header[i] == "" || strings.HasPrefix(header[i], "note"):
		case slices.Contains(header[:i], header[i]):
			problems = append(problems, fault.Fault{File: rel, Line: lines[0], Where: where,
				What: fmt.Sprintf("column "+
					"%q is there twice", header[i]), Remedy: "keep one"})
			return nil, problems
		case !slices.Contains(known, header[i]):
			remedy := "rename it to one of: " + strings.Join(known, ", ") + "; or start its name with note"
			if meant := fault.DidYouMean(header[i], known); meant != "" {
				remedy = meant
			}
			problems = append(problems, fault.Fault{File: rel, Line: lines[0], Where: where,
				What: fmt.Sprintf("column "+
					"%q is not used", header[i]), Remedy: remedy})
		}
	}
	for _, name := range required {
		if !slices.Contains(header, name) {
			problems = append(problems, fault.Fault{File: rel, Line: lines[0], Where: "header",
				What: fmt.Sprintf("column %q is missing", name), Remedy: "the first row names the columns: " +
					strings.Join(known, ",")})
			return nil, problems
		}
	}
	var rows []csvRow
	for r, record := range records[1:] {
		if blank(record) {
			continue
		}
		row := csvRow{line: lines[r+1], cells: map[string]string{}}
		if len(record) > len(header) && !blank(record[len(header):]) {
			problems = append(problems, fault.Fault{File: rel, Line: row.line, What: fmt.Sprintf("%d cells for %d "+
				"columns", len(record), len(header)),
				Remedy: "put a cell that contains the delimiter in double quotes"})
			continue
		}
		for i, h := range header {
			if i < len(record) {
				row.cells[h] = strings.TrimSpace(record[i])
			}
		}
		rows = append(rows, row)
	}
	return rows, problems
}

// readRecords splits delimited text into cells, with the line each record starts on.
func readRecords(rel string, data []byte, comments bool) ([][]string, []int, *fault.Fault) {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if bytes.IndexByte(data, 0) >= 0 {
		return nil, nil, &fault.Fault{File: rel, What: "is not UTF-8 text",
			Remedy: "save it from the spreadsheet as CSV, UTF-8"}
	}
	r := csv.NewReader(bytes.NewReader(data))
	r.Comma = delimiter(data, comments)
	r.FieldsPerRecord = -1
	r.TrimLeadingSpace = r.Comma != '\t'
	if comments {
		r.Comment = '#'
	}
	var records [][]string
	var lines []int
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			return records, lines, nil
		}
		var syntax *csv.ParseError
		if errors.As(err, &syntax) {
			return nil, nil, &fault.Fault{File: rel, Line: syntax.Line, What: syntax.Err.Error(),
				Remedy: "check the double quotes on this line"}
		}
		if err != nil {
			return nil, nil, &fault.Fault{File: rel, What: err.Error(),
				Remedy: "save it from the spreadsheet as CSV, UTF-8"}
		}
		line, _ := r.FieldPos(0)
		records, lines = append(records, record), append(lines, line)
	}
}

// delimiter is the one of semicolon, tab and comma that the first line with content uses outside quotes: a semicolon
// or tab wins over commas, which are then decimal marks.
func delimiter(data []byte, comments bool) rune {
	for line := range bytes.Lines(data) {
		s := strings.TrimRight(string(line), "\r\n")
		if strings.TrimSpace(s) == "" || comments && strings.HasPrefix(s, "#") {
			continue
		}
		quoted, tab := false, false
		for _, c := range s {
			switch {
			case c == '"':
				quoted = !quoted
			case quoted:
			case c == ';':
				return ';'
			case c == '\t':
				tab = true
			}
		}
		if tab {
			return '\t'
		}
		return ','
	}
	return ','
}

func blank(cells []string) bool {
	return !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" })
}

// number reads a cell as written by a spreadsheet: a decimal point, or a decimal comma. Thousands marks, units and
// formula errors are refused.
func number(cell string) (float64, error) {
	s := strings.ReplaceAll(strings.TrimSpace(cell), "−", "-")
	if s == "" {
		return 0, errors.New("cell is empty")
	}
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || v != v || v > 1e100 || v < -1e100 || strings.ContainsAny(s, "xX_pP") {
		return 0, fmt.Errorf("%q is not a number", cell)
	}
	return v, nil
}
