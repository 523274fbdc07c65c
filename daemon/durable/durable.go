// Package durable writes small files so that a crash at any moment leaves the old or the
// new one, whole.
package durable

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// TempPrefix begins the names of files that are being written. A crash can leave one
// behind; whoever owns the folder may remove it when nothing is being written there.
const TempPrefix = ".writing-"

// WriteFile puts a file with these data and this mode in the place of what path names, and
// returns once it is on the disk. After an error the old file is there, whole; only where
// the folder itself could not be written down may it be the new one.
func WriteFile(path string, data []byte, mode fs.FileMode) (err error) {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, TempPrefix+"*")
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return SyncDir(dir)
}

// SyncDir makes durable what was made, renamed or removed in a folder.
func SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
