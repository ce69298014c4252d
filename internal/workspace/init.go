package workspace

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"text/template"
)

//go:embed template
var templates embed.FS

// Init writes an empty, commented workspace into dir, which is made if need be. A directory that already holds
// headroom.yaml is refused. Files that are there already are left as they are. headroom.yaml is written last, so an
// interrupted Init can simply be repeated.
func Init(dir string) error {
	config := filepath.Join(dir, ConfigFile)
	if _, err := os.Lstat(config); err == nil {
		return fmt.Errorf("%s is already there: %s is a workspace; name another directory", config, dir)
	}
	var text bytes.Buffer
	t, err := template.ParseFS(templates, "template/headroom.yaml.tmpl")
	if err != nil {
		return fmt.Errorf("workspace template: %w", err)
	}
	if err := t.Execute(&text, Defaults()); err != nil {
		return fmt.Errorf("workspace template: %w", err)
	}
	for _, name := range []string{"platforms/example.yaml.txt", "revisions/README.txt", "runs/README.txt",
		"channels.yaml.txt"} {
		data, err := fs.ReadFile(templates, "template/"+name)
		if err != nil {
			return fmt.Errorf("workspace template: %w", err)
		}
		if err := writeNew(filepath.Join(dir, filepath.FromSlash(name)), data); err != nil {
			return err
		}
	}
	header := []byte(strings.Join(vehicleColumns, ",") + "\n")
	if err := writeNew(filepath.Join(dir, "vehicles.csv"), header); err != nil {
		return err
	}
	return writeNew(config, text.Bytes())
}

// writeNew writes a file with its directories; a file that exists is left alone.
func writeNew(name string, data []byte) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return fmt.Errorf("making the workspace: %w", err)
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("making the workspace: %w", err)
	}
	_, err = f.Write(data)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("making the workspace: %w", err)
	}
	return nil
}
