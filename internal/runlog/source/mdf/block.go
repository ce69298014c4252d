package mdf

import (
	"bytes"
	"encoding/binary"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"headroom/internal/fault"
)

// Sizes of the standard's structures, bytes.
const (
	idSize   = 64 // of the identification at the start of a file, behind which the header block follows
	headSize = 24 // of a block's head: name, length, number of links
	linkSize = 8
)

// maxHeld bounds a block that is held as a whole: everything but records. Lists of data of a million blocks fit.
const maxHeld = 16 << 20

// frame is where the parts of a block lie.
type frame struct {
	id    string // two letters
	at    int64  // of the block
	links int64  // how many
	body  int64  // where what is behind the links begins
	size  int64  // of that
}

// block is a block that is held.
type block struct {
	frame
	link []int64
	data []byte
}

// image is a file's bytes, and which of its blocks were met.
type image struct {
	r     io.ReaderAt
	size  int64
	met   map[int64]bool // blocks that may be linked from one place only
	texts map[int64]string
}

// broken is the fault of a file that contradicts itself at a byte.
func broken(at int64, format string, args ...any) error {
	return &fault.Fault{What: fmt.Sprintf("is not a whole MDF file: at byte %d ", at) + fmt.Sprintf(format, args...),
		Remedy: "export or copy the log again"}
}

// read fills p from a place in the file.
func (m *image) read(p []byte, at int64) error {
	if n, err := m.r.ReadAt(p, at); n < len(p) {
		return &fault.Fault{What: "cannot be read to the end", Cause: err, Remedy: "copy the log again"}
	}
	return nil
}

// frame reads the head of the block at a place and checks that all of it lies in the file.
func (m *image) frame(at int64) (frame, error) {
	if at < idSize || at > m.size-headSize {
		return frame{}, broken(at, "a block is expected, but the file has %d bytes", m.size)
	}
	var head [headSize]byte
	if err := m.read(head[:], at); err != nil {
		return frame{}, err
	}
	length, links := binary.LittleEndian.Uint64(head[8:]), binary.LittleEndian.Uint64(head[16:])
	if head[0] != '#' || head[1] != '#' {
		return frame{}, broken(at, "there is no block, though another links to it")
	}
	f := frame{id: string(head[2:4]), at: at}
	if length < headSize || length > uint64(m.size-at) || links > (length-headSize)/linkSize {
		return frame{}, broken(at, "block %q claims %d bytes with %d links, %d bytes before the end", f.id, length,
			links, m.size-at)
	}
	f.links = int64(links)
	f.body = at + headSize + linkSize*f.links
	f.size = at + int64(length) - f.body
	return f, nil
}

// block reads the block at a place, which must have the name, as many links and as many bytes behind them.
func (m *image) block(at int64, id string, links int, size int) (*block, error) {
	f, err := m.frame(at)
	switch {
	case err != nil:
		return nil, err
	case f.id != id:
		return nil, broken(at, "block %q is expected, not %q", id, f.id)
	case f.links < int64(links) || f.size < int64(size):
		return nil, broken(at, "block %q is too short", id)
	}
	return m.hold(f)
}

// hold reads the rest of a block.
func (m *image) hold(f frame) (*block, error) {
	if f.body+f.size-f.at > maxHeld {
		return nil, broken(f.at, "block %q is larger than the reader's limit of %d bytes", f.id, maxHeld)
	}
	raw := make([]byte, linkSize*f.links+f.size)
	if err := m.read(raw, f.at+headSize); err != nil {
		return nil, err
	}
	b := &block{frame: f, link: make([]int64, f.links), data: raw[linkSize*f.links:]}
	for i := range b.link {
		b.link[i] = int64(binary.LittleEndian.Uint64(raw[linkSize*i:]))
	}
	return b, nil
}

// once notes that a block was linked to. A second link is refused: blocks would lead in a circle or be counted twice.
func (m *image) once(at int64) error {
	if m.met[at] {
		return broken(at, "a block is linked to twice: links lead in a circle")
	}
	m.met[at] = true
	return nil
}

// text is what a TX or MD block says; "" for no link. Of MD it is the first text element.
func (m *image) text(at int64) (string, error) {
	if at == 0 {
		return "", nil
	}
	if text, ok := m.texts[at]; ok {
		return text, nil
	}
	f, err := m.frame(at)
	if err != nil {
		return "", err
	}
	if f.id != "TX" && f.id != "MD" {
		return "", broken(at, "a text is expected, not block %q", f.id)
	}
	b, err := m.hold(f)
	if err != nil {
		return "", err
	}
	raw, _, _ := bytes.Cut(b.data, []byte{0})
	if f.id == "MD" {
		raw = []byte(firstText([]byte(valid(raw))))
	}
	text := strings.TrimSpace(valid(raw))
	m.texts[at] = text
	return text, nil
}

// valid is a text; one that is not in UTF-8, against the standard, is taken as Latin-1, mostly for a degree sign.
func valid(raw []byte) string {
	if utf8.Valid(raw) {
		return string(raw)
	}
	runes := make([]rune, len(raw))
	for i, b := range raw {
		runes[i] = rune(b)
	}
	return string(runes)
}

// firstText is the content of the first TX element of a comment in XML, "" without one.
func firstText(raw []byte) string {
	d := xml.NewDecoder(bytes.NewReader(raw))
	for {
		token, err := d.Token()
		if err != nil {
			return ""
		}
		start, ok := token.(xml.StartElement)
		if !ok || start.Name.Local != "TX" {
			continue
		}
		inside, err := d.Token()
		if err != nil {
			return ""
		}
		text, _ := inside.(xml.CharData)
		return string(text)
	}
}
