package runlog

import (
	"errors"
	"fmt"
)

// FileError says what is wrong with a log or a channel map, where, and what would mend it.
type FileError struct {
	File   string
	Line   int    // 1-based; 0 when the whole file is meant
	What   string // what is wrong
	Remedy string // what would be right
	Err    error  // underlying error, nil when there is none
}

// Error gives file, line, fault and remedy in one line.
func (e *FileError) Error() string {
	where := e.File
	if e.Line > 0 {
		where = fmt.Sprintf("%s:%d", e.File, e.Line)
	}
	text := where + ": " + e.What
	if e.Err != nil {
		text += ": " + e.Err.Error()
	}
	if e.Remedy != "" {
		text += "; " + e.Remedy
	}
	return text
}

// Unwrap returns the underlying error.
func (e *FileError) Unwrap() error { return e.Err }

// named sets the file name of a FileError that was made where the name is not known.
func named(err error, file string) error {
	var fe *FileError
	if errors.As(err, &fe) && fe.File == "" {
		fe.File = file
	}
	return err
}
