package ingest

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"headroom/internal/store"
	"headroom/internal/workspace"
)

// hostile takes in a workspace that holds what somebody put there.
func hostile(t *testing.T, dir string, opts Options) Summary {
	t.Helper()
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	s, err := Ingest(ws, opts)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// JSON holds no bytes that are not UTF-8: two names in Latin-1 would be one in the catalogue.
func TestNamesThatAreNotUTF8AreRefusedAndTheRestGoesIn(t *testing.T) {
	dir := fleet(t, "")
	write(t, dir, "runs/car-1/base/fr\xfchling.csv", logText(44))
	write(t, dir, "runs/car-1/base/fr\xe4hling.csv", logText(44))
	write(t, dir, "runs/car-2/na\xefve/a.csv", logText(44))
	write(t, dir, "revisions/base/tables/r\xe9sum\xe9.csv", "not read")
	write(t, dir, "revisions/\xe9t\xe9/revision.yaml", "id: x\n")
	write(t, dir, "platforms/\xe9t\xe9.yaml", platform)
	s := hostile(t, dir, Options{})
	if s.Read != 3 || s.Logs != 3 {
		t.Errorf("read %d logs, %d in the store, want the 3 good ones", s.Read, s.Logs)
	}
	var refused []string
	for _, p := range s.ProblemsFromWorkspace {
		if strings.Contains(p.What, "not UTF-8") {
			refused = append(refused, p.File)
		}
	}
	want := `platforms/\xe9t\xe9.yaml revisions/\xe9t\xe9 runs/car-1/base/fr\xe4hling.csv ` +
		`runs/car-1/base/fr\xfchling.csv runs/car-2/na\xefve`
	if got := strings.Join(refused, " "); got != want {
		t.Errorf("refused %s\nwant    %s", got, want)
	}
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ws.Digest(); err != nil {
		t.Error(err)
	}
	if _, err := store.Open(StoreDir(dir)); err != nil {
		t.Errorf("the store cannot be read: %v", err)
	}
	if s := hostile(t, dir, Options{}); s.Skipped != 4 || s.Logs != 3 {
		t.Errorf("again: %+v", s)
	}
}

func TestLogsThatVanishDoNotEmptyTheStore(t *testing.T) {
	dir := fleet(t, "")
	for i := range 17 {
		write(t, dir, fmt.Sprintf("runs/car-2/base/more-%02d.csv", i), logText(64))
	}
	before := hostile(t, dir, Options{})
	runs, away := filepath.Join(dir, "runs"), filepath.Join(dir, "away")
	move := func(from, to string) {
		t.Helper()
		if err := os.Rename(from, to); err != nil {
			t.Fatal(err)
		}
	}
	move(runs, away)
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, prune := range []bool{false, true} {
		_, err := Ingest(ws, Options{Prune: prune})
		if err == nil || !strings.Contains(err.Error(), "runs: file is missing") {
			t.Errorf("without runs/ (prune %v): %v", prune, err)
		}
	}
	move(away, runs)
	move(filepath.Join(runs, "car-1"), away)
	if s := hostile(t, dir, Options{}); s.Removed != 2 || s.Gone != 0 { // 2 of 21 are no more than a tenth
		t.Errorf("a few gone: removed %d, kept %d", s.Removed, s.Gone)
	}
	move(away, filepath.Join(runs, "car-1"))
	hostile(t, dir, Options{})
	move(filepath.Join(runs, "car-2"), away)
	if s := hostile(t, dir, Options{}); s.Removed != 0 || s.Gone != 19 || s.Logs != before.Logs {
		t.Errorf("most gone: removed %d, kept %d of %d logs", s.Removed, s.Gone, s.Logs)
	}
	if s := hostile(t, dir, Options{Prune: true}); s.Removed != 19 || s.Logs != 2 {
		t.Errorf("most gone, asked for: removed %d, kept %d of %d logs", s.Removed, s.Gone, s.Logs)
	}
}
