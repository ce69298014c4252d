package fleettest

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/gofrs/flock"
)

// sharedPrefix begins the names of the folders, in the folder for temporary files, that go test commands share fleets
// in. A folder is named for its command, so that it never outlives a change of the code by which it was made.
const sharedPrefix = "headroom-shared-fleets-"

// shared copies what make writes into a folder of the given name to dir. Packages that the same go test command tests
// call make once among them; where they cannot be told to be of one command, make writes to dir itself.
func shared(name string, make func(dir string) error, dir string) error {
	command, ok := goCommand(os.Getppid())
	if !ok {
		return make(dir)
	}
	removeForsaken()
	kept := filepath.Join(os.TempDir(), sharedPrefix+command, name)
	if err := once(kept, make); err != nil {
		return err
	}
	return os.CopyFS(dir, os.DirFS(kept))
}

// once makes a folder, whole or not at all, unless it is there; processes that ask for it at the same time wait.
func once(dir string, make func(dir string) error) (err error) {
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return err
	}
	lock := flock.New(dir + ".lock")
	if err := lock.Lock(); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Unlock()) }()
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	unfinished := dir + ".unfinished" // of a process that was killed
	if err := os.RemoveAll(unfinished); err != nil {
		return err
	}
	if err := make(unfinished); err != nil {
		return err
	}
	return os.Rename(unfinished, dir)
}

// removeForsaken removes the folders of go commands that have ended.
func removeForsaken() {
	folders, _ := filepath.Glob(filepath.Join(os.TempDir(), sharedPrefix+processes()+"-*"))
	for _, folder := range folders {
		command := strings.TrimPrefix(filepath.Base(folder), sharedPrefix)
		var process int
		if _, err := fmt.Sscanf(command, processes()+"-%d-", &process); err != nil {
			continue
		}
		if now, ok := goCommand(process); !ok || now != command {
			os.RemoveAll(folder)
		}
	}
}

// goCommand names a running go command as no other is named until the machine starts anew: by its process and when that
// began. It is false for any other program, and where the system does not tell.
func goCommand(process int) (string, bool) {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", process)) // proc_pid_stat(5)
	if err != nil {
		return "", false
	}
	_, after, ok := strings.Cut(string(stat), " (go) ")
	fields := strings.Fields(after)
	const started = 22 - 3 // of the fields from the third on
	if !ok || len(fields) <= started {
		return "", false
	}
	return fmt.Sprintf("%s-%d-%s", processes(), process, fields[started]), true
}

// processes tells the processes this one sees from those of a container with the same folder for temporary files.
func processes() string {
	link, _ := os.Readlink("/proc/self/ns/pid") // pid_namespaces(7): pid:[number]
	return strings.Trim(link, "pid:[]")
}
