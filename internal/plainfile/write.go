package plainfile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/google/renameio/v2"
)

// Write replaces a file as a whole: by a temporary file in the same folder, synced and renamed. A link keeps standing
// and the file it leads to is replaced, with the permissions it had; into a pipe or a device is written. A link that
// leads nowhere is an error.
func Write(name string, data []byte) error {
	info, err := os.Stat(name)
	switch {
	case err == nil && !info.Mode().IsRegular():
		return into(name, data)
	case err == nil:
		if name, err = filepath.EvalSymlinks(name); err != nil {
			return err
		}
	case errors.Is(err, fs.ErrNotExist):
		if _, err := os.Lstat(name); err == nil {
			return fmt.Errorf("%s is a link that leads nowhere: remove it or make the file", name)
		}
	default:
		return err
	}
	return renameio.WriteFile(name, data, 0o644, renameio.WithTempDir(filepath.Dir(name)),
		renameio.WithExistingPermissions())
}

// into writes to what is no regular file.
func into(name string, data []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Close())
}
