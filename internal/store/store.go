// Package store keeps the evidence of a workspace: a Hive-partitioned Parquet dataset and a catalogue that says which
// log each part came from. It answers two questions: what evidence is there, and is it still what the logs say?
//
// Layout, below WORKSPACE/.headroom:
//
//	evidence/platform=…/vehicle=…/part-<first 32 hex digits of its SHA-256>.parquet   one part a log, zstd
//	catalogue.jsonl                                                                   one line a log, sorted by path
//	lock                                                                              held while writing
//
// Everything here is derived: deleting the directory and ingesting the same files again gives the same bytes. No
// clock enters a file; the catalogue carries the logs' own modification times, by which unchanged logs are skipped.
// Parts are named by their content and written by temporary file and rename; the catalogue is replaced last, in one
// step, and readers follow only the catalogue. A process killed at any moment therefore leaves the previous state
// plus files nobody refers to, which the next writer removes.
//
// In a part a float that was not measured is NaN, as in evidence.Row; no column is null. Platform and vehicle stand
// both in the path (escaped, see Escape) and in columns of the same name.
package store

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"unicode/utf8"

	"github.com/gofrs/flock"

	"headroom/internal/evidence"
	"headroom/internal/landmark"
	"headroom/internal/plainfile"
)

// DirName is the store's directory in a workspace.
const DirName = ".headroom"

// Names below it.
const (
	evidenceDir   = "evidence"
	catalogueName = "catalogue.jsonl"
	lockName      = "lock"
)

// ErrLocked says that another process is writing the store.
var ErrLocked = errors.New("another headroom process is writing the evidence store: wait for it to end and try again")

// Store is the evidence of one workspace. Reading needs no lock. Put, Remove and Commit need Lock; Put may be called
// from several goroutines.
type Store struct {
	root string // the store's directory

	mu      sync.Mutex
	sources map[string]Source
	stale   []string // parts that no source refers to once the catalogue is written
	lock    *flock.Flock
}

// Open reads the catalogue of the store in dir (WORKSPACE/.headroom). Where there is none the store is empty; nothing
// is created.
func Open(dir string) (*Store, error) {
	s := &Store{root: dir}
	if err := s.load(); err != nil {
		return nil, err
	}
	return s, nil
}

// Dir is the store's directory.
func (s *Store) Dir() string { return s.root }

// Lock takes the store for writing, reads the catalogue again and removes what a killed writer may have left behind.
// It does not wait: ErrLocked when another writer holds it. The returned function gives the store back; what was not
// committed by then is forgotten.
func (s *Store) Lock() (unlock func() error, err error) {
	if err := os.MkdirAll(s.root, 0o755); err != nil {
		return nil, fmt.Errorf("evidence store: %w", err)
	}
	lock := flock.New(filepath.Join(s.root, lockName))
	ok, err := lock.TryLock()
	if err != nil {
		return nil, fmt.Errorf("evidence store: lock: %w", err)
	}
	if !ok {
		return nil, ErrLocked
	}
	if err := errors.Join(s.load(), s.sweep()); err != nil {
		return nil, errors.Join(err, lock.Unlock())
	}
	s.lock = lock
	return s.unlock, nil
}

func (s *Store) unlock() error {
	lock := s.lock
	s.lock = nil
	return errors.Join(s.load(), lock.Unlock())
}

// Put writes the rows of one log as a part and enters the log into the catalogue, in place of an earlier entry of the
// same path. All rows must carry the source's platform and vehicle. No rows: no part. The rows are sorted in place.
// Part, PartSHA256, Rows and Evidence of the entry are filled here.
func (s *Store) Put(source Source, rows []evidence.Row) error {
	if !utf8.ValidString(source.Path) { // two such names could be one in the catalogue
		return fmt.Errorf("evidence store: %q is not UTF-8", source.Path)
	}
	source.Rows, source.Evidence = len(rows), EvidenceVersion()
	source.Part, source.PartSHA256 = "", ""
	if len(rows) > 0 {
		if err := s.writePart(&source, rows); err != nil {
			return fmt.Errorf("evidence of %s: %w", source.Path, err)
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.lock == nil {
		return errors.New("evidence store: written to without the lock")
	}
	s.retire(source.Path)
	s.sources[source.Path] = source
	return nil
}

func (s *Store) writePart(source *Source, rows []evidence.Row) error {
	for i := range rows {
		if rows[i].Platform != source.Platform || rows[i].Vehicle != source.Vehicle {
			return fmt.Errorf("row %d is of platform %q and vehicle %q, the log of %q and %q",
				i, rows[i].Platform, rows[i].Vehicle, source.Platform, source.Vehicle)
		}
	}
	slices.SortFunc(rows, compareRows)
	data, err := encode(rows)
	if err != nil {
		return err
	}
	source.PartSHA256 = hexSum(data)
	source.Part = partPath(source.Platform, source.Vehicle, source.PartSHA256)
	name := s.path(source.Part)
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return err
	}
	return plainfile.Write(name, data)
}

// Remove takes a log out of the catalogue; its part goes with the next Commit. An unknown path is no error.
func (s *Store) Remove(path string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.lock == nil {
		return errors.New("evidence store: written to without the lock")
	}
	s.retire(path)
	return nil
}

// Touch replaces the size and modification time known of a log whose content has not changed.
func (s *Store) Touch(source Source) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.lock == nil {
		return errors.New("evidence store: written to without the lock")
	}
	if _, ok := s.sources[source.Path]; !ok {
		return fmt.Errorf("evidence store: %s is not in the catalogue", source.Path)
	}
	s.sources[source.Path] = source
	return nil
}

