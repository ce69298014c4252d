package worlds

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"

	"headroom/internal/parallel"
)

// TruthFile is the name of the file, beside the workspace's own, that says what is true.
const TruthFile = "truth.json"

// DefaultCars is the size of a fleet when Options.Cars is 0.
const DefaultCars = 24

// Options say which fleet to draw.
type Options struct {
	Seed uint64 // any; the same seed gives the same bytes
	Cars int    // 4 or more; 0 means DefaultCars
	// share of cars that drift, of kinds drawn from all there are; 0: the few that the fleet draws by itself
	Planted float64
}

// Build draws a fleet, drives its history and writes it as a workspace into dir, which must be absent or empty, with
// truth.json beside the workspace's files. It fails when dir has something in it, when too few cars are asked for, or
// when a file cannot be written.
func Build(dir string, o Options) (*Truth, error) {
	t, _, err := BuildProposed(dir, o, 0, 0)
	return t, err
}

// BuildProposed is Build and then Propose, with the history driven once.
func BuildProposed(dir string, o Options, n int, seed uint64) (*Truth, []Graded, error) {
	if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return nil, nil, fmt.Errorf("%s is not empty: name a new directory for the fleet", dir)
	} else if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, nil, fmt.Errorf("directory for the fleet: %w", err)
	}
	put := func(name string, content []byte) error { return putFile(dir, name, content) }
	w, err := invent(o, put)
	if err != nil {
		return nil, nil, err
	}
	files := map[string][]byte{"headroom.yaml": w.configFile(), "vehicles.csv": w.vehiclesFile(),
		"runs.csv":                           w.runsFile(),
		"platforms/" + w.engine.id + ".yaml": w.platformFile()}
	revisions := slices.Clone(w.base)
	for _, c := range w.cars {
		revisions = append(revisions, c.revisions...)
	}
	for _, r := range revisions {
		maps.Copy(files, r.files(w))
	}
	t := w.truth()
	if files[TruthFile], err = json.MarshalIndent(t, "", " "); err != nil {
		return nil, nil, fmt.Errorf("writing %s: %w", TruthFile, err)
	}
	if err := putAll(dir, files); err != nil {
		return nil, nil, err
	}
	graded, err := w.proposeAll(dir, n, seed)
	return t, graded, err
}

// Propose adds n proposed revisions of graded danger, p-0001 and on, to a workspace made by Build, and returns their
// truth in that order. The same workspace, n and seed give the same files and numbers. It fails when dir was not made
// by Build or cannot be written.
func Propose(dir string, n int, seed uint64) ([]Graded, error) {
	known, err := ReadTruth(dir)
	if err != nil {
		return nil, err
	}
	w, err := invent(Options{Seed: known.Seed, Cars: known.Cars, Planted: known.Planted}, nil)
	if err != nil {
		return nil, err
	}
	return w.proposeAll(dir, n, seed)
}

// proposeAll writes n proposed revisions into a workspace of the fleet.
func (w *world) proposeAll(dir string, n int, seed uint64) ([]Graded, error) {
	out := make([]Graded, n)
	return out, onAll(n, func(i int) error {
		p := w.propose(i, seed)
		out[i] = p.truth
		return putAll(dir, p.revision.files(w))
	})
}

// ReadTruth reads the truth file of a workspace made by Build. It fails when there is none.
func ReadTruth(dir string) (*Truth, error) {
	file := filepath.Join(dir, TruthFile)
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("%s holds no drawn fleet: %w", dir, err)
	}
	t := &Truth{}
	if err := json.Unmarshal(b, t); err != nil {
		return nil, fmt.Errorf("reading %s: %w; build the fleet again", file, err)
	}
	return t, nil
}

func putAll(dir string, files map[string][]byte) error {
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if err := putFile(dir, name, files[name]); err != nil {
			return err
		}
	}
	return nil
}

func putFile(dir, name string, content []byte) error {
	file := filepath.Join(dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return fmt.Errorf("writing the fleet: %w", err)
	}
	if err := os.WriteFile(file, content, 0o644); err != nil {
		return fmt.Errorf("writing the fleet: %w", err)
	}
	return nil
}

// onAll calls f for 0 … n−1 on all processors and returns the errors by index.
func onAll(n int, f func(i int) error) error {
	failed := make([]error, n)
	parallel.Each(n, runtime.GOMAXPROCS(0), func(int, int) {}, func(i int) { failed[i] = f(i) })
	return errors.Join(failed...)
}
