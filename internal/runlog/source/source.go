// Package source answers one question: which table of numbers do the bytes of a log hold?
//
// It tells the format by the first bytes (formats.go lists them, one file a format), undoes packing and encoding,
// settles the layout of text, and hands out rows part by part, so that a log of any length is read in bounded memory.
// Cells become numbers here, and columns that tell place or identity are dropped here; what a column means is not
// asked. What is wrong with a log is a *fault.Fault without the name of the file, which this package does not know.
package source

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"

	"headroom/internal/fault"
)

// Input is the bytes of a log. At is set when they can also be read in any order; Size is then their number.
type Input struct {
	Reader io.Reader
	At     io.ReaderAt
	Size   int64
}

// Limits bound what a log may take. Cells is rows × columns; math.MaxInt stands for a log that is read whole.
type Limits struct {
	Bytes int64 // of the log, packed and unpacked; one more is an error
	Cells int   // held at once, but at least MinRows rows
}

// Rows hands out the rows of an open log into a table that it keeps. What takes rows off (Table.Drop) makes room for
// further ones.
type Rows interface {
	// Table is the rows in hand. It stays the same table.
	Table() *Table
	// Fill appends rows until the table holds about the cells it may or the log ends; more says that it has not ended.
	Fill() (more bool, err error)
	// Notes says what did not fit the layout among the rows handed out since the last call.
	Notes() []Note
	// Close lets go of what is held besides the table.
	Close()
}

// Note is one doubt about the layout.
type Note struct {
	Samples int    // rows, lines or cells it is about
	Detail  string // one plain sentence
}

// Open tells the format of a log and opens it. The caller closes the rows.
func Open(in Input, limits Limits) (Rows, error) {
	c := &content{r: bounded(in.Reader, limits.Bytes), at: in.At, size: in.Size, packing: "none", limits: limits}
	begin, err := c.r.Peek(magicSize)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, unread(err)
	}
	if f := begun(begin); f != nil && f.unpack != nil {
		if c, err = f.unpacked(c); err != nil {
			return nil, err
		}
	}
	rows, err := c.open()
	if err != nil {
		c.close()
		return nil, err
	}
	return rows, nil
}

// headSize is how much of a log is looked at to settle its encoding.
const headSize = 64 << 10

// content is the bytes of a log, without their packing.
type content struct {
	r       *bufio.Reader
	head    []byte      // up to headSize bytes of the beginning, valid until r is read
	at      io.ReaderAt // the same bytes in any order, nil when they come in order only
	size    int64       // of at
	packing string      // "none", or the name of the format they were packed in
	done    func()      // ends the unpacking; nil when there is nothing to end
	limits  Limits
}

func (c *content) close() {
	if c.done != nil {
		c.done()
	}
}

// open opens whatever table the content holds.
func (c *content) open() (Rows, error) {
	var err error
	c.head, err = c.r.Peek(headSize)
	if len(c.head) == 0 && err != nil && !errors.Is(err, io.EOF) {
		return nil, unpackError(err)
	}
	if len(bytes.TrimSpace(c.head)) == 0 && len(c.head) < headSize {
		return nil, &fault.Fault{What: "is empty", Remedy: "export the log again"}
	}
	f := begun(c.head)
	if f == nil || f.unpack != nil { // what is packed twice is no table either, which reading it as text will say
		f = &textFormat
	}
	return f.open(c)
}

// maxHeld bounds what has to be held as a whole: archives from a stream and Parquet in a packed file.
const maxHeld = 512 << 20

// hold reads everything into memory, up to limit bytes.
func hold(r io.Reader, what string, limit int64) ([]byte, error) {
	over := &fault.Fault{What: fmt.Sprintf("%s of more than %d bytes, which cannot be read in bounded memory", what,
		limit), Remedy: "unpack it and give the log itself"}
	data, err := io.ReadAll(&boundedReader{r: r, left: limit, over: over})
	if err != nil {
		return nil, unpackError(err)
	}
	return data, nil
}

// unread words an error of the file itself.
func unread(err error) error {
	return wording(err, "cannot be read", "check the file and its permissions")
}

// unpackError words an error met while undoing compression.
func unpackError(err error) error {
	return wording(err, "cannot be unpacked to the end", "send the log again, or unpack it and give what there is")
}

// wording makes a fault of an error that is none.
func wording(err error, what, remedy string) error {
	var f *fault.Fault
	if errors.As(err, &f) {
		return err
	}
	return &fault.Fault{What: what, Cause: err, Remedy: remedy}
}

// TooLarge is the fault of a log of more than limit bytes.
func TooLarge(limit int64) *fault.Fault {
	return &fault.Fault{What: fmt.Sprintf("is larger than the reader's limit of %d bytes", limit),
		Remedy: "split the log into shorter ones"}
}

// bounded reads at most limit bytes of a log; one more is TooLarge.
func bounded(r io.Reader, limit int64) *bufio.Reader {
	return bufio.NewReaderSize(&boundedReader{r: r, left: limit, over: TooLarge(limit)}, headSize)
}

// boundedReader fails with over, rather than stops, when more than left bytes come out: a packed file must not run on
// for ever. Exactly left bytes are no fault.
type boundedReader struct {
	r    io.Reader
	left int64
	over error
}

// Read implements io.Reader.
func (b *boundedReader) Read(p []byte) (int, error) {
	n, err := b.r.Read(p)
	b.left -= int64(n)
	if b.left < 0 {
		return 0, b.over
	}
	return n, err
}
