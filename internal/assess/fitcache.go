package assess

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// keptFit returns the kept fit when it was made from the same evidence, files and tool, and else fits and keeps it.
// A kept fit that cannot be read is made again: it is derived state. digest is what it depends on.
func (j *Job) keptFit(p *state.Platform, digest string, read func() ([]evidence.Row, error)) (*fleet.Fleet, error) {
	path := filepath.Join(j.ws.Dir, store.DirName, "fits", store.Escape(p.ID)+".json")
	if f, ok := fleet.ReadFit(path, digest); ok {
		return fleet.New(p, f), nil
	}
	rows, err := read()
	if err != nil {
		return nil, err
	}
	f, err := fleet.Learn(p, j.ws.Config.Decision, rows)
	if err != nil {
		return nil, err
	}
	if err := fleet.WriteFit(path, digest, f.Fit); err != nil {
		return nil, fmt.Errorf("keep the fit of platform %s: %w", p.ID, err)
	}
	return f, nil
}

// fitDigest covers what a fit depends on: the tool and its metrics, the platform file, headroom.yaml, the platform's
// evidence and the tables it was logged on. Other revisions are not among them, so a new proposal is scored on
// the kept fit.
func (j *Job) fitDigest(p *state.Platform) (string, error) {
	h := sha256.New()
	fmt.Fprintln(h, fleet.FitVersion, j.version, metric.All())
	for _, name := range []string{workspace.ConfigFile, p.File} {
		b, err := os.ReadFile(filepath.Join(j.ws.Dir, filepath.FromSlash(name)))
		if err != nil {
			return "", fmt.Errorf("platform %s: %w", p.ID, err)
		}
		h.Write(b)
	}
	for _, s := range j.store.Catalogue() {
		if s.Platform == p.ID {
			fmt.Fprintln(h, s.Path, s.PartSHA256)
			p.WriteTables(h, s.Revision)
		}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
