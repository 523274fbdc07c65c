package fileio

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// What is made has its mode whatever the umask is; what is there keeps its own.
func TestModes(t *testing.T) {
	before := syscall.Umask(0)
	defer syscall.Umask(before)
	for _, umask := range []int{0, 0o027, 0o077, 0o777} {
		for m, want := range map[Modes]Modes{
			{}:             {0o600, 0o700},
			{0o640, 0o750}: {0o640, 0o750},
			{0o644, 0o755}: {0o644, 0o755},
		} {
			syscall.Umask(before)
			dir := t.TempDir()
			if err := os.Chmod(dir, 0o711); err != nil {
				t.Fatal(err)
			}
			syscall.Umask(umask)
			deep := filepath.Join(dir, "a", "b")
			for range 2 {
				if err := m.MkdirAll(deep); err != nil {
					t.Fatalf("umask %03o: %v", umask, err)
				}
			}
			f, err := m.Create(filepath.Join(deep, "f"), 0)
			if err != nil {
				t.Fatal(err)
			}
			f.Close()
			if _, err := m.Create(f.Name(), 0); !errors.Is(err, fs.ErrExist) {
				t.Errorf("a second file: %v", err)
			}
			if err := m.MkdirAll(f.Name()); !errors.Is(err, fs.ErrExist) {
				t.Errorf("a folder in the place of a file: %v", err)
			}
			for path, mode := range map[string]fs.FileMode{
				dir: 0o711, filepath.Dir(deep): want.Folders, deep: want.Folders, f.Name(): want.Files,
			} {
				if info, err := os.Stat(path); err != nil || info.Mode().Perm() != mode {
					t.Errorf("umask %03o: %s is %v, %v; want %03o", umask, path, info.Mode(), err, mode)
				}
			}
		}
	}
}
