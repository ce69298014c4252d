package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A terminal obeys escape sequences wherever they come from, also from the name of a file.
func TestNamesOfFilesDoNotReachTheTerminalRaw(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "shop\x1b[2J")
	var out, notes bytes.Buffer
	if status := Main([]string{"init", dir}, &out, &notes); status != exitDone {
		t.Fatal(notes.String())
	}
	file := filepath.Join(dir, "runs", "a\x1b]0;owned\a.doc")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"fleet", "-C", dir}, {"review", "x\x1b[2J", "-C", dir}, {"inspect", file},
		{"ingest", "-C", dir, "-o", filepath.Join(dir, "out\x1b[2J.txt")}, {"x\x1b[2J"}, {"ingest", "--x\x1b[2J"},
		{"review", "x", "-C", dir + "\x9b2J"}} {
		out.Reset()
		notes.Reset()
		Main(args, &out, &notes)
		if s := out.String() + notes.String(); strings.ContainsAny(s, "\x1b\a") || strings.Contains(s, "\x9b") {
			t.Errorf("%q: %q", args, s)
		}
	}
}
