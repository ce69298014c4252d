package source

import "strings"

// delimiters between cells that are known.
const delimiters = "\t;,|"

func isDelimiter(c byte) bool { return strings.IndexByte(delimiters, c) >= 0 }

// countOutside counts the delimiters outside quotes.
func countOutside(text string, delimiter byte) int {
	n, quoted := 0, false
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case '"':
			quoted = !quoted
		case delimiter:
			if !quoted {
				n++
			}
		}
	}
	return n
}

// splitFields cuts a line at the delimiter, honouring double quotes around a field ("" inside is one quote). A quote
// that is not at the start of a field, or is never closed, is an ordinary character.
func splitFields(text string, delimiter byte, into []string) []string {
	fields := into[:0]
	for {
		trimmed := strings.TrimLeft(text, " ")
		if strings.HasPrefix(trimmed, "\"") {
			if value, rest, ok := cutQuoted(trimmed, delimiter); ok {
				fields = append(fields, value)
				if rest == "" {
					return fields
				}
				text = rest[1:]
				continue
			}
		}
		i := strings.IndexByte(text, delimiter)
		if i < 0 {
			return append(fields, strings.TrimSpace(text))
		}
		fields = append(fields, strings.TrimSpace(text[:i]))
		text = text[i+1:]
	}
}

// cutQuoted reads a quoted field at the start of text; rest is empty or starts with the delimiter.
func cutQuoted(text string, delimiter byte) (value, rest string, ok bool) {
	var b strings.Builder
	for i := 1; i < len(text); i++ {
		if text[i] != '"' {
			b.WriteByte(text[i])
			continue
		}
		if i+1 < len(text) && text[i+1] == '"' {
			b.WriteByte('"')
			i++
			continue
		}
		rest = strings.TrimLeft(text[i+1:], " ")
		if rest != "" && rest[0] != delimiter {
			return "", "", false
		}
		return strings.TrimSpace(b.String()), rest, true
	}
	return "", "", false
}
