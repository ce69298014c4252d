package store

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"sync"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"headroom/internal/evidence"
)

// EvidenceVersion names the rules and the columns by which rows are made: evidence.Version and a digest of the row's
// schema. Logs ingested under another one are read again.
var EvidenceVersion = sync.OnceValue(func() string {
	schema := parquet.SchemaOf(evidence.Row{}).String()
	return evidence.Version + "+" + hexSum([]byte(schema))[:8]
})

// Filter selects evidence; an empty field selects everything.
type Filter struct {
	Platform, Vehicle, Revision string
}

func (f Filter) match(s Source) bool {
	return (f.Platform == "" || f.Platform == s.Platform) &&
		(f.Vehicle == "" || f.Vehicle == s.Vehicle) &&
		(f.Revision == "" || f.Revision == s.Revision)
}

// Rows reads the selected evidence, sorted by platform, vehicle, revision, run, segment, speed and load. Only the
// parts that match are read, and each is checked against its digest. An error names the part or log at fault and the
// remedy; a store made by other rules (EvidenceVersion) is an error too.
func (s *Store) Rows(filter Filter) ([]evidence.Row, error) {
	rows, err := s.rows(filter)
	if !errors.Is(err, fs.ErrNotExist) {
		return rows, err
	}
	// A writer may have replaced the part since the catalogue was read.
	if err := s.reload(); err != nil {
		return nil, err
	}
	return s.rows(filter)
}

// reload reads the catalogue again, unless this store is the writer.
func (s *Store) reload() error {
	if s.lock != nil {
		return nil
	}
	return s.load()
}

func (s *Store) rows(filter Filter) ([]evidence.Row, error) {
	var out []evidence.Row
	for _, source := range s.Catalogue() {
		if source.Part == "" || !filter.match(source) {
			continue
		}
		if source.Evidence != EvidenceVersion() {
			return nil, fmt.Errorf("evidence of %s was made by other rules (%s, now %s): run ingest again", source.Path,
				source.Evidence, EvidenceVersion())
		}
		rows, err := s.readPart(source)
		if err != nil {
			return nil, fmt.Errorf("evidence of %s: %w: delete %s and ingest again", source.Path, err, DirName)
		}
		out = append(out, rows...)
	}
	slices.SortStableFunc(out, compareRows)
	return out, nil
}

func (s *Store) readPart(source Source) ([]evidence.Row, error) {
	data, err := os.ReadFile(s.path(source.Part))
	if err != nil {
		return nil, err
	}
	if sum := hexSum(data); sum != source.PartSHA256 {
		return nil, fmt.Errorf("%s has SHA-256 %.12s…, the catalogue says %.12s…", source.Part, sum, source.PartSHA256)
	}
	rows, err := parquet.Read[evidence.Row](bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", source.Part, err)
	}
	return rows, nil
}

// compareRows is the order of rows in parts and results.
func compareRows(a, b evidence.Row) int {
	return cmp.Or(
		cmp.Compare(a.Platform, b.Platform),
		cmp.Compare(a.Vehicle, b.Vehicle),
		cmp.Compare(a.Revision, b.Revision),
		cmp.Compare(a.Run, b.Run),
		cmp.Compare(a.Segment, b.Segment),
		cmp.Compare(a.RPMLow, b.RPMLow),
		cmp.Compare(a.LoadLow, b.LoadLow),
	)
}

// encode writes rows as one Parquet file. The same rows give the same bytes.
func encode(rows []evidence.Row) ([]byte, error) {
	var out bytes.Buffer
	w := parquet.NewGenericWriter[evidence.Row](&out,
		parquet.Compression(&zstd.Codec{Level: zstd.SpeedDefault}),
		parquet.CreatedBy("headroom", EvidenceVersion(), ""),
	)
	if _, err := w.Write(rows); err != nil {
		return nil, fmt.Errorf("encode: %w", err)
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("encode: %w", err)
	}
	return out.Bytes(), nil
}
