package mdf

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

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

// pieces follows the links to a stream of records. unread is why it is of a kind that is not read, "" when it is.
func (m *image) pieces(at int64) (list []piece, total int64, unread string, err error) {
	for at != 0 {
		if err := m.once(at); err != nil {
			return nil, 0, "", err
		}
		f, err := m.frame(at)
		if err != nil {
			return nil, 0, "", err
		}
		switch f.id {
		case "HL", "DL":
			b, err := m.hold(f)
			if err != nil {
				return nil, 0, "", err
			}
			if len(b.link) == 0 {
				return nil, 0, "", broken(at, "a list of data has no links")
			}
			at = b.link[0]
			if f.id == "HL" {
				continue
			}
			for _, link := range b.link[1:] {
				if link == 0 {
					continue
				}
				if err := m.once(link); err != nil {
					return nil, 0, "", err
				}
				part, err := m.frame(link)
				if err != nil {
					return nil, 0, "", err
				}
				p, err := m.piece(part)
				if err != nil {
					return nil, 0, "", err
				}
				list, total = append(list, p), total+p.whole
			}
		case "LD":
			return nil, 0, "its readings are stored column by column (lists of MDF 4.20)", nil
		case "DV":
			return nil, 0, "its readings are stored column by column (MDF 4.20)", nil
		default:
			p, err := m.piece(f)
			if err != nil {
				return nil, 0, "", err
			}
			return append(list, p), total + p.whole, "", nil
		}
	}
	return list, total, "", nil
}

// piece is the records in a DT or DZ block.
func (m *image) piece(f frame) (piece, error) {
	if f.id == "DT" {
		return piece{at: f.body, size: f.size, whole: f.size}, nil
	}
	const packedHead = 24
	if f.id != "DZ" {
		return piece{}, broken(f.at, "records are expected, not block %q", f.id)
	}
	if f.size < packedHead {
		return piece{}, broken(f.at, "block %q is too short", f.id)
	}
	var head [packedHead]byte
	if err := m.read(head[:], f.body); err != nil {
		return piece{}, err
	}
	whole, size := binary.LittleEndian.Uint64(head[8:]), binary.LittleEndian.Uint64(head[16:])
	columns := int64(binary.LittleEndian.Uint32(head[4:]))
	if size > uint64(f.size-packedHead) || whole > maxDeflation*size {
		return piece{}, broken(f.at, "packed data claims %d bytes, %d unpacked, of %d", size, whole, f.size-packedHead)
	}
	if string(head[:2]) != "DT" {
		return piece{}, broken(f.at, "packed records are expected, not block %q", head[:2])
	}
	p := piece{at: f.body + packedHead, size: int64(size), whole: int64(whole), packed: true}
	switch {
	case head[2] == 0:
	case head[2] == 1 && columns > 0:
		if p.columns = columns; p.whole > maxTransposed {
			return piece{}, broken(f.at, "transposed data of %d bytes is larger than the reader's limit of %d", whole,
				maxTransposed)
		}
	default:
		return piece{}, broken(f.at, "data is packed in a way (%d) that is not known", head[2])
	}
	return p, nil
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
