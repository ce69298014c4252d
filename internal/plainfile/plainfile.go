// Package plainfile answers two questions: may this file be read, and how is one replaced? A pipe or a device would
// never end and a sparse file can claim any size, so what stands in a folder is opened only when it is a regular file
// of a stated size at most, and no more than that is read of it.
package plainfile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"

	"headroom/internal/fault"
)

// Sizes that files may have at most, in bytes. Common practice, no source: a hundred times what is usual.
const (
	YAML  = 256 << 10 // configuration, platforms, revisions, channels.yaml: a few hundred lines
	Table = 64 << 20  // lists and calibration tables: the longest list has a line a log
)

// Open opens a regular file of at most limit bytes and gives its size. The error is a *fault.Fault without the file's
// name when it is another kind of file or larger, and the system's own when it cannot be opened. It never waits for a
// pipe's other end.
func Open(name string, limit int64) (*os.File, int64, error) {
	info, err := os.Stat(name) // before opening, which alone can set a device going
	if err != nil {
		return nil, 0, err
	}
	if err := check(info, limit); err != nil {
		return nil, 0, err
	}
	f, err := os.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0) // it may be another file by now
	if err != nil {
		return nil, 0, err
	}
	if info, err = f.Stat(); err == nil {
		err = check(info, limit)
	}
	if err != nil {
		return nil, 0, errors.Join(err, f.Close())
	}
	return f, info.Size(), nil
}

// Read reads a file of a workspace as a whole, with the conditions and errors of Open.
func Read(fsys fs.FS, name string, limit int64) ([]byte, error) {
	info, err := fs.Stat(fsys, name)
	if err != nil {
		return nil, err
	}
	if err := check(info, limit); err != nil {
		return nil, err
	}
	f, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if int64(len(data)) > limit {
		return nil, tooLarge(limit) // it grew meanwhile
	}
	return data, err
}

func check(info fs.FileInfo, limit int64) error {
	switch {
	case info.IsDir():
		return &fault.Fault{What: "is a directory", Remedy: "name a file in it"}
	case !info.Mode().IsRegular():
		return &fault.Fault{What: "is not a regular file", Remedy: "copy its content to a file first"}
	case info.Size() > limit:
		return tooLarge(limit)
	}
	return nil
}

func tooLarge(limit int64) error {
	return &fault.Fault{What: fmt.Sprintf("is larger than the reader's limit of %d bytes", limit),
		Remedy: "split it, or move what does not belong there out of the folder"}
}
