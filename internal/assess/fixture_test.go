package assess

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/ingest"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// demoSeed is the seed of the invented fleet the tests run on; the demo command's default.
const demoSeed = 1

// demoFleet is the demo's fleet and smallFleet one of six cars; each is made and ingested once for all tests.
var (
	demoFleet  = sync.OnceValues(func() (string, error) { return build(demo.Options{Seed: demoSeed}) })
	smallFleet = sync.OnceValues(func() (string, error) { return build(demo.Options{Seed: demoSeed, Cars: 6, TruthPulls: 100}) })
)

// scratch is where the fleets live.
var scratch string

func build(o demo.Options) (string, error) {
	dir := filepath.Join(scratch, fmt.Sprintf("cars-%d", o.Cars))
	if _, err := demo.Build(dir, o); err != nil {
		return "", err
	}
	return dir, bring(dir)
}

func bring(dir string) error {
	ws, err := workspace.Open(dir)
	if err != nil {
		return err
	}
	if len(ws.Problems) > 0 {
		return fmt.Errorf("workspace problems: %v", ws.Problems)
	}
	_, err = ingest.Ingest(ws, ingest.Options{Jobs: 2})
	return err
}

func TestMain(m *testing.M) {
	var err error
	if scratch, err = os.MkdirTemp("", "headroom-assess-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	os.RemoveAll(scratch)
	os.Exit(code)
}

func demoDir(t testing.TB) string  { t.Helper(); return fleetDir(t, demoFleet) }
func smallDir(t testing.TB) string { t.Helper(); return fleetDir(t, smallFleet) }

func fleetDir(t testing.TB, fleet func() (string, error)) string {
	t.Helper()
	dir, err := fleet()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func openJob(t testing.TB, dir string) *Job {
	t.Helper()
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(ingest.StoreDir(dir))
	if err != nil {
		t.Fatal(err)
	}
	j, err := Open(ws, st, "test")
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// copyOf copies the demo workspace with its evidence so that a test may spoil it.
func copyOf(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "ws")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// cut takes the lines from one that begins with from up to one that begins with to out of a file.
func cut(t *testing.T, dir, file, from, to string) {
	t.Helper()
	path := filepath.Join(dir, filepath.FromSlash(file))
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	start, end := strings.Index(string(b), "\n"+from), strings.Index(string(b), "\n"+to)
	if start < 0 || end < start {
		t.Fatalf("%s has no section from %q to %q", file, from, to)
	}
	if err := os.WriteFile(path, append(b[:start:start], b[end:]...), 0o644); err != nil {
		t.Fatal(err)
	}
}

// removeEvidence deletes the derived state of a workspace.
func removeEvidence(dir string) error { return os.RemoveAll(ingest.StoreDir(dir)) }

func addLines(t *testing.T, dir, file, lines string) {
	t.Helper()
	path := filepath.Join(dir, file)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append(b, lines...), 0o644); err != nil {
		t.Fatal(err)
	}
}
