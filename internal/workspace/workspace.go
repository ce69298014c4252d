// Package workspace answers: what does this shop know about its fleet, and which part of it cannot be used and why?
//
// It finds and reads a workspace (configuration, platforms, vehicles, revisions with their tables, run logs, outcomes),
// converts every number to the stored units once, and checks it. A bad item becomes a fault that names file, line,
// key or cell and the remedy; the item is left out and the rest stays usable. The package is also the one home of
// hazards, limit metrics, severities and default thresholds. It computes nothing from a publication; valid ranges and
// thresholds are common practice, no source, unless marked. File formats are described in docs/workspace.md.
package workspace

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"headroom/internal/fault"
	"headroom/internal/plainfile"
)

// Find returns the nearest directory at or above start that holds headroom.yaml.
func Find(start string) (string, error) {
	abs, err := filepath.Abs(start)
	if err != nil {
		return "", fmt.Errorf("workspace: %w", err)
	}
	for dir := abs; ; dir = filepath.Dir(dir) {
		info, err := os.Stat(filepath.Join(dir, ConfigFile))
		if err == nil && info.Mode().IsRegular() {
			return dir, nil
		}
		if dir == filepath.Dir(dir) {
			return "", fmt.Errorf("no %s in %s or any directory above it; make a workspace with: headroom init DIR, "+
				"or name one with -C DIR", ConfigFile, abs)
		}
	}
}

// Open reads and checks the workspace in dir. It fails only when the workspace as a whole is unusable: headroom.yaml
// is missing or invalid. Everything else that is wrong is listed in Problems, sorted, and left out.
func Open(dir string) (*Workspace, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("workspace %s: %w", dir, err)
	}
	fsys := os.DirFS(abs)
	data, err := plainfile.Read(fsys, ConfigFile, plainfile.YAML)
	if err != nil {
		return nil, fmt.Errorf("workspace %s: %s: %s; make a workspace with: headroom init DIR", dir, ConfigFile,
			readFailure(err))
	}
	cfg, problems, fatal := readConfig(ConfigFile, data)
	if len(fatal) > 0 {
		return nil, fmt.Errorf("workspace %s: %w", dir, joined(fatal))
	}
	w := &Workspace{
		Dir: abs, Config: cfg, Problems: problems,
		Platforms: map[string]*Platform{}, Vehicles: map[string]*Vehicle{}, Revisions: map[string]*Revision{},
		vehicleRows: map[string]int{},
	}
	platformFiles := w.readPlatforms(fsys)
	if data, ok := w.readOptional(fsys, "vehicles.csv"); ok {
		w.vehicles("vehicles.csv", data, platformFiles)
	}
	w.readRevisions(fsys, platformFiles)
	overrides := map[string]*override{}
	if data, ok := w.readOptional(fsys, "runs.csv"); ok {
		overrides = w.readOverrides("runs.csv", data)
	}
	w.readRuns(fsys, overrides)
	if data, ok := w.readOptional(fsys, "outcomes.csv"); ok {
		w.outcomes("outcomes.csv", data)
	}
	w.Problems = fault.Sorted(w.Problems)
	return w, nil
}

func joined(ps []fault.Fault) error {
	errs := make([]error, len(ps))
	for i, p := range fault.Sorted(ps) {
		errs[i] = &p
	}
	return errors.Join(errs...)
}

func isMissing(err error) bool { return errors.Is(err, fs.ErrNotExist) }

// readOptional reads a file that may be absent.
func (w *Workspace) readOptional(fsys fs.FS, rel string) ([]byte, bool) {
	data, err := plainfile.Read(fsys, rel, plainfile.Table)
	if err != nil && !isMissing(err) {
		w.Problems = append(w.Problems, unreadable(rel, err))
	}
	return data, err == nil
}

// readPlatforms reads platforms/*.yaml and returns the file of each id, read or not.
func (w *Workspace) readPlatforms(fsys fs.FS) map[string]string {
	files := map[string]string{}
	for _, name := range w.list(fsys, "platforms") {
		ext := path.Ext(name)
		if ext != ".yaml" && ext != ".yml" {
			continue
		}
		rel, id := path.Join("platforms", name), strings.TrimSuffix(name, ext)
		if first, twice := files[id]; twice {
			w.Problems = append(w.Problems, fault.Fault{File: rel, Where: "id", What: fmt.Sprintf("platform %s is "+
				"already in %s; this file is left out", id, first), Remedy: "keep one file per platform"})
			continue
		}
		files[id] = rel
		data, err := plainfile.Read(fsys, rel, plainfile.YAML)
		if err != nil {
			w.Problems = append(w.Problems, unreadable(rel, err))
			continue
		}
		p, problems := readPlatform(rel, id, data, w.Config)
		w.Problems = append(w.Problems, problems...)
		if p != nil {
			w.Platforms[id] = p
		}
	}
	return files
}

func (w *Workspace) readRevisions(fsys fs.FS, platformFiles map[string]string) {
	read, lines := map[string]*Revision{}, map[string]int{}
	for _, name := range w.list(fsys, "revisions") {
		info, err := fs.Stat(fsys, path.Join("revisions", name))
		if err != nil || !info.IsDir() {
			continue
		}
		w.revisionDirs = append(w.revisionDirs, name)
		r, parentLine := w.readRevision(fsys, name, platformFiles)
		if r != nil {
			read[name], lines[name] = r, parentLine
		}
	}
	w.checkParents(read, lines)
}

// list returns the names in a directory in order, without hidden ones; none when it does not exist.
func (w *Workspace) list(fsys fs.FS, dir string) []string {
	entries, err := fs.ReadDir(fsys, dir)
	if err != nil && !isMissing(err) {
		w.Problems = append(w.Problems, unreadable(dir, err))
	}
	var out []string
	for _, e := range entries {
		switch {
		case !utf8.ValidString(e.Name()):
			w.Problems = append(w.Problems, misnamed(path.Join(dir, e.Name())))
		case !strings.HasPrefix(e.Name(), "."):
			out = append(out, e.Name())
		}
	}
	slices.Sort(out)
	return out
}
