package store

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"headroom/internal/landmark"
)

const catalogueSchema = "headroom/catalogue/1"

// Status of a log in the catalogue.
const (
	StatusOK     = "ok"
	StatusFailed = "failed" // could not be read; Error says why, and it has no rows
)

// Source is one line of the catalogue: a log and what became of it.
type Source struct {
	// relative to the workspace, slash-separated; a pseudonym when the workspace asks for one
	Path     string    `json:"path"`
	Size     int64     `json:"size"`     // bytes
	ModTime  time.Time `json:"mod_time"` // of the file, UTC
	SHA256   string    `json:"sha256"`   // of the file, hex
	Platform string    `json:"platform"`
	Vehicle  string    `json:"vehicle"`
	Revision string    `json:"revision"`
	Setup    string    `json:"setup"`    // digest of everything besides the log that the rows depend on
	Evidence string    `json:"evidence"` // EvidenceVersion by which the rows were made
	Status   string    `json:"status"`
	Error    string    `json:"error,omitempty"`
	Rows     int       `json:"rows"`
	Pulls    int       `json:"pulls"`
	Steady   int       `json:"steady"`
	Findings int       `json:"findings"`
	Unused   []Unused  `json:"unused,omitempty"` // what the log was not read for
	// the surrounding air had to be assumed
	AssumedAir bool `json:"assumed_air,omitempty"`
	// what the log shows that can be held against other cars
	Landmarks  []landmark.Reading `json:"landmarks,omitempty"`
	Part       string             `json:"part,omitempty"` // relative to the store, "" without rows
	PartSHA256 string             `json:"part_sha256,omitempty"`
}

// Unused is a channel that a log was not read for.
type Unused struct {
	Channel string `json:"channel"`
	Lack    string `json:"lack"`             // what the column lacks to be read as it
	Header  string `json:"header,omitempty"` // of the column, "" without one
	Unit    string `json:"unit,omitempty"`   // in which it would be read, "" where that is open
	// hazards of which the log cannot tell, among other reasons for want of it
	Costs []string `json:"costs,omitempty"`
}

type catalogueHeader struct {
	Schema string `json:"schema"`
}

// load replaces the state in memory by the catalogue on disk.
func (s *Store) load() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sources, s.stale = map[string]Source{}, nil
	data, err := os.ReadFile(s.path(catalogueName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("evidence store: catalogue: %w", err)
	}
	sources, err := decodeCatalogue(data)
	if err != nil {
		return fmt.Errorf("evidence store: %s/%s: %w: delete %s and ingest again", DirName, catalogueName, err, DirName)
	}
	s.sources = sources
	return nil
}

func encodeCatalogue(sources []Source) ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	if err := e.Encode(catalogueHeader{catalogueSchema}); err != nil {
		return nil, err
	}
	for _, source := range sources {
		if err := e.Encode(source); err != nil {
			return nil, fmt.Errorf("%s: %w", source.Path, err)
		}
	}
	return out.Bytes(), nil
}

func decodeCatalogue(data []byte) (map[string]Source, error) {
	lines := bufio.NewScanner(bytes.NewReader(data))
	lines.Buffer(nil, 1<<20)
	var header catalogueHeader
	sources := map[string]Source{}
	for n := 1; lines.Scan(); n++ {
		if n == 1 {
			if err := json.Unmarshal(lines.Bytes(), &header); err != nil || header.Schema != catalogueSchema {
				return nil, fmt.Errorf("line 1 does not say schema %s", catalogueSchema)
			}
			continue
		}
		var source Source
		if err := json.Unmarshal(lines.Bytes(), &source); err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		if source.Path == "" {
			return nil, fmt.Errorf("line %d names no path", n)
		}
		if _, twice := sources[source.Path]; twice {
			return nil, fmt.Errorf("line %d names %s a second time", n, source.Path)
		}
		sources[source.Path] = source
	}
	if err := lines.Err(); err != nil {
		return nil, err
	}
	if header.Schema == "" {
		return nil, errors.New("is empty")
	}
	return sources, nil
}
