package record

import (
	"fmt"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// LockedError says that a file is being written or recovered by another process. The
// caller should leave it alone.
type LockedError struct{ Path string }

func (e *LockedError) Error() string {
	return e.Path + " is being written by another process"
}

// lock takes the file's advisory lock, which the system drops with the process.
func lock(f *os.File) error {
	switch err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err {
	case nil:
		return nil
	case syscall.EWOULDBLOCK:
		return &LockedError{f.Name()}
	default:
		return fmt.Errorf("%s: locking: %w", f.Name(), err)
	}
}

// forget drops what the system remembers of a file, so that what is read next is what the
// disk has: after a refused sync the two may differ. It is best effort.
func forget(path string) {
	f, err := os.Open(path)
	if err != nil {
		return
	}
	defer f.Close()
	_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
}

// freeBytes is the free space that the daemon's user has on the disk of a folder.
func freeBytes(dir string) (uint64, error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return 0, fmt.Errorf("%s: %w", dir, err)
	}
	return st.Bavail * uint64(st.Bsize), nil
}
