package source

import (
	"bufio"
	"bytes"
	"io"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// decode settles the encoding of text from its head and returns the rest as UTF-8. encoding is "" for what is no text.
func decode(plain *bufio.Reader, head []byte) (text io.Reader, encoding string) {
	if bytes.HasPrefix(head, []byte{0xef, 0xbb, 0xbf}) {
		_, _ = plain.Discard(3)
		return transform.NewReader(plain, mixedDecoder{}), "UTF-8 with byte order mark"
	}
	if order, bom := utf16Order(head); order != "" {
		endian := unicode.LittleEndian
		if order == "UTF-16BE" {
			endian = unicode.BigEndian
		}
		policy := unicode.IgnoreBOM
		if bom {
			policy = unicode.ExpectBOM
		}
		return transform.NewReader(plain, unicode.UTF16(endian, policy).NewDecoder()), order
	}
	// a table with bytes behind it that are no text is judged by the table
	if at := bytes.IndexByte(head, 0); at > 0 && bytes.Count(head[:at], []byte{'\n'}) >= tableLines {
		head = head[:at]
	}
	switch {
	case looksBinary(head):
		return nil, ""
	case validUTF8Head(head):
		encoding = "UTF-8"
	default:
		encoding = "Windows-1252"
	}
	return transform.NewReader(plain, mixedDecoder{}), encoding
}

// tableLines is how many lines of text make bytes behind them a tail: common practice, no source.
const tableLines = 5

// newlineOf is the line end in use: '\n', or '\r' in files that use it alone.
func newlineOf(head []byte) byte {
	if bytes.IndexByte(head, '\n') < 0 && bytes.IndexByte(head, '\r') >= 0 {
		return '\r'
	}
	return '\n'
}

// utf16Order recognises UTF-16 by its byte order mark, or by zero bytes in every second place.
func utf16Order(head []byte) (order string, bom bool) {
	switch {
	case bytes.HasPrefix(head, []byte{0xff, 0xfe}):
		return "UTF-16LE", true
	case bytes.HasPrefix(head, []byte{0xfe, 0xff}):
		return "UTF-16BE", true
	}
	var zero [2]int
	for i, b := range head {
		if b == 0 {
			zero[i%2]++
		}
	}
	half := len(head) / 2
	switch {
	case half >= 8 && zero[1] > half*3/4 && zero[0] < half/10:
		return "UTF-16LE", false
	case half >= 8 && zero[0] > half*3/4 && zero[1] < half/10:
		return "UTF-16BE", false
	}
	return "", false
}

// looksBinary reports whether the head holds more control bytes than any text export does.
func looksBinary(head []byte) bool {
	control := 0
	for _, b := range head {
		if b < 0x20 && b != '\t' && b != '\n' && b != '\r' && b != '\f' {
			control++
		}
	}
	return control*50 > len(head)
}

// validUTF8Head is utf8.Valid, allowing a character that the end of the head cuts.
func validUTF8Head(head []byte) bool {
	for cut := 0; cut < utf8.UTFMax && cut <= len(head); cut++ {
		if utf8.Valid(head[:len(head)-cut]) {
			return true
		}
		if len(head) < headSize {
			return false
		}
	}
	return false
}

// mixedDecoder passes UTF-8 through and reads every byte that is not UTF-8 as Windows-1252, so that a degree sign far
// into a file does not spoil it.
type mixedDecoder struct{ transform.NopResetter }

// Transform implements transform.Transformer.
func (mixedDecoder) Transform(dst, src []byte, atEOF bool) (nDst, nSrc int, err error) {
	for nSrc < len(src) {
		if src[nSrc] < utf8.RuneSelf {
			if nDst >= len(dst) {
				return nDst, nSrc, transform.ErrShortDst
			}
			dst[nDst] = src[nSrc]
			nDst++
			nSrc++
			continue
		}
		r, size := utf8.DecodeRune(src[nSrc:])
		if r == utf8.RuneError && size == 1 {
			if !atEOF && !utf8.FullRune(src[nSrc:]) {
				return nDst, nSrc, transform.ErrShortSrc
			}
			r = charmap.Windows1252.DecodeByte(src[nSrc])
		}
		if nDst+utf8.RuneLen(r) > len(dst) {
			return nDst, nSrc, transform.ErrShortDst
		}
		nDst += utf8.EncodeRune(dst[nDst:], r)
		nSrc += size
	}
	return nDst, nSrc, nil
}
