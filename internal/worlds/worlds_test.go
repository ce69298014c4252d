package worlds

import (
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"headroom/internal/ingest"
	"headroom/internal/workspace"

	"github.com/google/go-cmp/cmp"
)

// contents are the files below a folder.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(file string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, file)
		if err != nil {
			return err
		}
		b, err := os.ReadFile(file)
		out[filepath.ToSlash(rel)] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func same(a, b *Graded) bool { return reflect.DeepEqual(a, b) }

// The workspace is one that the tool reads: nothing of it or of proposals is left out, no log fails but those cut
// short, and nearly all pulls are found. Knock is in a few of the cells of pulls.
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
		if seed == seeds[0] {
			if _, err := Propose(dir, 4, 1); err != nil {
				t.Fatal(err)
			}
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
		if s.Logs+len(truth.Broken) < truth.Logs || float64(s.Pulls) < 0.9*float64(truth.Pulls) {
			t.Errorf("seed %d: %d of %d logs, %d of %d pulls", seed, s.Logs, truth.Logs, s.Pulls, truth.Pulls)
		}
		if share := float64(truth.Knock) / float64(truth.Cells); share < 0.02 || share > 0.2 {
			t.Errorf("seed %d: knock in %.3f of cells", seed, share)
		}
	}
}

// A folder that is not empty is left alone, and one without a fleet has no truth.
func TestBuildAndProposeRefuse(t *testing.T) {
	dir := t.TempDir()
	if _, err := Propose(dir, 1, 1); err == nil {
		t.Error("proposals for a folder without a fleet")
	}
	if err := os.WriteFile(filepath.Join(dir, "notes"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Build(dir, Options{Seed: 1}); err == nil {
		t.Error("a fleet in a folder that is not empty")
	}
	if _, err := Build(filepath.Join(dir, "new"), Options{Seed: 1, Cars: 2}); err == nil {
		t.Error("a fleet of two cars")
	}
}

// Proposals made while the fleet is at hand are those made of its workspace later.
func TestBuildProposedIsBuildThenPropose(t *testing.T) {
	at, later := filepath.Join(t.TempDir(), "ws"), filepath.Join(t.TempDir(), "ws")
	o := Options{Seed: 2, Cars: 4}
	_, now, err := BuildProposed(at, o, 1, 5)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Build(later, o); err != nil {
		t.Fatal(err)
	}
	then, err := Propose(later, 1, 5)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(now, then); diff != "" {
		t.Error(diff)
	}
}
