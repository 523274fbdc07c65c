package fileio

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// Modes are those of the files and folders of somebody's data, whatever the process's umask
// says. The zero value lets nobody else read them.
type Modes struct{ Files, Folders fs.FileMode }

// File is the mode of a file.
func (m Modes) File() fs.FileMode {
	if m.Files == 0 {
		return 0o600
	}
	return m.Files
}

func (m Modes) folder() fs.FileMode {
	if m.Folders == 0 {
		return 0o700
	}
	return m.Folders
}

// Create opens a new file for reading and writing, with more flags of os.OpenFile. An error
// that is os.ErrExist says that there is one.
func (m Modes) Create(path string, flags int) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL|flags, m.File())
	if err != nil {
		return nil, err
	}
	if err := f.Chmod(m.File()); err != nil {
		return nil, errors.Join(err, f.Close(), os.Remove(path))
	}
	return f, nil
}

// MkdirAll makes a folder and those above it where they are not there; those that are stay as
// they are.
func (m Modes) MkdirAll(dir string) error {
	err := m.Mkdir(dir)
	if errors.Is(err, fs.ErrNotExist) && filepath.Dir(dir) != dir {
		if err := m.MkdirAll(filepath.Dir(dir)); err != nil {
			return err
		}
		err = m.Mkdir(dir)
	}
	return err
}

// Mkdir makes a folder where it is not there.
func (m Modes) Mkdir(dir string) error {
	err := os.Mkdir(dir, m.folder())
	if errors.Is(err, fs.ErrExist) {
		if info, statErr := os.Stat(dir); statErr == nil && info.IsDir() {
			return nil
		}
	}
	if err != nil {
		return err
	}
	return os.Chmod(dir, m.folder())
}
