package record

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// TestALockOutlivesItsFileForAMoment: a copy of an open file, as a process has that is just being started, keeps the
// lock after the file was closed; whoever comes then waits for it, and not for ever.
func TestALockOutlivesItsFileForAMoment(t *testing.T) {
	open := func() *os.File {
		f, err := os.OpenFile(filepath.Join(t.TempDir(), "f"), os.O_CREATE|os.O_RDWR, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	first := open()
	if err := lock(first); err != nil {
		t.Fatal(err)
	}
	second, err := os.Open(first.Name())
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	var locked *LockedError
	if err := lock(second); !errors.As(err, &locked) {
		t.Errorf("a file that is being written: %v", err)
	}
	inherited, err := syscall.Dup(int(first.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	first.Close()
	time.AfterFunc(lockPatience/4, func() { syscall.Close(inherited) })
	if err := lock(second); err != nil {
		t.Errorf("a file that a starting process still held: %v", err)
	}
}
