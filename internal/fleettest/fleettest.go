// Package fleettest gives tests invented fleets to work on: internal/demo's, ingested, each made once for all packages
// that one go test command tests. It is imported by tests only.
package fleettest

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"runtime/debug"
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

// truthPulls tells a truth of 0.5 from one of 0.2 by six standard errors.
const truthPulls = 100

var (
	scratch    string                 // where this package's fleets live
	fitted     func(dir string) error // fits a fleet; nil for a package that wants it without fits
	demoFleet  = sync.OnceValues(func() (string, error) { return fleet(demoCars()) })
	smallFleet = sync.OnceValues(func() (string, error) { return fleet(6) })
	marlins    = sync.OnceValues(func() (string, error) { return threeCars(Marlin) })
	kestrels   = sync.OnceValues(func() (string, error) { return threeCars(Kestrel) })
	sound      = sync.OnceValues(soundCars)
)

// Main is what a package's TestMain does: it runs the tests and removes the fleets. fit, which may be nil, fits what
// the package's tests judge with to the evidence of a workspace and keeps it there. It must be the same for all
// packages that give one. Main returns the exit status.
func Main(m *testing.M, fit func(dir string) error) int {
	var err error
	if scratch, err = os.MkdirTemp("", "headroom-fleets-"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(scratch)
	fitted = fit
	if os.Getenv("HEADROOM_PROOF") == "" {
		debug.SetGCPercent(400) // these tests hold little and allocate much; the proofs hold many fleets
	}
	return m.Run()
}

// demoCars are enough for each of the demo's proposals and planted faults to be there.
func demoCars() int {
	if os.Getenv("HEADROOM_PROOF") != "" {
		return demo.DefaultCars
	}
	return 16
}

// Demo is the workspace of the demo's fleet: its first sixteen cars, all 24 with HEADROOM_PROOF=1. The test must not
// write to it.
func Demo(t testing.TB) string { t.Helper(); return made(t, demoFleet) }

// Small is the workspace of a fleet of six cars; the test must not write to it.
func Small(t testing.TB) string { t.Helper(); return made(t, smallFleet) }

// The demo's platforms.
const (
	Marlin  = "marlin-25t"
	Kestrel = "kestrel-20t"
)

// Marlins is the workspace of the three cars of Marlin in the small fleet, with the logs of their first ten months; the
// test must not write to it.
func Marlins(t testing.TB) string { t.Helper(); return made(t, marlins) }

// Kestrels is the same of Kestrel. One of its logs cannot be read.
func Kestrels(t testing.TB) string { t.Helper(); return made(t, kestrels) }

// SoundParent is a driven revision of the fleet Sound, of a car that logs ethanol.
const SoundParent = "rev-0104-a"

// Sound is the workspace of the six cars of Marlin without a planted fault among the demo's first sixteen, with the
// first two logs of SoundParent, so that what is made from it is reviewed in little time; the test must not write to
// it. Its evidence is not fitted.
func Sound(t testing.TB) string { t.Helper(); return made(t, sound) }

const (
	soundOf   = 16           // of the demo's first cars: more are there with HEADROOM_PROOF=1
	soundFrom = "2025-10-01" // SoundParent's logs from then on are left out
)

func soundCars() (string, error) {
	whole, err := demoFleet()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(scratch, "sound")
	if err := os.CopyFS(dir, os.DirFS(whole)); err != nil {
		return "", err
	}
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		return "", err
	}
	for i, c := range truth.Fleet {
		if c.Platform == Marlin && (len(c.Faults) > 0 || i >= soundOf) {
			err = errors.Join(err, withoutAllOf(dir, c.Vehicle))
		}
	}
	err = errors.Join(err, withoutLogs(dir, func(r *workspace.RunFile) bool {
		return r.Revision == SoundParent && r.Date >= soundFrom
	}))
	return dir, errors.Join(err, only(dir, Marlin))
}

// withoutAllOf takes a car, its logs and its revisions out of a workspace.
func withoutAllOf(dir, car string) error {
	ws, err := workspace.Open(dir)
	if err != nil {
		return err
	}
	gone := []string{filepath.Join(dir, "runs", car)}
	for id, r := range ws.Revisions {
		if r.Vehicle == car {
			gone = append(gone, filepath.Join(dir, "revisions", id))
		}
	}
	for _, name := range gone {
		err = errors.Join(err, os.RemoveAll(name))
	}
	return errors.Join(err, withoutCar(dir, car))
}

func threeCars(platform string) (string, error) {
	small, err := smallFleet()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(scratch, platform)
	return dir, errors.Join(os.CopyFS(dir, os.DirFS(small)), withoutLogsFrom(dir, "2025-11-15"), only(dir, platform))
}

