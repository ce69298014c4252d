package store

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"headroom/internal/fault"
	"headroom/internal/plainfile"
)

// Kinds of mismatch that Verify finds.
const (
	MismatchPartMissing   = "part_missing"   // the catalogue names a part that is not there
	MismatchPartChanged   = "part_changed"   // the part is not what was written
	MismatchSourceMissing = "source_missing" // the log is gone
	MismatchSourceChanged = "source_changed" // the log is not what was ingested
	MismatchStale         = "stale"          // made by other rules than today's
	MismatchOrphan        = "orphan"         // a file that the catalogue does not name
)

// Mismatch is one thing in the store that does not agree with its catalogue or its sources, with the remedy.
type Mismatch struct {
	Kind   string
	Path   string // of the log (as in the catalogue), or of the file in the store
	Detail string
}

// Verify compares every part with its digest in the catalogue and every log with the content that was ingested, in
// the catalogue's order, orphans last. What cannot be read, or is a log of more than limit bytes, counts as changed.
// locate gives the file of a log named in the catalogue, false when the workspace no longer has it. The error is for a
// store whose files cannot be listed.
func (s *Store) Verify(limit int64, locate func(path string) (file string, ok bool)) ([]Mismatch, error) {
	var out []Mismatch
	for _, source := range s.Catalogue() {
		out = append(out, s.verifySource(source, limit, locate)...)
	}
	orphans, err := s.orphans()
	if err != nil {
		return nil, err
	}
	for _, name := range orphans {
		out = append(out, Mismatch{MismatchOrphan, name, "not named in the catalogue; the next ingest removes it"})
	}
	return out, nil
}

func (s *Store) verifySource(source Source, limit int64, locate func(string) (string, bool)) []Mismatch {
	var out []Mismatch
	add := func(kind, format string, args ...any) {
		out = append(out, Mismatch{kind, source.Path, fmt.Sprintf(format, args...)})
	}
	if source.Part != "" {
		sum, err := HashFile(s.path(source.Part), maxPart)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			add(MismatchPartMissing, "%s is not there; ingest makes it again", source.Part)
		case err != nil:
			add(MismatchPartChanged, "%v; delete %s and ingest again", err, DirName)
		case sum != source.PartSHA256:
			add(MismatchPartChanged, "%s has SHA-256 %.12s…, the catalogue says %.12s…; delete %s and ingest again",
				source.Part, sum, source.PartSHA256, DirName)
		}
	}
	if source.Evidence != EvidenceVersion() {
		add(MismatchStale, "made by %s, now %s; ingest reads the log again", source.Evidence, EvidenceVersion())
	}
	file, ok := locate(source.Path)
	if !ok {
		add(MismatchSourceMissing, "the workspace no longer has this log; ingest takes its rows out")
		return out
	}
	sum, err := HashFile(file, limit)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		add(MismatchSourceMissing, "the log is gone; ingest takes its rows out")
	case err != nil:
		add(MismatchSourceChanged, "%v; ingest takes its rows out", err)
	case sum != source.SHA256:
		add(MismatchSourceChanged, "the log has SHA-256 %.12s…, ingested was %.12s…; ingest reads it again", sum,
			source.SHA256)
	}
	return out
}

// maxPart is the size that a part may have at most, in bytes: more than the longest log gives.
const maxPart = 4 << 30

// HashFile returns the SHA-256 of a file in hex. The file must be one that plainfile.Open takes.
func HashFile(name string, limit int64) (string, error) {
	f, _, err := plainfile.Open(name, limit)
	if err != nil {
		return "", fault.Name(err, name)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, io.LimitReader(f, limit)); err != nil {
		return "", fmt.Errorf("%s: %w", name, err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
