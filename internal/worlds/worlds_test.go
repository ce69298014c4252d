package worlds

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"headroom/internal/ingest"
	"headroom/internal/workspace"
)

// The workspace is one that the tool reads: nothing of it is left out, and no log fails but those cut short.
func TestWorkspaceIsReadAndIngested(t *testing.T) {
	seeds := []uint64{1, 4, 7}
	if testing.Short() {
		seeds = seeds[:1]
	}
	for _, seed := range seeds {
		dir := filepath.Join(t.TempDir(), "ws")
		truth, err := Build(dir, Options{Seed: seed, Cars: 6})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Propose(dir, 0, 1); err != nil {
			t.Fatal(err)
		}
		ws, err := workspace.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		s, err := ingest.Ingest(ws, ingest.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range s.ProblemsFromWorkspace {
			t.Errorf("seed %d: %v", seed, p)
		}
		for _, f := range s.Failed {
			if !slices.Contains(truth.Broken, f.Path) {
				t.Errorf("seed %d: %s: %s", seed, f.Path, f.Error)
			}
		}
		t.Logf("seed %d: %d logs, %d pulls of %d, %d rows, %d findings, empty %v", seed, s.Logs, s.Pulls, truth.Pulls, s.Rows, s.Findings, s.Empty)
		_ = os.Stdout
	}
}
