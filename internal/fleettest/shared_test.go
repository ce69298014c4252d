package fleettest

import (
	"errors"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
)

// A folder asked for many times at once is made once and is whole for all; what a killed or failing process left behind
// is never taken for it.
func TestOnce(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "fleet")
	if err := os.MkdirAll(filepath.Join(dir+".unfinished", "half"), 0o755); err != nil {
		t.Fatal(err)
	}
	made := atomic.Int32{}
	fail := errors.New("no")
	if err := once(dir, func(string) error { return fail }); !errors.Is(err, fail) {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			err := once(dir, func(dir string) error {
				made.Add(1)
				return os.MkdirAll(filepath.Join(dir, "whole"), 0o755)
			})
			if err != nil {
				t.Error(err)
			}
			if _, err := os.Stat(filepath.Join(dir, "whole")); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if _, err := os.Stat(filepath.Join(dir, "half")); err == nil || made.Load() != 1 {
		t.Errorf("made %d times, half of another: %v", made.Load(), err)
	}
}

// The folder of a command that has ended is removed, that of the running one stays.
func TestForsakenFleetsAreRemoved(t *testing.T) {
	command, ok := goCommand(os.Getppid())
	if !ok {
		t.Skip("go does not run this test, or the system does not tell")
	}
	t.Setenv("TMPDIR", t.TempDir())
	running := filepath.Join(os.TempDir(), sharedPrefix+command)
	ended := running + "0" // the same process, begun at another time
	for _, dir := range []string{running, ended} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	removeForsaken()
	if _, err := os.Stat(running); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(ended); err == nil {
		t.Error("it stays although its command has ended")
	}
}
