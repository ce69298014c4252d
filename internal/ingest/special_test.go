//go:build unix

package ingest

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"headroom/internal/workspace"
)

// special puts what is no log, or claims any size, where a log or a table is looked for.
func special(t *testing.T, dir, name string) {
	t.Helper()
	file := filepath.Join(dir, name)
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	var err error
	switch {
	case strings.Contains(name, "sparse"):
		if err = os.WriteFile(file, nil, 0o644); err == nil {
			err = os.Truncate(file, 3<<40)
		}
	case strings.Contains(name, "device"):
		err = os.Symlink("/dev/zero", file)
	default:
		err = syscall.Mkfifo(file, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// A pipe waits for ever for its other end, a device never ends, and a sparse file of 3 TB takes hours.
func TestPipesDevicesAndSparseFilesAreRefused(t *testing.T) {
	dir := fleet(t, "")
	logs := []string{"runs/car-1/base/device.csv", "runs/car-1/base/pipe.csv", "runs/car-1/base/sparse.csv"}
	for _, name := range logs {
		special(t, dir, name)
	}
	for _, name := range []string{"revisions/base/tables/pipe.csv", "revisions/two/revision.yaml",
		"revisions/base/tables/sparse.csv", "platforms/device.yaml", "outcomes.csv"} {
		special(t, dir, name)
	}
	s := hostile(t, dir, Options{})
	if s.Read != 3 || s.Logs != 3 {
		t.Errorf("read %d logs, %d in the store, want the 3 good ones", s.Read, s.Logs)
	}
	failed := map[string]string{}
	for _, f := range s.Failed {
		failed[f.Path] = f.Error
	}
	kind, size := "is not a regular file", "is larger than the reader's limit"
	for i, say := range []string{kind, kind, size} {
		if got := failed[logs[i]]; !strings.HasPrefix(got, logs[i]+": "+say) {
			t.Errorf("%s: %q", logs[i], got)
		}
	}
	for i, say := range []string{"outcomes.csv: is not a regular file", "platforms/device.yaml: is not a regular file",
		"revisions/two/revision.yaml: is not a regular file"} {
		if got := s.ProblemsFromWorkspace[i].String(); !strings.HasPrefix(got, say) {
			t.Errorf("problem %d: %s, want %s", i, got, say)
		}
	}
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ws.Digest(); err != nil {
		t.Error(err)
	}
	if err := os.Remove(filepath.Join(dir, "runs/car-1/base/2026-03-01-a.csv")); err != nil {
		t.Fatal(err)
	}
	special(t, dir, "runs/car-1/base/2026-03-01-a.csv")
	if faults, err := Verify(ws); err != nil || len(faults) != 4 {
		t.Errorf("verify: %+v, %v", faults, err)
	}
	special(t, dir, "channels.yaml")
	if _, err := Ingest(ws, Options{}); err == nil || !strings.Contains(err.Error(), "not a regular file") {
		t.Errorf("channels.yaml is a pipe: %v", err)
	}
}
