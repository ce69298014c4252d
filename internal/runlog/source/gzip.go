package source

import (
	"io"

	"github.com/klauspost/compress/gzip"

	"headroom/internal/fault"
)

// gzipFormat is the packing of RFC 1952.
var gzipFormat = format{name: "gzip", extensions: []string{".gz"}, begins: []string{"\x1f\x8b"}, unpack: unpackGzip}

func unpackGzip(c *content) (io.Reader, func(), error) {
	z, err := gzip.NewReader(c.r)
	if err != nil {
		return nil, nil, &fault.Fault{What: "is not a whole gzip file", Cause: err, Remedy: "send the log again"}
	}
	return z, nil, nil
}
