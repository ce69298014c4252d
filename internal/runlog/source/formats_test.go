package source

import (
	"archive/zip"
	"bytes"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"github.com/parquet-go/parquet-go"
)

const shortLog = "time (s),engine speed (rpm)\n0,800\n1,810\n2,820\n"

// parquetLog is shortLog as Parquet.
func parquetLog(t *testing.T) []byte {
	t.Helper()
	type row struct {
		Time  float64 `parquet:"time (s)"`
		Speed float64 `parquet:"engine speed (rpm)"`
	}
	var b bytes.Buffer
	if err := parquet.Write(&b, []row{{0, 800}, {1, 810}, {2, 820}}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// packers make files of the packings, by name.
var packers = map[string]func(data []byte) []byte{
	"gzip": func(data []byte) []byte {
		return packed(data, func(w io.Writer) io.WriteCloser { return gzip.NewWriter(w) })
	},
	"zstd": func(data []byte) []byte {
		return packed(data, func(w io.Writer) io.WriteCloser {
			z, _ := zstd.NewWriter(w)
			return z
		})
	},
	"zip": func(data []byte) []byte {
		var b bytes.Buffer
		archive := zip.NewWriter(&b)
		for name, content := range map[string][]byte{"a log": data, "__MACOSX/a log": nil, "notes/.hidden": nil} {
			f, _ := archive.Create(name)
			_, _ = f.Write(content)
		}
		_ = archive.Close()
		return b.Bytes()
	},
}

func packed(data []byte, pack func(io.Writer) io.WriteCloser) []byte {
	var b bytes.Buffer
	w := pack(&b)
	_, _ = w.Write(data)
	_ = w.Close()
	return b.Bytes()
}

// tables make files of the tables, by name.
var tables = map[string]func(t *testing.T) []byte{
	"delimited text": func(*testing.T) []byte { return []byte(shortLog) },
	"Parquet":        parquetLog,
	"ASAM MDF":       func(t *testing.T) []byte { return mdfFile(t, "short.mf4") },
}

func openBytes(data []byte, anyOrder bool) (Rows, error) {
	in := Input{Reader: bytes.NewReader(data)}
	if anyOrder {
		in.At, in.Size = bytes.NewReader(data), int64(len(data))
	}
	return Open(in, Limits{Bytes: 1 << 20, Cells: math.MaxInt})
}

// readShort opens a file made of shortLog and checks that it holds just that.
func readShort(t *testing.T, what string, data []byte) *Table {
	t.Helper()
	var tb *Table
	for _, anyOrder := range []bool{true, false} {
		rows, err := openBytes(data, anyOrder)
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if more, err := rows.Fill(); more || err != nil {
			t.Fatalf("%s: more %v, %v", what, more, err)
		}
		tb = rows.Table()
		if tb.Rows != 3 || len(tb.Columns) != 2 || tb.Columns[1].Header != "engine speed (rpm)" ||
			!slices.Equal(tb.Columns[1].Values, []float64{800, 810, 820}) || len(rows.Notes()) != 0 {
			t.Errorf("%s: %d rows, %+v", what, tb.Rows, tb.Columns)
		}
		rows.Close()
	}
	return tb
}

// Every format of the registry is whole, told from every other, and read in every packing; a format added without a
// maker above fails here.
func TestEveryFormat(t *testing.T) {
	for _, f := range formats {
		if (f.unpack != nil) == (f.open != nil) || f.name == "" || f.streamed && f.open == nil {
			t.Errorf("%q is not either packing or table: %+v", f.name, f)
		}
		if len(f.begins) == 0 && f != &textFormat {
			t.Errorf("%s: only text is told by what it is not", f.name)
		}
		for _, b := range f.begins {
			if len(b) > magicSize || begun([]byte(b)) != f {
				t.Errorf("%s: %q is too long, or another format begins so", f.name, b)
			}
		}
		for _, ext := range f.extensions {
			if ext != strings.ToLower(ext) || !strings.HasPrefix(ext, ".") {
				t.Errorf("%s: ending %q", f.name, ext)
			}
			if IsLog("A"+strings.ToUpper(ext)) != (f.open != nil) || !IsLog("a.csv"+ext) {
				t.Errorf("%s: ending %q is looked for wrongly", f.name, ext)
			}
			if f.open != nil && !strings.Contains(Readable(), ext) {
				t.Errorf("%q does not name %s", Readable(), ext)
			}
		}
		switch {
		case f.open != nil && tables[f.name] == nil, f.unpack != nil && packers[f.name] == nil:
			t.Errorf("%s: the test cannot make a file of it", f.name)
		case f.open != nil:
			data := tables[f.name](t)
			if tb := readShort(t, f.name, data); tb.Dialect.Compression != "none" {
				t.Errorf("%s: packed in %q", f.name, tb.Dialect.Compression)
			}
			for name, pack := range packers {
				if tb := readShort(t, f.name+" in "+name, pack(data)); tb.Dialect.Compression != name {
					t.Errorf("%s in %s: packed in %q", f.name, name, tb.Dialect.Compression)
				}
			}
		case f.unpack != nil:
			whole := packers[f.name]([]byte(shortLog))
			for _, cut := range []int{len(f.begins[0]), len(whole) / 2} {
				rows, err := openBytes(whole[:cut], false)
				if err == nil {
					_, err = rows.Fill()
				}
				if err == nil {
					t.Errorf("%s cut at %d of %d bytes is read", f.name, cut, len(whole))
				}
			}
			if _, err := openBytes(packers[f.name](packers[f.name]([]byte(shortLog))), false); err == nil {
				t.Errorf("%s packed twice is read", f.name)
			}
		}
	}
}

// What runs/ is searched for, as docs/workspace.md has it.
func TestIsLog(t *testing.T) {
	for name, want := range map[string]bool{
		"a.csv": true, "a.TXT": true, "a.tsv": true, "a.log": true, "a.csv.gz": true, "b.Log.ZST": true,
		"a.parquet": true, "a.parquet.gz": false, "a.gz": false, "a.zip": false, "a.csv.zip": false, "a.mf4": true,
		"a.mf4.gz": false, "a": false, "": false, ".gz": false, "a.csv.bak": false,
	} {
		if IsLog(name) != want {
			t.Errorf("%q is a log: %v", name, !want)
		}
	}
	if want := "delimited text (.csv, .txt, .tsv, .log, also .gz or .zst), .parquet or .mf4"; Readable() != want {
		t.Errorf("%q, want %q", Readable(), want)
	}
}

// Archives of no log or several, and what is no log at all.
func TestRefusals(t *testing.T) {
	var two bytes.Buffer
	archive := zip.NewWriter(&two)
	for _, name := range []string{"a.csv", "b.csv"} {
		if _, err := archive.Create(name); err != nil {
			t.Fatal(err)
		}
	}
	_ = archive.Close()
	for say, data := range map[string][]byte{
		"is an archive of 2 files":                        two.Bytes(),
		"is empty":                                        []byte(" \n\n"),
		"is binary, not a text log":                       {0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3},
		"no header found: no table of numbers":            []byte("a letter\nto nobody\n"),
		"is larger than the reader's limit of 1048576":    []byte("time,rpm\n" + strings.Repeat("0,800\n", 1<<18)),
		"no header found: numbers start here without a r": []byte("1,2\n3,4\n5,6\n"),
	} {
		rows, err := openBytes(data, true)
		if err == nil {
			_, err = rows.Fill()
		}
		if err == nil || !strings.Contains(err.Error(), say) || !strings.Contains(err.Error(), "; ") {
			t.Errorf("%v, want %q and a remedy", err, say)
		}
	}
}

func TestHold(t *testing.T) {
	if _, err := hold(strings.NewReader("123456"), "is an archive", 5); err == nil ||
		!strings.Contains(err.Error(), "is an archive of more than 5 bytes") {
		t.Errorf("what must be held: %v", err)
	}
	if data, err := hold(strings.NewReader("12345"), "is an archive", 5); err != nil || string(data) != "12345" {
		t.Errorf("what can be held: %q, %v", data, err)
	}
}
