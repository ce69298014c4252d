//go:build unix

package plainfile

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// A result goes where a link leads, into a pipe and into a device; none of them is replaced by a file.
func TestWriteKeepsLinksPipesAndDevices(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(os.WriteFile(at("private"), []byte("old"), 0o600))
	must(os.Symlink("private", at("link")))
	must(os.Symlink("/dev/null", at("device")))
	must(os.Symlink("nowhere", at("dangling")))
	must(syscall.Mkfifo(at("pipe"), 0o600))
	must(Write(at("link"), []byte("new")))
	if got, _ := os.ReadFile(at("private")); string(got) != "new" {
		t.Errorf("behind the link is %q", got)
	}
	if info, err := os.Stat(at("private")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file behind the link is now %v, %v", info.Mode(), err)
	}
	must(Write(at("device"), []byte("x")))
	read := make(chan string)
	go func() {
		got, _ := os.ReadFile(at("pipe"))
		read <- string(got)
	}()
	must(Write(at("pipe"), []byte("through")))
	if got := <-read; got != "through" {
		t.Errorf("through the pipe came %q", got)
	}
	if err := Write(at("dangling"), nil); err == nil {
		t.Error("a link that leads nowhere is written to")
	}
	for name, kind := range map[string]os.FileMode{"link": os.ModeSymlink, "device": os.ModeSymlink,
		"dangling": os.ModeSymlink, "pipe": os.ModeNamedPipe} {
		if info, err := os.Lstat(at(name)); err != nil || info.Mode().Type() != kind {
			t.Errorf("%s is now %v, %v", name, info.Mode(), err)
		}
	}
	// no temporary file stays, and none is made elsewhere
	must(Write(at("fresh"), []byte("x")))
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 6 {
		t.Errorf("%d files, %v", len(entries), err)
	}
}
