package source

import (
	"io"

	"github.com/klauspost/compress/zstd"

	"headroom/internal/fault"
)

// zstdFormat is the packing of RFC 8878.
var zstdFormat = format{name: "zstd", extensions: []string{".zst"}, begins: []string{"\x28\xb5\x2f\xfd"},
	unpack: unpackZstd}

// maxWindow bounds what a packed file may have held to be unpacked.
const maxWindow = 256 << 20

func unpackZstd(c *content) (io.Reader, func(), error) {
	z, err := zstd.NewReader(c.r, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxWindow))
	if err != nil {
		return nil, nil, &fault.Fault{What: "is not a whole zstd file", Cause: err, Remedy: "send the log again"}
	}
	return z, z.Close, nil
}
