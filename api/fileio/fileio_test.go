package fileio

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestRead(t *testing.T) {
	name := filepath.Join(t.TempDir(), "f")
	if _, err := Read(name, 10); err == nil || err.Error() != name+": no such file or directory" ||
		!errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a missing file: %v", err)
	}
	if err := os.WriteFile(name, make([]byte, 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	if data, err := Read(name, 1<<20); err != nil || len(data) != 1<<20 {
		t.Errorf("%d bytes, %v", len(data), err)
	}
	if data, err := Read(name, 1<<20-1); err == nil || data != nil ||
		!strings.HasPrefix(err.Error(), name+" is larger than") {
		t.Errorf("too large: %d bytes, %v", len(data), err)
	}
	if _, err := Read(filepath.Dir(name), 10); err == nil || !strings.HasPrefix(err.Error(), filepath.Dir(name)+": ") {
		t.Errorf("a folder: %v", err)
	}
}
