package source

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"strings"

	"headroom/internal/fault"
)

// zipFormat is an archive with one log in it. It has no ending of its own under runs/: an archive may hold anything.
var zipFormat = format{name: "zip", begins: []string{"PK\x03\x04", "PK\x05\x06"}, unpack: unpackZip}

// unpackZip opens the single log inside an archive. An archive that comes in order only is held as a whole.
func unpackZip(c *content) (io.Reader, func(), error) {
	at, size := c.at, c.size
	if at == nil {
		data, err := hold(c.r, "is a zip archive from a stream", maxHeld)
		if err != nil {
			return nil, nil, err
		}
		at, size = bytes.NewReader(data), int64(len(data))
	}
	archive, err := zip.NewReader(at, size)
	if err != nil {
		return nil, nil, &fault.Fault{What: "is not a whole zip archive", Cause: err, Remedy: "send the log again"}
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
		return nil, nil, &fault.Fault{What: fmt.Sprintf("is an archive of %d files", len(logs)),
			Remedy: "unpack it and give one log a file"}
	}
	inner, err := logs[0].Open()
	if err != nil {
		return nil, nil, &fault.Fault{What: "the log in the archive cannot be unpacked", Cause: err,
			Remedy: "unpack the archive with another tool and give the log itself"}
	}
	return inner, func() { _ = inner.Close() }, nil
}
