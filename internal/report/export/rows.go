// Package export answers one question: how is a result handed to another program? A result goes out as JSON as it
// stands, or as flat rows in CSV or Parquet, in the units it is stored in. What is not known is null in JSON and
// Parquet and an empty field in CSV, never zero. CSV follows RFC 4180; no other published source is involved.
package export

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

// CSV writes rows, structs with a parquet tag on every field, as comma-separated text with a header (RFC 4180, line
// feeds). What is not known is empty.
func CSV[R any](w io.Writer, rows []R) error {
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
	switch v.Kind() {
	case reflect.Float64:
		return strconv.FormatFloat(v.Float(), 'g', -1, 64)
	case reflect.String:
		return inert(v.String())
	}
	return fmt.Sprint(v.Interface())
}

// inert makes text from a log or a list fit for a spreadsheet, which takes a cell for a formula that begins with one of
// these signs: an apostrophe before it, which spreadsheets take for the mark of text (common practice, no source).
// Numbers are columns of their own and stay numbers.
func inert(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n", rune(text[0])) {
		return "'" + text
	}
	return text
}

// Parquet writes rows as one Parquet file with the stamp in its key-value metadata.
func Parquet[R any](w io.Writer, s result.Stamp, rows []R) error {
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

// Known is a number, or nil when it is not known.
func Known(n result.Number) *float64 {
	if !n.Known() {
		return nil
	}
	v := float64(n)
	return &v
}

// Some is a value that is known, for a column that may lack one.
func Some[T any](v T) *T { return &v }
