package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"

	"github.com/parquet-go/parquet-go"

	"headroom/internal/result"
)

// A flat row type names its columns once, in parquet tags; CSV takes them from there. Units are part of the name,
// except where each row states its own in the column "unit". A nil pointer is a value that is not known.

// writeCSV writes rows as comma-separated text with a header (RFC 4180, line feeds). What is not known is empty.
func writeCSV[R any](w io.Writer, rows []R) error {
	out := csv.NewWriter(w)
	kind := reflect.TypeFor[R]()
	header := make([]string, kind.NumField())
	for i := range header {
		header[i], _, _ = strings.Cut(kind.Field(i).Tag.Get("parquet"), ",")
	}
	if err := out.Write(header); err != nil {
		return fmt.Errorf("write csv: %w", err)
	}
	for _, r := range rows {
		v := reflect.ValueOf(r)
		fields := make([]string, v.NumField())
		for i := range fields {
			fields[i] = fieldText(v.Field(i))
		}
		if err := out.Write(fields); err != nil {
			return fmt.Errorf("write csv: %w", err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("write csv: %w", err)
	}
	return nil
}

func fieldText(v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return ""
		}
		v = v.Elem()
	}
	if v.Kind() == reflect.Float64 {
		return strconv.FormatFloat(v.Float(), 'g', -1, 64)
	}
	return fmt.Sprint(v.Interface())
}

// writeParquet writes rows as one Parquet file with the stamp in its key-value metadata.
func writeParquet[R any](w io.Writer, s result.Stamp, rows []R) error {
	options := []parquet.WriterOption{parquet.Compression(&parquet.Zstd), parquet.KeyValueMetadata("schema", s.Schema)}
	if s.WorkspaceDigest != "" {
		options = append(options,
			parquet.KeyValueMetadata("tool_version", s.ToolVersion),
			parquet.KeyValueMetadata("workspace_digest", s.WorkspaceDigest),
			parquet.KeyValueMetadata("seed", strconv.FormatUint(s.Seed, 10)))
	}
	out := parquet.NewGenericWriter[R](w, options...)
	if _, err := out.Write(rows); err != nil {
		return fmt.Errorf("write parquet: %w", err)
	}
	if err := out.Close(); err != nil {
		return fmt.Errorf("write parquet: %w", err)
	}
	return nil
}

// known is a number, or nil when it is not known.
func known(n result.Number) *float64 {
	if !n.Known() {
		return nil
	}
	v := float64(n)
	return &v
}

func some[T any](v T) *T { return &v }