// retire drops an entry and marks its part for removal.
func (s *Store) retire(path string) {
	if old, ok := s.sources[path]; ok && old.Part != "" {
		s.stale = append(s.stale, old.Part)
	}
	delete(s.sources, path)
}

// Commit replaces the catalogue by the present state in one step and then removes the parts it no longer names.
// Until it returns, readers see the state before.
func (s *Store) Commit() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.lock == nil {
		return errors.New("evidence store: committed without the lock")
	}
	data, err := encodeCatalogue(s.sorted())
	if err != nil {
		return fmt.Errorf("evidence store: catalogue: %w", err)
	}
	if err := plainfile.Write(s.path(catalogueName), data); err != nil {
		return fmt.Errorf("evidence store: catalogue: %w", err)
	}
	used := s.parts()
	for _, part := range s.stale {
		if used[part] {
			continue
		}
		if err := s.removePart(part); err != nil {
			return fmt.Errorf("evidence store: %w", err)
		}
	}
	s.stale = nil
	return nil
}

// removePart removes a part and the partition directories it leaves empty.
func (s *Store) removePart(part string) error {
	if err := os.Remove(s.path(part)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for dir := filepath.Dir(s.path(part)); dir != s.root; dir = filepath.Dir(dir) {
		if entries, err := os.ReadDir(dir); err != nil || len(entries) > 0 {
			return nil
		}
		if err := os.Remove(dir); err != nil {
			return err
		}
	}
	return nil
}

// sweep removes files that the catalogue does not name and temporary files of the catalogue. Only a writer may call
// it, with the lock held.
func (s *Store) sweep() error {
	orphans, err := s.orphans()
	if err != nil {
		return err
	}
	for _, name := range orphans {
		if err := s.removePart(name); err != nil {
			return fmt.Errorf("evidence store: %w", err)
		}
	}
	return nil
}

// orphans lists files of the store that the catalogue does not name, relative to the store, sorted.
func (s *Store) orphans() ([]string, error) {
	var out []string
	leftovers, err := filepath.Glob(s.path("." + catalogueName + "*"))
	if err != nil {
		return nil, fmt.Errorf("evidence store: %w", err)
	}
	for _, name := range leftovers {
		out = append(out, filepath.Base(name))
	}
	used := s.parts()
	err = filepath.WalkDir(s.path(evidenceDir), func(name string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(s.root, name)
		if rel = filepath.ToSlash(rel); err == nil && !used[rel] {
			out = append(out, rel)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("evidence store: %w", err)
	}
	slices.Sort(out)
	return out, nil
}

// parts is the set of parts the catalogue names.
func (s *Store) parts() map[string]bool {
	used := make(map[string]bool, len(s.sources))
	for _, source := range s.sources {
		used[source.Part] = true
	}
	return used
}

// Catalogue returns every log the store knows, sorted by path.
func (s *Store) Catalogue() []Source {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.sorted()
}

// Source returns the catalogue entry of one log.
func (s *Store) Source(path string) (Source, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	source, ok := s.sources[path]
	return source, ok
}

// Has reports whether the part of an entry is in place (its content is checked when it is read).
func (s *Store) Has(source Source) bool {
	if source.Part == "" {
		return true
	}
	info, err := os.Stat(s.path(source.Part))
	return err == nil && info.Mode().IsRegular()
}

// Landmarks are what the logs that could be read show of other cars' landmarks, sorted by path.
func (s *Store) Landmarks() []landmark.Log {
	var out []landmark.Log
	for _, source := range s.Catalogue() {
		if source.Status == StatusOK {
			out = append(out, landmark.Log{Path: source.Path, Platform: source.Platform, Vehicle: source.Vehicle,
				Readings: source.Landmarks})
		}
	}
	return out
}

func (s *Store) sorted() []Source {
	return slices.SortedFunc(maps.Values(s.sources), func(a, b Source) int { return cmp.Compare(a.Path, b.Path) })
}

// Digest is the SHA-256, in hex, over what the store holds: every log's path, content and setup and every part's
// content. Modification times do not enter. A part that is not in place is an error, since what the digest stands for
// could not be read.
func (s *Store) Digest() (string, error) {
	h := sha256.New()
	for _, source := range s.Catalogue() {
		if !s.Has(source) {
			return "", fmt.Errorf("evidence of %s: %s is not there: run ingest again", source.Path, source.Part)
		}
		fmt.Fprintf(h, "%q %s %s %s %s %q %s\n", source.Path, source.SHA256, source.Setup, source.Evidence,
			source.Status, source.Error, source.PartSHA256)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func (s *Store) path(rel string) string { return filepath.Join(s.root, filepath.FromSlash(rel)) }

func hexSum(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// partPath is where a part stands, relative to the store.
func partPath(platform, vehicle, sum string) string {
	return strings.Join([]string{evidenceDir, "platform=" + Escape(platform), "vehicle=" + Escape(vehicle),
		"part-" + sum[:32] + ".parquet"}, "/")
}
