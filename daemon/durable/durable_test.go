package durable

import (
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
	for _, text := range []string{"first and longer", "second"} {
		if err := WriteFile(path, []byte(text), 0o640); err != nil {
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
	if err := WriteFile(path, []byte("x"), 0o600); err == nil {
		t.Error("a folder was replaced by a file")
	}
	if got := names(t, dir); len(got) != 1 || got[0] != "a" {
		t.Errorf("the folder holds %v", got)
	}
	if err := WriteFile(filepath.Join(dir, "none", "a"), nil, 0o600); err == nil {
		t.Error("a file was written into a folder that is not there")
	}
	if err := SyncDir(filepath.Join(dir, "none")); err == nil {
		t.Error("a folder that is not there was synced")
	}
}