func made(t testing.TB, fleet func() (string, error)) string {
	t.Helper()
	dir, err := fleet()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// fleet is this package's own copy of a fleet.
func fleet(cars int) (string, error) {
	dir := filepath.Join(scratch, fmt.Sprintf("cars-%d", cars))
	plain := func(dir string) error { return build(dir, cars) }
	if fitted == nil {
		return dir, shared(filepath.Base(dir), plain, dir)
	}
	return dir, shared(filepath.Base(dir)+"-fitted", func(dir string) error {
		if err := shared(fmt.Sprintf("cars-%d", cars), plain, dir); err != nil {
			return err
		}
		return fitted(dir)
	}, dir)
}

func build(dir string, cars int) error {
	if _, err := demo.Build(dir, demo.Options{Seed: Seed, Cars: cars, TruthPulls: truthPulls}); err != nil {
		return err
	}
	return Ingest(dir)
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
	_, err = ingest.Ingest(ws, ingest.Options{Jobs: 2, Prune: true})
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

// Only leaves one platform in a workspace and its evidence, with its cars, their logs, the revisions they have run or
// are to run, and the ancestors of these.
func Only(t testing.TB, dir, platform string) {
	t.Helper()
	if err := only(dir, platform); err != nil {
		t.Fatal(err)
	}
}

func only(dir, platform string) error {
	ws, err := workspace.Open(dir)
	if err != nil {
		return err
	}
	gone := []string{}
	for id := range ws.Platforms {
		if id != platform {
			gone = append(gone, "platforms/"+id+".yaml")
		}
	}
	run := revisionsOf(ws, platform)
	for id := range ws.Revisions {
		if !run[id] {
			gone = append(gone, "revisions/"+id)
		}
	}
	for id, v := range ws.Vehicles {
		if v.Platform != platform {
			gone = append(gone, "runs/"+id)
			err = errors.Join(err, withoutCar(dir, id))
		}
	}
	for _, name := range gone {
		err = errors.Join(err, os.RemoveAll(filepath.Join(dir, filepath.FromSlash(name))))
	}
	return errors.Join(err, Ingest(dir))
}

// revisionsOf are the revisions that a platform's cars have run or are to run, and their ancestors.
func revisionsOf(ws *workspace.Workspace, platform string) map[string]bool {
	out := map[string]bool{}
	add := func(id string) {
		for r := ws.Revisions[id]; r != nil && !out[r.ID]; r = ws.Revisions[r.Parent] {
			out[r.ID] = true
		}
	}
	for _, r := range ws.Runs {
		if ws.Vehicles[r.Vehicle].Platform == platform {
			add(r.Revision)
		}
	}
	for id, r := range ws.Revisions {
		if r.Platform == platform && r.Vehicle != workspace.Fleet {
			add(id)
		}
	}
	return out
}

// withoutLogsFrom removes the logs of a day and later, but for the one that cannot be read.
func withoutLogsFrom(dir, day string) error {
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		return err
	}
	return withoutLogs(dir, func(r *workspace.RunFile) bool { return r.Date >= day && r.Path != truth.Unreadable })
}

func withoutLogs(dir string, gone func(r *workspace.RunFile) bool) error {
	ws, err := workspace.Open(dir)
	if err != nil {
		return err
	}
	for i := range ws.Runs {
		r := &ws.Runs[i]
		if !gone(r) {
			continue
		}
		of := regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(r.Path) + `,.*\n`)
		err = errors.Join(err, os.Remove(filepath.Join(dir, filepath.FromSlash(r.Path))), cutLines(dir, "runs.csv", of))
	}
	return err
}

// withoutCar takes a car's lines out of the lists of a workspace.
func withoutCar(dir, car string) error {
	of := regexp.MustCompile(`(?m)^(runs/)?` + regexp.QuoteMeta(car) + `[,/].*\n`)
	var err error
	for _, list := range []string{"vehicles.csv", "runs.csv", "outcomes.csv"} {
		err = errors.Join(err, cutLines(dir, list, of))
	}
	return err
}

func cutLines(dir, file string, lines *regexp.Regexp) error {
	path := filepath.Join(dir, file)
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	return os.WriteFile(path, lines.ReplaceAll(b, nil), 0o644)
}

// RemoveFits deletes the fits kept in a workspace.
func RemoveFits(t testing.TB, dir string) {
	t.Helper()
	if err := os.RemoveAll(filepath.Join(ingest.StoreDir(dir), "fits")); err != nil {
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
