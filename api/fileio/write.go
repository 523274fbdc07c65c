package fileio

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// TempPrefix begins the names of files that are being written. A crash can leave one
// behind; whoever owns the folder may remove it when nothing is being written there.
const TempPrefix = ".writing-"

// Write puts a file of mode 0644 with these data in the place of what path names: at any
// moment the old or the new one is there, whole. After a crash of the machine the new one
// may be lost. A link stays, and what it points to is replaced; what is no file, such as
// /dev/stdout, is written to.
func Write(path string, data []byte) error {
	return WriteWith(path, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// CheckWrite says why Write of a path would fail now, as far as that shows beforehand: for those who take long to make
// what they then write. It leaves nothing behind.
func CheckWrite(path string) error {
	info, err := os.Stat(path)
	switch {
	case err == nil && info.IsDir():
		return fmt.Errorf("%s: it is a folder", path)
	case err == nil && !info.Mode().IsRegular():
		return nil
	case err == nil:
		if path, err = filepath.EvalSymlinks(path); err != nil {
			return Plain(err)
		}
	}
	f, err := os.CreateTemp(filepath.Dir(path), TempPrefix+"*")
	var p *fs.PathError
	if errors.As(err, &p) {
		return fmt.Errorf("%s: %w", path, p.Err)
	}
	if err != nil {
		return err
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// WriteWith is Write of what content writes.
func WriteWith(path string, content func(io.Writer) error) error {
	info, err := os.Stat(path)
	switch {
	case err == nil && !info.Mode().IsRegular() && !info.IsDir():
		return writeTo(path, content)
	case err == nil:
		if path, err = filepath.EvalSymlinks(path); err != nil {
			return Plain(err)
		}
	}
	return replace(path, 0o644, func(f File) error { return content(f) }, func(*os.File) error { return nil })
}

// writeTo writes to what is there already.
func writeTo(path string, content func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return Plain(err)
	}
	return Plain(errors.Join(content(f), f.Close()))
}

// WriteDurably puts a file with these data and this mode in the place of what path names,
// and returns once it is on the disk. After an error the old file is there, whole; only
// where the folder itself could not be written down may it be the new one.
func WriteDurably(path string, data []byte, mode fs.FileMode) error {
	return WriteDurablyThrough(nil, path, data, mode)
}

// File is what a file is written to until it is put in its place.
type File interface {
	io.Writer
	Sync() error
}

// WriteDurablyThrough is WriteDurably with something put around the file, where wrap is not nil: for tests of a disk
// that is full.
func WriteDurablyThrough(wrap func(File) File, path string, data []byte, mode fs.FileMode) error {
	var to File
	err := replace(path, mode, func(f File) error {
		if to = f; wrap != nil {
			to = wrap(f)
		}
		_, err := to.Write(data)
		return err
	}, func(*os.File) error { return to.Sync() })
	if err != nil {
		return err
	}
	return SyncDir(filepath.Dir(path))
}

func replace(path string, mode fs.FileMode, content func(File) error, sync func(*os.File) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), TempPrefix+"*")
	var p *fs.PathError
	if errors.As(err, &p) {
		return fmt.Errorf("%s: %w", path, p.Err) // not the name that nobody gave
	}
	if err != nil {
		return err
	}
	err = content(f)
	if err == nil {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = sync(f)
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(Plain(err), os.Remove(f.Name()))
	}
	return nil
}

// SyncDir makes durable what was made, renamed or removed in a folder.
func SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
