package source

import (
	"bytes"
	"io"
	"runtime"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
)

// endless repeats a text and counts what is taken of it.
type endless struct {
	text  string
	taken int64
}

func (e *endless) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		n += copy(p[n:], e.text[(e.taken+int64(n))%int64(len(e.text)):])
	}
	e.taken += int64(n)
	return n, nil
}

// Whatever a text without end repeats, little of it is looked at to settle the layout or to refuse it, and one part of
// it is no more than its cells.
func TestTextsWithoutEndAreLookedAtOnlyAtTheBeginning(t *testing.T) {
	const most = 16 << 20
	for name, repeated := range map[string]string{
		"open quotes": "1,\"x\n", "quotes that stay open": "1\"x,\"y\n", "one line": "1,", "one quoted line": "\"x",
		"blank": " ", "blank lines": "\n", "delimiters": ",", "quotes": "\"",
	} {
		for _, head := range []string{"", "time (s),rpm\n0,800\n1,800\n"} {
			src := &endless{text: repeated}
			in := Input{Reader: io.MultiReader(strings.NewReader(head), src)}
			rows, err := Open(in, Limits{Bytes: 1 << 50, Cells: 1 << 12})
			if src.taken > most {
				t.Errorf("%s after %q: %d bytes were taken to open it (%v)", name, head, src.taken, err)
			}
			if err != nil {
				if !strings.Contains(err.Error(), "; ") {
					t.Errorf("%s after %q: no remedy: %v", name, head, err)
				}
				continue
			}
			rows.Close()
		}
	}
}

// A small file that unpacks to gigabytes is refused by what it would become.
func TestSmallFilesThatUnpackToGigabytesAreRefused(t *testing.T) {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := io.CopyN(z, &endless{text: "1,800\n"}, 2*mostUnpacked); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	at := bytes.NewReader(packed.Bytes())
	limits := Limits{Bytes: 4 << 30}
	c := &content{r: bounded(bytes.NewReader(packed.Bytes()), limits.Bytes), at: at, size: at.Size(), limits: limits}
	c, err := gzipFormat.unpacked(c)
	if err != nil {
		t.Fatal(err)
	}
	if _, err = io.Copy(io.Discard, c.r); err == nil || !strings.Contains(err.Error(), "unpacks to more than") {
		t.Errorf("%d bytes that unpack to 512 MiB: %v", packed.Len(), err)
	}
}

// A Parquet file states how long its own description is: 12 bytes can ask for 4 GiB.
func TestParquetThatStatesALongDescription(t *testing.T) {
	for _, text := range []string{"PAR1\xf0\xff\xff\xffPAR1", "PAR1\xf0\xff\xff\x3fPAR1", "PAR1PAR1",
		"PAR1\x01\x00\x00\x00PAR1",
		"PAR1" + strings.Repeat("x", 9) + "\x00\x00\x00\x20PAR1"} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Open(Input{Reader: strings.NewReader(text), At: strings.NewReader(text), Size: int64(len(text))},
			Limits{Bytes: 1 << 30, Cells: 1 << 20})
		runtime.ReadMemStats(&after)
		if err == nil || !strings.Contains(err.Error(), "is not a whole Parquet file") {
			t.Errorf("%q: %v", text, err)
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > 8<<20 {
			t.Errorf("%q: took %d MiB", text, took>>20)
		}
	}
}
