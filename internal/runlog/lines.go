package runlog

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Limits that keep one line from filling the memory.
const (
	maxLineBytes = 4 << 20
	maxColumns   = 4096
)

// line is one line of text without its line end.
type line struct {
	number int // 1-based
	text   string
	hasEnd bool // a line end followed; false only for the last line of a file
}

// lineReader hands out lines, first those put back, then those of the source.
type lineReader struct {
	r       *bufio.Reader
	newline byte
	number  int
	queue   []line
}

// next returns the next line, or io.EOF.
func (lr *lineReader) next() (line, error) {
	if len(lr.queue) > 0 {
		l := lr.queue[0]
		lr.queue = lr.queue[1:]
		return l, nil
	}
	return lr.read()
}

// read takes one line from the source.
func (lr *lineReader) read() (line, error) {
	var buf []byte
	for {
		part, err := lr.r.ReadSlice(lr.newline)
		buf = append(buf, part...)
		if len(buf) > maxLineBytes {
			return line{}, &FileError{Line: lr.number + 1, What: fmt.Sprintf("line is longer than %d MiB", maxLineBytes>>20),
				Remedy: "export the log as delimited text with one line a sample"}
		}
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return line{}, unpackError(err)
		}
		if err != nil && len(buf) == 0 {
			return line{}, io.EOF
		}
		lr.number++
		hasEnd := err == nil
		text := strings.TrimRight(string(buf), "\r\n\x00\x1a")
		return line{number: lr.number, text: strings.TrimLeft(text, "\ufeff"), hasEnd: hasEnd}, nil
	}
}

// peek reads up to n lines ahead, at most limit bytes of them, and puts them back.
func (lr *lineReader) peek(n, limit int) ([]line, error) {
	size := 0
	for len(lr.queue) < n && size < limit {
		l, err := lr.read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		size += len(l.text)
		lr.queue = append(lr.queue, l)
	}
	return lr.queue, nil
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
