package fileio

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// The file is there with its mode, the old one is gone, and nothing else is left.
func TestWriteFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a")
	for i, text := range []string{"first and longer", "second", "third"} {
		var err error
		if i == 1 {
			err = Write(path, []byte(text))
		} else {
			err = WriteDurably(path, []byte(text), 0o640)
		}
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(path)
		if err != nil || string(got) != text {
			t.Errorf("%q, %v, want %q", got, err, text)
		}
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode() != 0o640 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if got := names(t, dir); len(got) != 1 {
		t.Errorf("the folder holds %v", got)
	}
}

// What cannot be put in place leaves what was there, and nothing of its own.
func TestWriteFileFails(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a")
	if err := os.MkdirAll(filepath.Join(path, "full"), 0o755); err != nil { // a folder cannot be replaced
		t.Fatal(err)
	}
	if err := WriteDurably(path, []byte("x"), 0o600); err == nil {
		t.Error("a folder was replaced by a file")
	}
	if got := names(t, dir); len(got) != 1 || got[0] != "a" {
		t.Errorf("the folder holds %v", got)
	}
	broken := errors.New("broken")
	if err := WriteWith(filepath.Join(dir, "b"), func(io.Writer) error { return broken }); !errors.Is(err, broken) {
		t.Errorf("content that fails: %v", err)
	}
	if got := names(t, dir); len(got) != 1 {
		t.Errorf("half a file is left: %v", got)
	}
	none := filepath.Join(dir, "none", "a")
	if err := Write(none, nil); err == nil || err.Error() != none+": no such file or directory" ||
		!errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a folder that is not there: %v", err)
	}
	if err := WriteDurably(none, nil, 0o600); err == nil {
		t.Error("a file was written into a folder that is not there")
	}
	if err := SyncDir(filepath.Join(dir, "none")); err == nil {
		t.Error("a folder that is not there was synced")
	}
}
