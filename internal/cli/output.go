package cli

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"

	"headroom/internal/plainfile"
	"headroom/internal/report"
	"headroom/internal/report/show"
	"headroom/internal/workspace"
)

// print renders a result once and sends it to standard output or to --output. base names the file when --output is a
// folder, for example "review-rev-0142-c".
func (e *env) print(base string, display workspace.Display, render func(w *bytes.Buffer, f report.Format,
	opt report.Options) error) error {
	f, err := report.ParseFormat(e.format)
	if err != nil {
		return usageError{err}
	}
	opt := report.Options{Width: e.width(), Units: show.Units(display), Colour: e.colour() && e.output == ""}
	var buf bytes.Buffer
	if err := render(&buf, f, opt); err != nil {
		return err
	}
	if e.output == "" || e.isOut(e.output) {
		_, err := e.out.Write(buf.Bytes())
		return err
	}
	path := e.output
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, base+"."+extension(f))
	}
	if err := plainfile.Write(path, buf.Bytes()); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	e.note("wrote %s", path)
	return nil
}

// isOut reports whether a path leads to standard output itself, which may be a file that holds more than this result.
func (e *env) isOut(path string) bool {
	f, ok := e.out.(*os.File)
	if !ok {
		return false
	}
	out, err := f.Stat()
	if err != nil {
		return false
	}
	info, err := os.Stat(path)
	return err == nil && os.SameFile(out, info)
}

func extension(f report.Format) string {
	if f == report.Table {
		return "txt"
	}
	return string(f)
}
