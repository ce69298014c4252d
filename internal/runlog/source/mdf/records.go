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
	Group *Group

	feed   feed
	clock  *Records // of the group that holds the time, nil where it is the group's own
	mix    *mix     // that the group's records come from, nil when they are read alone
	record []byte   // readings and invalidation bits of the one in hand
	number uint64   // of the one in hand, from 1
}

// bufferSize is what each stream reads ahead, bytes.
const bufferSize = 64 << 10

// Records starts at the first record of every group that is read, in file order.
func (f *File) Records() []*Records {
	var out []*Records
	mixes := map[*block]*mix{}
	for _, g := range f.Groups {
		if g.Left != "" {
			continue
		}
		r := g.records()
		if g.clock != nil {
			r.clock = g.clock.records()
			r.clock.feed = g.clock.feed()
		}
		if out = append(out, r); len(g.layout.siblings) == 1 {
			r.feed = g.feed()
			continue
		}
		if mixes[g.described] == nil {
			mixes[g.described] = &mix{feed: g.feed(), waiting: map[uint64]*bytes.Buffer{}}
		}
		r.mix = mixes[g.described]
		r.mix.waiting[g.layout.id] = &bytes.Buffer{}
	}
	return out
}

// records are a group's before the first.
func (g *Group) records() *Records {
	return &Records{Group: g, record: make([]byte, g.layout.data+g.layout.invalid)}
}

// Next takes the next record in hand; false behind the last.
func (r *Records) Next() (bool, error) {
	if r.clock != nil && r.number < r.Group.Records {
		if _, err := r.clock.Next(); err != nil {
			return false, err
		}
	}
	if r.number >= r.Group.Records {
		if r.mix != nil {
			delete(r.mix.waiting, r.Group.layout.id)
		}
		return false, nil
	}
	if r.mix != nil {
		found, err := r.mix.next(r.Group.layout.id, r.record)
		if err != nil {
			return false, r.ended(err)
		}
		if found {
			r.number++
			return true, nil
		}
		r.mix, r.feed = nil, r.Group.feed()
		for range r.number {
			if err := r.feed.next(r.record); err != nil {
				return false, r.ended(err)
			}
		}
	}
	if err := r.feed.next(r.record); err != nil {
		return false, r.ended(err)
	}
	r.number++
	return true, nil
}

// feed is a stream of records on the way to a group.
type feed struct {
	in      *bufio.Reader
	invalid *bufio.Reader // of invalidation bits that lie apart, nil where they do not
	apart   bool          // in holds readings alone
	layout  *layout       // of the group
}

// feed starts at the beginning of the data that the group's records are among.
func (g *Group) feed() feed {
	read := func(pieces []piece) *bufio.Reader {
		return bufio.NewReaderSize(&stream{image: g.image, pieces: pieces}, bufferSize)
	}
	f := feed{in: read(g.stored.pieces), apart: g.stored.apart, layout: &g.layout}
	if len(g.stored.invalid) > 0 {
		f.invalid = read(g.stored.invalid)
	}
	return f
}

// next reads the group's next record.
func (f feed) next(record []byte) error {
	for f.layout.idSize > 0 {
		id, err := f.whole(f.layout.idSize)
		if err != nil {
			return err
		}
		if id == f.layout.id {
			break
		}
		if err := f.skip(id); err != nil {
			return err
		}
	}
	readings, bits := record, []byte(nil)
	if f.apart {
		readings, bits = record[:f.layout.data], record[f.layout.data:]
	}
	_, err := io.ReadFull(f.in, readings)
	if err == nil && f.invalid != nil {
		_, err = io.ReadFull(f.invalid, bits)
	}
	return err
}

// size is the length of a record with a number, of which the number was read.
func (f feed) size(id uint64) (int64, error) {
	size, ok := f.layout.siblings[id]
	if !ok {
		return 0, &fault.Fault{What: fmt.Sprintf("is not a whole MDF file: a record has number %d, which no group has",
			id), Remedy: "export or copy the log again"}
	}
	if size == variable {
		length, err := f.whole(4)
		return int64(length), err
	}
	return size, nil
}

// skip passes over the record of another group.
func (f feed) skip(id uint64) error {
	size, err := f.size(id)
	for size > 0 && err == nil {
		n := 0
		n, err = f.in.Discard(int(min(size, maxRecord)))
		size -= int64(n)
	}
	return err
}

// whole reads a whole number of so many bytes.
func (f feed) whole(size int) (uint64, error) {
	var b [8]byte
	_, err := io.ReadFull(f.in, b[:size])
	return binary.LittleEndian.Uint64(b[:]), err
}

// mix is a stream in which the records of several groups lie mixed. It is read once for all of them: what comes before
// its group asks for it waits.
type mix struct {
	feed    feed
	waiting map[uint64]*bytes.Buffer // by the number of each group that is still read
	held    int                      // bytes that wait
	over    bool                     // more would have to wait than may: each group goes on alone
}

// maxWaiting bounds what waits, bytes. A variable for tests.
var maxWaiting = 64 << 20

// next takes a group's next record; found is false when the group has to read alone.
func (m *mix) next(id uint64, record []byte) (found bool, err error) {
	if m.over {
		return false, nil
	}
	if q := m.waiting[id]; q.Len() > 0 {
		m.held -= len(record)
		_, err := io.ReadFull(q, record)
		return true, err
	}
	for {
		other, err := m.feed.whole(m.feed.layout.idSize)
		if err != nil {
			return false, err
		}
		if other == id {
			_, err := io.ReadFull(m.feed.in, record)
			return true, err
		}
		if m.waiting[other] == nil {
			err = m.feed.skip(other)
		} else {
			err = m.keep(other)
		}
		if err != nil || m.over {
			return false, err
		}
	}
}

// keep lets another group's record wait.
func (m *mix) keep(id uint64) error {
	size, err := m.feed.size(id)
	if err != nil {
		return err
	}
	if m.held += int(size); m.held > maxWaiting {
		m.over, m.waiting = true, nil
		return nil
	}
	_, err = io.CopyN(m.waiting[id], m.feed.in, size)
	return err
}

// ended words the end of the data before the last record.
func (r *Records) ended(err error) error {
	if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return err
	}
	return &fault.Fault{What: fmt.Sprintf("is cut short: group %s has %d records, its data ends after %d", r.Group.Name,
		r.Group.Records, r.number), Remedy: "export or copy the log again"}
}

// Seconds is the time of the record in hand; NaN where the file has none.
func (r *Records) Seconds() float64 {
	from := r
	if r.clock != nil {
		from = r.clock
	}
	v, _, _ := from.Value(r.Group.time)
	return v * r.Group.scale
}

// Value is what the record in hand says of a channel of the group that is read: a number, or NaN and the text it stands
// for; valid is false when the file marks it as invalid.
func (r *Records) Value(c *Channel) (number float64, text string, valid bool) {
	if bit := c.invalidBit; bit >= 0 && r.record[r.Group.layout.data+bit/8]>>(bit%8)&1 == 1 {
		return math.NaN(), "", false
	}
	x := float64(r.number - 1)
	if !c.virtual {
		x = c.field.read(r.record)
	}
	number, text = c.rule.apply(x, c.virtual || !c.field.float)
	return number, text, true
}
