package mdf

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"headroom/internal/fault"
)

// transposed turns columns of bytes back into records; what is behind the last whole record was not transposed.
func transposed(r io.Reader, p piece) (io.Reader, error) {
	in := make([]byte, 0, min(p.whole, 1<<20))
	b := bytes.NewBuffer(in)
	if _, err := io.Copy(b, r); err != nil {
		return nil, err
	}
	in = b.Bytes()
	columns := int(p.columns)
	rows := len(in) / columns
	out := make([]byte, len(in))
	copy(out[rows*columns:], in[rows*columns:])
	for c := range columns {
		if rows == 0 {
			break
		}
		for row, v := range in[c*rows : (c+1)*rows] {
			out[row*columns+c] = v
		}
	}
	return bytes.NewReader(out), nil
}

// Records hands out the records of a group in file order.
type Records struct {
	group  *Group
	in     *bufio.Reader
	record []byte // readings and invalidation bits of the one in hand
	number uint64 // of the one in hand, from 1
}

// bufferSize is what each group reads ahead, bytes.
const bufferSize = 64 << 10

// Open starts at the group's first record. A group that is left out has none.
func (g *Group) Open() *Records {
	return &Records{group: g, in: bufio.NewReaderSize(&stream{image: g.image, pieces: g.pieces}, bufferSize),
		record: make([]byte, g.layout.data+g.layout.invalid)}
}

// Next takes the next record in hand; false behind the last.
func (r *Records) Next() (bool, error) {
	if r.group.Left != "" || r.number >= r.group.Records {
		return false, nil
	}
	for r.group.layout.idSize > 0 {
		id, err := r.whole(r.group.layout.idSize)
		if err != nil {
			return false, err
		}
		if id == r.group.layout.id {
			break
		}
		if err := r.skip(id); err != nil {
			return false, err
		}
	}
	if _, err := io.ReadFull(r.in, r.record); err != nil {
		return false, r.ended(err)
	}
	r.number++
	return true, nil
}

// skip passes over the record of another group.
func (r *Records) skip(id uint64) error {
	size, ok := r.group.layout.siblings[id]
	if !ok {
		return &fault.Fault{What: fmt.Sprintf("is not a whole MDF file: a record has number %d, which no group has",
			id), Remedy: "export or copy the log again"}
	}
	if size == variable {
		length, err := r.whole(4)
		if err != nil {
			return err
		}
		size = int64(length)
	}
	for size > 0 {
		n, err := r.in.Discard(int(min(size, maxRecord)))
		if err != nil {
			return r.ended(err)
		}
		size -= int64(n)
	}
	return nil
}

// whole reads a whole number of so many bytes.
func (r *Records) whole(size int) (uint64, error) {
	var b [8]byte
	if _, err := io.ReadFull(r.in, b[:size]); err != nil {
		return 0, r.ended(err)
	}
	return binary.LittleEndian.Uint64(b[:]), nil
}

// ended words the end of the data before the last record.
func (r *Records) ended(err error) error {
	if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	return &fault.Fault{What: fmt.Sprintf("is cut short: group %s has %d records, its data ends after %d", r.group.Name,
		r.group.Records, r.number), Remedy: "export or copy the log again"}
}

// Seconds is the time of the record in hand; NaN where the file has none.
func (r *Records) Seconds() float64 {
	v, _, _ := r.Value(r.group.time)
	return v * r.group.scale
}

// Value is what the record in hand says of a channel of the group that is read: a number, or NaN and the text it stands
// for; valid is false when the file marks it as invalid.
func (r *Records) Value(c *Channel) (number float64, text string, valid bool) {
	if bit := c.invalidBit; bit >= 0 && r.record[r.group.layout.data+bit/8]>>(bit%8)&1 == 1 {
		return math.NaN(), "", false
	}
	x := float64(r.number - 1)
	if !c.virtual {
		x = c.field.read(r.record)
	}
	number, text = c.rule.apply(x, c.virtual || !c.field.float)
	return number, text, true
}
