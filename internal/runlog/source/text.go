package source

import (
	"bufio"

	"headroom/internal/fault"
)

// textFormat is delimited text, wide or long, in any of the usual encodings.
var textFormat = format{name: "delimited text", extensions: []string{".csv", ".txt", ".tsv", ".log"}, streamed: true,
	open: openText}

// openText settles encoding and layout from the first lines.
func openText(c *content) (Rows, error) {
	newline := newlineOf(c.head)
	text, encoding := decode(c.r, c.head)
	if encoding == "" {
		return nil, &fault.Fault{What: "is binary, not a text log", Remedy: "export the log as delimited text (CSV)"}
	}
	lr := &lineReader{r: bufio.NewReaderSize(text, headSize), newline: newline}
	head, err := lr.peek(sniffLines, sniffBytes)
	if err != nil {
		return nil, err
	}
	lay, err := sniffLayout(head)
	if err != nil {
		return nil, err
	}
	lay.dialect.Encoding, lay.dialect.Compression = encoding, c.packing
	f := textRows{content: c, lr: lr, lay: lay}
	if shape, ok := sniffLong(lay.header); ok {
		return newLongRows(f, shape), nil
	}
	return newWideRows(f)
}
