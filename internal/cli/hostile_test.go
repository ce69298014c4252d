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

// What stands in the file that standard output goes to must stay when -o names standard output.
func TestOutputOntoStandardOutputDoesNotReplaceIt(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "shop")
	var notes bytes.Buffer
	if status := Main([]string{"init", dir}, &notes, &notes); status != exitDone {
		t.Fatal(notes.String())
	}
	name := filepath.Join(dir, "out.txt")
	out, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	if _, err := out.WriteString("before\n"); err != nil {
		t.Fatal(err)
	}
	if status := Main([]string{"ingest", "-C", dir, "-o", name}, out, &notes); status != exitDone {
		t.Fatal(notes.String())
	}
	got, err := os.ReadFile(name)
	if err != nil || !strings.HasPrefix(string(got), "before\n") || !strings.Contains(string(got), "Logs taken in") {
		t.Errorf("%q, %v", got, err)
	}
}
