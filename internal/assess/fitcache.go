package assess

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/google/renameio/v2"

	"headroom/internal/evidence"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// fitFile is a platform's fit as kept under .headroom/fits, with the digest of everything it depends on.
type fitFile struct {
	Digest    string           `json:"digest"`
	Fit       *platformFit     `json:"fit"`
	Envelopes []fitFileSection `json:"envelopes"`
}

// fitFileSection is one envelope with the key a map cannot carry into JSON.
type fitFileSection struct {
	Kind     string       `json:"kind"`
	Class    string       `json:"class"`
	Metric   string       `json:"metric"`
	Cell     cellKey      `json:"cell"`
	Side     float64      `json:"side"`
	Envelope EnvelopeCell `json:"envelope"`
}

// cachedFit returns the kept fit when it was made from the same evidence, files and tool, and else fits and keeps it.
// A kept fit that cannot be read is made again: it is derived state.
func (j *Job) cachedFit(p *platform, read func() ([]evidence.Row, error)) (*platformFit, error) {
	digest, err := j.fitDigest(p)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(j.ws.Dir, store.DirName, "fits", store.Escape(p.ID)+".json")
	if f, ok := readFit(path, digest); ok {
		return f, nil
	}
	rows, err := read()
	if err != nil {
		return nil, err
	}
	f, err := p.fitPlatform(rows)
	if err != nil {
		return nil, err
	}
	if err := writeFit(path, digest, f); err != nil {
		return nil, fmt.Errorf("keep the fit of platform %s: %w", p.ID, err)
	}
	return f, nil
}

// fitVersion is part of a kept fit's digest: raise it with every change to how a platform is fitted.
const fitVersion = 12

// fitDigest covers what a fit depends on: the platform file, headroom.yaml and the platform's evidence. Revisions are
// not among them, so a new proposal is scored on the kept fit.
func (j *Job) fitDigest(p *platform) (string, error) {
	h := sha256.New()
	fmt.Fprintln(h, fitVersion, j.version)
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
		}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func readFit(path, digest string) (*platformFit, bool) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, false
	}
	var file fitFile
	if json.Unmarshal(b, &file) != nil || file.Digest != digest || file.Fit == nil {
		return nil, false
	}
	file.Fit.Envelopes = map[envelopeKey]EnvelopeCell{}
	for _, e := range file.Envelopes {
		file.Fit.Envelopes[envelopeKey{e.Kind, e.Class, e.Metric, e.Cell, e.Side}] = e.Envelope
	}
	return file.Fit, true
}

func writeFit(path, digest string, f *platformFit) error {
	file := fitFile{Digest: digest, Fit: f, Envelopes: []fitFileSection{}}
	for _, k := range f.envelopeKeys() {
		file.Envelopes = append(file.Envelopes, fitFileSection{k.kind, k.class, k.metric, k.cell, k.side,
			f.Envelopes[k]})
	}
	b, err := json.Marshal(file)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	return renameio.WriteFile(path, b, 0o644)
}
