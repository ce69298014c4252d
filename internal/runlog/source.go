package runlog

import (
	"archive/zip"
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"

	"headroom/internal/fault"
)

// headSize is how much of a file is looked at to settle compression and encoding.
const headSize = 64 << 10

// source is a log as plain UTF-8 text, or as Parquet bytes.
type source struct {
	text        *bufio.Reader
	parquet     io.ReaderAt // set instead of text when the file is Parquet
	parquetSize int64
	encoding    string
	compression string
	newline     byte // '\n', or '\r' in files that use it alone
	done        func()
}

// openSource undoes compression and encoding. limit bounds the unpacked size.
func openSource(in input, limit int64) (*source, error) {
	packed := bufio.NewReaderSize(&boundedReader{r: in.r, left: limit, over: tooLarge(limit)}, headSize)
	magic, err := packed.Peek(4)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, unread(err)
	}
	src := &source{compression: "none", newline: '\n', done: func() {}}
	plain := packed
	switch {
	case bytes.HasPrefix(magic, []byte{0x1f, 0x8b}):
		z, err := gzip.NewReader(packed)
		if err != nil {
			return nil, &fault.Fault{What: "is not a whole gzip file", Cause: err, Remedy: "send the log again"}
		}
		src.compression = "gzip"
		plain = bufio.NewReaderSize(&boundedReader{r: z, left: limit, over: tooLarge(limit)}, headSize)
	case bytes.HasPrefix(magic, []byte{0x28, 0xb5, 0x2f, 0xfd}):
		z, err := zstd.NewReader(packed, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(256<<20))
		if err != nil {
			return nil, &fault.Fault{What: "is not a whole zstd file", Cause: err, Remedy: "send the log again"}
		}
		src.compression = "zstd"
		src.done = z.Close
		plain = bufio.NewReaderSize(&boundedReader{r: z, left: limit, over: tooLarge(limit)}, headSize)
	case bytes.HasPrefix(magic, []byte("PK\x03\x04")), bytes.HasPrefix(magic, []byte("PK\x05\x06")):
		inner, err := openZip(packed, in)
		if err != nil {
			return nil, err
		}
		src.compression = "zip"
		plain = bufio.NewReaderSize(&boundedReader{r: inner, left: limit, over: tooLarge(limit)}, headSize)
		src.done = func() { inner.Close() }
	}
	if plain == packed && in.at != nil && bytes.HasPrefix(magic, parquetMagic) {
		src.encoding, src.parquet, src.parquetSize = parquetName, in.at, in.size
		return src, nil
	}
	if err := src.decode(plain); err != nil {
		src.done()
		return nil, err
	}
	return src, nil
}

// openZip opens the single log inside a zip archive. An archive that cannot be read out of order is held as a whole.
func openZip(r io.Reader, in input) (io.ReadCloser, error) {
	at, size := in.at, in.size
	if at == nil {
		data, err := hold(r, "is a zip archive from a stream", maxHeld)
		if err != nil {
			return nil, err
		}
		at, size = bytes.NewReader(data), int64(len(data))
	}
	archive, err := zip.NewReader(at, size)
	if err != nil {
		return nil, &fault.Fault{What: "is not a whole zip archive", Cause: err, Remedy: "send the log again"}
	}
	var logs []*zip.File
	for _, f := range archive.File {
		hidden := strings.HasPrefix(f.Name, "__MACOSX/") || strings.HasPrefix(f.Name, ".") ||
			strings.Contains(f.Name, "/.")
		if !f.FileInfo().IsDir() && !hidden {
			logs = append(logs, f)
		}
	}
	if len(logs) != 1 {
		return nil, &fault.Fault{What: fmt.Sprintf("is an archive of %d files", len(logs)),
			Remedy: "unpack it and give one log a file"}
	}
	inner, err := logs[0].Open()
	if err != nil {
		return nil, &fault.Fault{What: "the log in the archive cannot be unpacked", Cause: err,
			Remedy: "unpack the archive with another tool and give the log itself"}
	}
	return inner, nil
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

// Parquet files begin with parquetMagic.
var parquetMagic = []byte("PAR1")

const parquetName = "Parquet"

// decode settles the text encoding from the head of the unpacked bytes.
func (src *source) decode(plain *bufio.Reader) error {
	head, err := plain.Peek(headSize)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) && len(head) == 0 {
		return unpackError(err)
	}
	if len(bytes.TrimSpace(head)) == 0 && len(head) < headSize {
		return &fault.Fault{What: "is empty", Remedy: "export the log again"}
	}
	switch {
	case bytes.HasPrefix(head, parquetMagic):
		src.encoding = parquetName
		data, err := hold(plain, "is a packed Parquet file", maxHeld)
		if err != nil {
			return err
		}
		src.parquet, src.parquetSize = bytes.NewReader(data), int64(len(data))
		return nil
	case bytes.HasPrefix(head, []byte("MDF ")):
		return &fault.Fault{What: "is a binary measurement file (ASAM MDF)",
			Remedy: "convert it to delimited text first (docs/logs.md shows how)"}
	case bytes.HasPrefix(head, []byte{0xef, 0xbb, 0xbf}):
		_, _ = plain.Discard(3)
		src.encoding = "UTF-8 with byte order mark"
		src.setText(head, transform.NewReader(plain, mixedDecoder{}))
		return nil
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
		src.encoding = order
		src.setText(bytes.ReplaceAll(head, []byte{0}, nil), transform.NewReader(plain,
			unicode.UTF16(endian, policy).NewDecoder()))
		return nil
	}
	if looksBinary(head) {
		return &fault.Fault{What: "is binary, not a text log", Remedy: "export the log as delimited text (CSV)"}
	}
	src.encoding = "UTF-8"
	if !validUTF8Head(head) {
		src.encoding = "Windows-1252"
	}
	src.setText(head, transform.NewReader(plain, mixedDecoder{}))
	return nil
}

// setText keeps the decoded reader and notes which line end is in use.
func (src *source) setText(head []byte, r io.Reader) {
	if !bytes.ContainsRune(head, '\n') && bytes.ContainsRune(head, '\r') {
		src.newline = '\r'
	}
	src.text = bufio.NewReaderSize(r, headSize)
}

// unpackError words an error met while undoing compression.
func unpackError(err error) error {
	var fe *fault.Fault
	if errors.As(err, &fe) {
		return err
	}
	return &fault.Fault{What: "cannot be unpacked to the end", Cause: err,
		Remedy: "send the log again, or unpack it and give what there is"}
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

// unread words an error of the file itself.
func unread(err error) error {
	var fe *fault.Fault
	if errors.As(err, &fe) {
		return err
	}
	return &fault.Fault{What: "cannot be read", Cause: err, Remedy: "check the file and its permissions"}
}

// tooLarge is the error of a log of more than limit bytes.
func tooLarge(limit int64) *fault.Fault {
	return &fault.Fault{What: fmt.Sprintf("is larger than the reader's limit of %d bytes", limit),
		Remedy: "split the log into shorter ones"}
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
