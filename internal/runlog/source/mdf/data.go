package mdf

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/klauspost/compress/zlib"

	"headroom/internal/fault"
)

// piece is a stretch of a stream of records as it lies in the file.
type piece struct {
	at, size int64
	whole    int64 // bytes once unpacked, size where it is not packed
	columns  int64 // by which it was transposed, 0 when it was not
	packed   bool
}

// maxTransposed bounds a piece that has to be unpacked as a whole, bytes; the standard advises 4 MB.
const maxTransposed = 64 << 20

// maxDeflation is how much larger than its packed form data can be (Deutsch 1996, RFC 1951: 258 bytes from two bits).
const maxDeflation = 1032

// stored is where the records of a data group lie.
type stored struct {
	pieces []piece
	size   int64 // bytes of them once unpacked
	// the records hold readings alone (MDF 4.20); their invalidation bits, where there are any, lie in pieces of their
	// own
	apart       bool
	invalid     []piece
	invalidSize int64
}

// add appends the piece at a place, of one of the kinds.
func (s *stored) add(m *image, at int64, kinds ...string) error {
	f, err := m.frame(at)
	if err != nil {
		return err
	}
	p, kind, err := m.piece(f, kinds)
	if err != nil {
		return err
	}
	if kind == "DI" {
		s.invalid, s.invalidSize = append(s.invalid, p), s.invalidSize+p.whole
		return nil
	}
	s.pieces, s.size = append(s.pieces, p), s.size+p.whole
	s.apart = s.apart || kind == "DV"
	return nil
}

// stored follows the links to the records of a data group.
func (m *image) stored(at int64) (s stored, err error) {
	for at != 0 {
		if err := m.once(at); err != nil {
			return s, err
		}
		f, err := m.frame(at)
		if err != nil {
			return s, err
		}
		switch f.id {
		case "HL", "DL", "LD":
			b, err := m.hold(f)
			if err != nil {
				return s, err
			}
			if len(b.link) == 0 {
				return s, broken(at, "a list of data has no links")
			}
			if at = b.link[0]; f.id == "HL" {
				continue
			}
			readings, bits, err := lists(b)
			if err != nil {
				return s, err
			}
			kinds := []string{"DT"}
			if f.id == "LD" {
				kinds = []string{"DV"}
			}
			for k, list := range [][]int64{readings, bits} {
				for _, link := range list {
					if link == 0 {
						continue
					}
					if err := m.once(link); err != nil {
						return s, err
					}
					if err := s.add(m, link, [][]string{kinds, {"DI"}}[k]...); err != nil {
						return s, err
					}
				}
			}
		default:
			return s, s.add(m, at, "DT", "DV")
		}
	}
	return s, nil
}

// bitsApart is the flag of a list of data whose invalidation bits are listed behind the readings.
const bitsApart = 1 << 31

// lists are the links of a list of data behind the one to the next list: to readings and to invalidation bits.
func lists(b *block) (readings, bits []int64, err error) {
	readings = b.link[1:]
	if b.id != "LD" {
		return readings, nil, nil
	}
	if len(b.data) < 8 {
		return nil, nil, broken(b.at, "block %q is too short", b.id)
	}
	flags, count := binary.LittleEndian.Uint32(b.data), uint64(binary.LittleEndian.Uint32(b.data[4:]))
	if flags&bitsApart != 0 && count*2 <= uint64(len(readings)) {
		return readings[:count], readings[count : 2*count], nil
	}
	if flags&bitsApart != 0 || count > uint64(len(readings)) {
		return nil, nil, broken(b.at, "a list of data claims %d blocks and has %d links", count, len(readings))
	}
	return readings[:count], nil, nil
}

// piece is what a block of data holds, which must be of one of the kinds, packed or not.
func (m *image) piece(f frame, kinds []string) (p piece, kind string, err error) {
	if slices.Contains(kinds, f.id) {
		return piece{at: f.body, size: f.size, whole: f.size}, f.id, nil
	}
	const packedHead = 24
	if f.id != "DZ" {
		return piece{}, "", broken(f.at, "records are expected, not block %q", f.id)
	}
	if f.size < packedHead {
		return piece{}, "", broken(f.at, "block %q is too short", f.id)
	}
	var head [packedHead]byte
	if err := m.read(head[:], f.body); err != nil {
		return piece{}, "", err
	}
	whole, size := binary.LittleEndian.Uint64(head[8:]), binary.LittleEndian.Uint64(head[16:])
	columns := int64(binary.LittleEndian.Uint32(head[4:]))
	if size > uint64(f.size-packedHead) || whole > maxDeflation*size {
		return piece{}, "", broken(f.at, "packed data claims %d bytes, %d unpacked, of %d", size, whole,
			f.size-packedHead)
	}
	if kind = string(head[:2]); !slices.Contains(kinds, kind) {
		return piece{}, "", broken(f.at, "packed records are expected, not block %q", kind)
	}
	p = piece{at: f.body + packedHead, size: int64(size), whole: int64(whole), packed: true}
	switch {
	case head[2] == 0:
	case head[2] == 1 && columns > 0:
		if p.columns = columns; p.whole > maxTransposed {
			return piece{}, "", broken(f.at, "transposed data of %d bytes is larger than the reader's limit of %d",
				whole, maxTransposed)
		}
	default:
		return piece{}, "", broken(f.at, "data is packed in a way (%d) that is not known", head[2])
	}
	return p, kind, nil
}

// stream is the records' bytes, piece after piece.
type stream struct {
	image  *image
	pieces []piece
	now    io.Reader // of the piece in hand, nil between two
}

// Read implements io.Reader.
func (s *stream) Read(p []byte) (int, error) {
	for {
		if s.now == nil {
			if len(s.pieces) == 0 {
				return 0, io.EOF
			}
			var err error
			if s.now, err = s.image.unpack(s.pieces[0]); err != nil {
				return 0, err
			}
			s.pieces = s.pieces[1:]
		}
		n, err := s.now.Read(p)
		if errors.Is(err, io.EOF) {
			s.now, err = nil, nil
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
}

// unpack is the bytes of one piece.
func (m *image) unpack(p piece) (io.Reader, error) {
	section := io.NewSectionReader(m.r, p.at, p.size)
	if !p.packed {
		return section, nil
	}
	inflated, err := zlib.NewReader(bufio.NewReader(section))
	if err != nil {
		return nil, unpackable(p, err)
	}
	exact := &exactly{r: inflated, left: p.whole, piece: p}
	if p.columns == 0 {
		return exact, nil
	}
	return transposed(exact, p)
}

func unpackable(p piece, err error) error {
	return &fault.Fault{What: fmt.Sprintf("its packed data at byte %d cannot be unpacked", p.at), Cause: err,
		Remedy: "export or copy the log again"}
}

// exactly reads as many bytes as a piece claims to hold; more or fewer are an error. It ends only behind the packing's
// checksum.
type exactly struct {
	r     io.Reader
	left  int64
	piece piece
}

// Read implements io.Reader.
func (e *exactly) Read(p []byte) (int, error) {
	n, err := e.r.Read(p)
	e.left -= int64(n)
	if err == nil && e.left == 0 {
		var beyond [1]byte
		more := 0
		more, err = io.ReadFull(e.r, beyond[:])
		e.left -= int64(more)
	}
	switch ended := errors.Is(err, io.EOF); {
	case err != nil && !ended: // what came with the error is not to be believed
		return 0, unpackable(e.piece, err)
	case e.left < 0 || ended && e.left > 0:
		return 0, broken(e.piece.at, "packed data does not unpack to the %d bytes it claims", e.piece.whole)
	}
	return n, err
}
