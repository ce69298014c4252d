package source

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"headroom/internal/fault"
)

// maxLineBytes keeps one line from filling the memory.
const maxLineBytes = 4 << 20

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
	tail    int // line from which on the file is no text, 0 while it is

	joined, firstJoined     int // rows put together from several lines, for a quoted cell has line breaks
	unclosed, firstUnclosed int // lines that open a quote which nothing closes
	given                   int // up to now how often a quote was given up; unclosed begins anew with each part
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
	var begun []byte // of a line that the buffer does not hold
	if lr.tail > 0 {
		return line{}, io.EOF
	}
	for {
		part, err := lr.r.ReadSlice(lr.newline)
		if len(begun)+len(part) > maxLineBytes {
			if lr.number > 0 && bytes.IndexByte(part, 0) >= 0 {
				lr.tail = lr.number + 1
				return line{}, io.EOF
			}
			return line{}, &fault.Fault{Line: lr.number + 1,
				What:   fmt.Sprintf("line is longer than %d MiB", maxLineBytes>>20),
				Remedy: "export the log as delimited text with one line a sample"}
		}
		if errors.Is(err, bufio.ErrBufferFull) {
			begun = append(begun, part...)
			continue
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return line{}, unpackError(err)
		}
		if len(begun) > 0 {
			part = append(begun, part...)
		}
		if err != nil && len(part) == 0 {
			return line{}, io.EOF
		}
		lr.number++
		kept := bytes.TrimRight(part, "\r\n\x00\x1a")
		if lr.number > 1 && (bytes.IndexByte(kept, 0) >= 0 || len(kept) == 0 && bytes.IndexByte(part, 0) >= 0) {
			lr.tail = lr.number
			return line{}, io.EOF
		}
		text := string(kept)
		return line{number: lr.number, text: strings.TrimLeft(text, "\ufeff"), hasEnd: err == nil}, nil
	}
}

// How far a quoted cell may run on over line breaks.
const (
	maxRecordLines = 512
	maxRecordBytes = 64 << 10

	// quotes that nothing closes, after which a quote is an ordinary character: each costs a look ahead
	maxUnclosed = 1000
)

// record is next, together with the lines on which a quoted cell of it runs on, when the whole is one that fits and
// none of the lines is a row by itself. Line breaks inside quotes become blanks. A quote that nothing closes stays an
// ordinary character of its line.
func (lr *lineReader) record(fits, row func(text string) bool) (line, error) {
	l, err := lr.next()
	if err != nil || lr.given >= maxUnclosed || strings.IndexByte(l.text, '"') < 0 {
		return l, err
	}
	var q quoting
	if q.scan(l.text); !q.open {
		return l, nil
	}
	text := l.text
	for i := 0; i < maxRecordLines && len(text) < maxRecordBytes; i++ {
		if i == len(lr.queue) {
			further, err := lr.read()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				return line{}, err
			}
			lr.queue = append(lr.queue, further)
		}
		if row(lr.queue[i].text) {
			break
		}
		text += " " + lr.queue[i].text
		if q.scan(lr.queue[i].text); q.open {
			continue
		}
		if !fits(text) {
			break
		}
		last := lr.queue[i]
		lr.queue = lr.queue[i+1:]
		noteFirst(&lr.joined, &lr.firstJoined, l.number)
		return line{number: l.number, text: text, hasEnd: last.hasEnd}, nil
	}
	noteFirst(&lr.unclosed, &lr.firstUnclosed, l.number)
	lr.given++
	return l, nil
}

// quoting follows quoted cells from line to line, as splitFields reads them under any delimiter.
type quoting struct{ open bool }

func (q *quoting) scan(text string) {
	start := !q.open // of a cell
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case q.open && c == '"' && i+1 < len(text) && text[i+1] == '"':
			i++
		case q.open && c == '"':
			rest := strings.TrimLeft(text[i+1:], " ")
			q.open, start = false, rest == ""
		case q.open:
		case isDelimiter(c):
			start = true
		case start && c == '"':
			q.open = true
		case c != ' ':
			start = false
		}
	}
}

// joinHead does for the first lines, whose layout is not known yet, what record does for the rest: a whole fits when it
// has as many of some delimiter as most lines have. It returns the rows they make; lines read ahead wait behind them.
func (lr *lineReader) joinHead() ([]line, error) {
	usual := usualDelimiters(lr.queue)
	counts := func(text string, missing int) bool {
		for d, n := range usual {
			if have := countOutside(text, d); have == n || have == n-missing {
				return true
			}
		}
		return false
	}
	fits := func(text string) bool { return counts(text, 1) } // a header lacks the trailing delimiter of its rows
	row := func(text string) bool { return counts(text, 0) }
	if len(lr.queue) == 0 {
		return nil, nil
	}
	last := lr.queue[len(lr.queue)-1].number // what is read further to find a closing quote is no head
	var out []line
	for len(lr.queue) > 0 && lr.queue[0].number <= last {
		l, err := lr.record(fits, row)
		if err != nil {
			return nil, err
		}
		out = append(out, l)
	}
	lr.queue = slices.Concat(out, lr.queue)
	return out, nil
}

// usualDelimiters counts, for each delimiter, how many of it most lines have; those without a common number are left
// out.
func usualDelimiters(lines []line) map[byte]int {
	usual := map[byte]int{}
	for _, d := range []byte(delimiters) {
		lineCount := map[int]int{}
		for _, l := range lines {
			lineCount[countOutside(l.text, d)]++
		}
		for n, times := range lineCount {
			if 2*times > len(lines) && n > 0 {
				usual[d] = n
			}
		}
	}
	return usual
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
	return lr.joinHead()
}
