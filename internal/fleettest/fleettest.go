// Package fleettest gives tests invented fleets to work on: internal/demo's, ingested, each made once for all tests of
// a package. It is imported by tests only.
package fleettest

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/evidence"
	"headroom/internal/ingest"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// Seed is the seed of the fleets; the demo command's default.
const Seed = 1

var (
	scratch    string // where the fleets live
	demoFleet  = sync.OnceValues(func() (string, error) { return build(demo.Options{Seed: Seed}) })
	smallFleet = sync.OnceValues(func() (string, error) {
		return build(demo.Options{Seed: Seed, Cars: 6,
			TruthPulls: 100})
	})
)

// Main is what a package's TestMain does: it runs the tests and removes the fleets. It returns the exit status.
func Main(m *testing.M) int {
	var err error
	if scratch, err = os.MkdirTemp("", "headroom-fleets-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(scratch)
	return m.Run()
}

// Demo is the workspace of the demo's fleet; the test must not write to it.
func Demo(t testing.TB) string { t.Helper(); return made(t, demoFleet) }

// Small is the workspace of a fleet of six cars; the test must not write to it.
func Small(t testing.TB) string { t.Helper(); return made(t, smallFleet) }

func made(t testing.TB, fleet func() (string, error)) string {
	t.Helper()
	dir, err := fleet()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func build(o demo.Options) (string, error) {
	dir := filepath.Join(scratch, fmt.Sprintf("cars-%d", o.Cars))
	if _, err := demo.Build(dir, o); err != nil {
		return "", err
	}
	return dir, Ingest(dir)
}

// Ingest reads a workspace's logs into its evidence. A problem with the workspace is an error.
func Ingest(dir string) error {
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

// Open reads a workspace and opens its evidence.
func Open(t testing.TB, dir string) (*workspace.Workspace, *store.Store) {
	t.Helper()
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(ingest.StoreDir(dir))
	if err != nil {
		t.Fatal(err)
	}
	return ws, st
}

// Copy copies a workspace with its evidence so that a test may spoil it.
func Copy(t testing.TB, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "ws")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// RemoveEvidence deletes the derived state of a workspace.
func RemoveEvidence(t testing.TB, dir string) {
	t.Helper()
	if err := os.RemoveAll(ingest.StoreDir(dir)); err != nil {
		t.Fatal(err)
	}
}

// Cut takes the lines from one that begins with from up to one that begins with to out of a file of a workspace.
func Cut(t testing.TB, dir, file, from, to string) {
	t.Helper()
	edit(t, dir, file, func(text string) string {
		start, end := strings.Index(text, "\n"+from), strings.Index(text, "\n"+to)
		if start < 0 || end < start {
			t.Fatalf("%s has no section from %q to %q", file, from, to)
		}
		return text[:start] + text[end:]
	})
}

// AddLines adds lines to the end of a file of a workspace.
func AddLines(t testing.TB, dir, file, lines string) {
	t.Helper()
	edit(t, dir, file, func(text string) string { return text + lines })
}

func edit(t testing.TB, dir, file string, change func(string) string) {
	t.Helper()
	path := filepath.Join(dir, filepath.FromSlash(file))
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(change(string(b))), 0o644); err != nil {
		t.Fatal(err)
	}
}

// BlankRow is a row of a pull in which nothing was logged.
func BlankRow() evidence.Row {
	var r evidence.Row
	v := reflect.ValueOf(&r).Elem()
	for i := range v.NumField() {
		if v.Field(i).Kind() == reflect.Float64 {
			v.Field(i).SetFloat(math.NaN())
		}
	}
	r.Kind, r.Platform = evidence.KindPull, "p"
	return r
}
