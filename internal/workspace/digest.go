package workspace

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"unicode/utf8"

	"headroom/internal/fault"
	"headroom/internal/plainfile"
)

// Digest returns the SHA-256, in hex, over the names and bytes of all workspace files that a result depends on:
// headroom.yaml, channels.yaml, vehicles.csv, runs.csv, outcomes.csv, platforms/ and revisions/ (YAML and CSV), in
// sorted order. Run logs are not in it (the store keeps their digests), nor is anything derived.
func (w *Workspace) Digest() (string, error) {
	fsys := os.DirFS(w.Dir)
	files := []string{}
	for _, name := range []string{ConfigFile, "channels.yaml", "vehicles.csv", "runs.csv", "outcomes.csv"} {
		if _, err := fs.Stat(fsys, name); err == nil {
			files = append(files, name)
		}
	}
	for _, dir := range []string{"platforms", "revisions"} {
		err := fs.WalkDir(fsys, dir, func(p string, d fs.DirEntry, err error) error {
			if !utf8.ValidString(p) { // no result depends on it: it is left out
				return passOver(d)
			}
			if err != nil {
				if p == dir && isMissing(err) {
					return nil
				}
				return err
			}
			ext := strings.ToLower(path.Ext(p))
			if !d.IsDir() && (ext == ".yaml" || ext == ".yml" || ext == ".csv") {
				files = append(files, p)
			}
			return nil
		})
		if err != nil {
			return "", fmt.Errorf("workspace digest: %w", err)
		}
	}
	slices.Sort(files)
	h := sha256.New()
	for _, p := range files {
		data, err := plainfile.Read(fsys, p, plainfile.Table)
		var refused *fault.Fault
		if errors.As(err, &refused) { // it was left out, and why is what results depend on
			data = []byte(refused.What)
		} else if err != nil {
			return "", fmt.Errorf("workspace digest: %w", err)
		}
		fmt.Fprintf(h, "%d:%s%d:", len(p), p, len(data)) // lengths keep neighbouring files apart
		h.Write(data)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// passOver passes over a file, or a folder with all below it.
func passOver(d fs.DirEntry) error {
	if d.IsDir() {
		return fs.SkipDir
	}
	return nil
}
