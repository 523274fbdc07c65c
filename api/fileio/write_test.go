package fileio

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
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
	if err := WriteDurably(path, []byte("x"), 0o600); err == nil || !strings.HasPrefix(err.Error(), path+": ") {
		t.Errorf("a folder was replaced by a file: %v", err)
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

// What is no file, such as a pipe, is written to and stays what it is; a link keeps pointing
// to the file that is replaced.
func TestWriteToWhatIsNoFile(t *testing.T) {
	dir := t.TempDir()
	pipe := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	got := make(chan string)
	go func() {
		data, err := os.ReadFile(pipe)
		got <- fmt.Sprintf("%s %v", data, err)
	}()
	if err := Write(pipe, []byte("text")); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(pipe)
	if err != nil || info.Mode().Type() != fs.ModeNamedPipe {
		t.Fatalf("%v, %v", info.Mode(), err)
	}
	if text := <-got; text != "text <nil>" {
		t.Errorf("%q", text)
	}

	file, link := filepath.Join(dir, "file"), filepath.Join(dir, "link")
	if err := errors.Join(Write(file, []byte("old")), os.Symlink("file", link)); err != nil {
		t.Fatal(err)
	}
	if err := Write(link, []byte("new")); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(file)
	if to, linkErr := os.Readlink(link); err != nil || linkErr != nil || string(data) != "new" || to != "file" {
		t.Errorf("%q, %v; the link is to %q, %v", data, err, to, linkErr)
	}
	if left := names(t, dir); len(left) != 3 {
		t.Errorf("the folder holds %v", left)
	}
}

// TestWhatCannotBeWrittenShowsBeforehand: the check says what writing would, leaves nothing behind, and lets through
// what can be written.
func TestWhatCannotBeWrittenShowsBeforehand(t *testing.T) {
	dir := t.TempDir()
	there := filepath.Join(dir, "there")
	if err := Write(there, []byte("old")); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{there, filepath.Join(dir, "new"), os.DevNull} {
		if err := CheckWrite(path); err != nil {
			t.Errorf("%s: %v", path, err)
		}
	}
	for _, path := range []string{dir, filepath.Join(dir, "none", "file"), filepath.Join(there, "file")} {
		if CheckWrite(path) == nil || Write(path, nil) == nil {
			t.Errorf("%s can be written", path)
		}
	}
	left, err := os.ReadDir(dir)
	if data, _ := os.ReadFile(there); err != nil || len(left) != 1 || string(data) != "old" {
		t.Errorf("the folder has %v, %v, the file %q", left, err, data)
	}
}
