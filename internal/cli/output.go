package cli

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"

	"github.com/google/renameio/v2"

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
	if e.output == "" {
		_, err := e.out.Write(buf.Bytes())
		return err
	}
	path := e.output
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, base+"."+extension(f))
	}
	if err := renameio.WriteFile(path, buf.Bytes(), 0o644); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	e.note("wrote %s", path)
	return nil
}

func extension(f report.Format) string {
	if f == report.Table {
		return "txt"
	}
	return string(f)
}
