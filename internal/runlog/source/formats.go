package source

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"

	"headroom/internal/fault"
)

// formats are all the ways in which a log is stored that are read. Text is told by what it is
// not. A further format is a file beside this one and a row here.
var formats = []*format{&gzipFormat, &zstdFormat, &zipFormat, &parquetFormat, &mdfFormat, &textFormat}

// format is one way in which a log is stored. It is unpacked into another, or opened as a table.
type format struct {
	name       string   // as messages and the Dialect call it
	extensions []string // of file names, in lower case with the dot; those of logs are looked for under runs/
	begins     []string // the first bytes of its files are one of these; none: nothing else fits
	streamed   bool     // it is read in order, so that a packed file of it is a log like any other

	unpack func(c *content) (inner io.Reader, done func(), err error)
	open   func(c *content) (Rows, error)
}

// magicSize is as many bytes as the longest beginning has.
const magicSize = 4

// begun is the format whose files begin like this, nil when none does.
func begun(head []byte) *format {
	for _, f := range formats {
		if slices.ContainsFunc(f.begins, func(b string) bool { return bytes.HasPrefix(head, []byte(b)) }) {
			return f
		}
	}
	return nil
}

// unpacked is what a packed log holds.
func (f *format) unpacked(c *content) (*content, error) {
	inner, done, err := f.unpack(c)
	if err != nil {
		return nil, err
	}
	r := bounded(inner, c.limits.Bytes)
	if most := mostUnpacked + maxExpansion*c.size; c.at != nil && most < c.limits.Bytes {
		r = bufio.NewReaderSize(&boundedReader{r: inner, left: most, over: &fault.Fault{
			What:   fmt.Sprintf("unpacks to more than %d bytes, too much for a log packed into %d", most, c.size),
			Remedy: "look at what is in it; if it is a log, unpack it and give the log itself"}}, headSize)
	}
	return &content{r: r, packing: f.name, done: done, limits: c.limits}, nil
}

// How much a packed file may unpack to: so many bytes, and so many times its size. Each row of a log has a time of its
// own, which takes a byte when packed, and rarely some hundred bytes when not. No source.
const (
	mostUnpacked = 256 << 20
	maxExpansion = 200
)

// IsLog reports whether a file name looks like a log's: it ends, in any case, as a format's files do that is read, or
// as those of a streamed format do and then as those of a packing.
func IsLog(name string) bool {
	ext := strings.ToLower(path.Ext(name))
	inner := strings.ToLower(path.Ext(name[:len(name)-len(ext)]))
	for _, f := range formats {
		switch {
		case !slices.Contains(f.extensions, ext):
		case f.open != nil:
			return true
		case f.unpack != nil:
			return slices.ContainsFunc(formats, func(f *format) bool {
				return f.streamed && slices.Contains(f.extensions, inner)
			})
		}
	}
	return false
}

// Readable lists the formats and endings that IsLog takes, as part of a sentence.
func Readable() string {
	var packings, tables []string
	for _, f := range formats {
		if f.unpack != nil {
			packings = append(packings, f.extensions...)
		}
	}
	for _, f := range formats {
		switch {
		case f.open == nil:
		case f.streamed:
			tables = slices.Insert(tables, 0, f.name+" ("+strings.Join(f.extensions, ", ")+", also "+
				strings.Join(packings, " or ")+")")
		default:
			tables = append(tables, strings.Join(f.extensions, ", "))
		}
	}
	last := len(tables) - 1
	return strings.Join(tables[:last], ", ") + " or " + tables[last]
}
