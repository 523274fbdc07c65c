package record

import (
	"fmt"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// LockedError says that a file is being written or recovered by another process. The
// caller should leave it alone.
type LockedError struct{ Path string }

func (e *LockedError) Error() string {
	return e.Path + " is being written by another process"
}

// lockPatience is how long a lock is waited for. A process that this one starts holds copies of all open files, and
// the locks on them, from its fork until it runs its own program: a file that was just closed may seem locked so long.
const (
	lockPatience = 300 * time.Millisecond
	lockPause    = 10 * time.Millisecond
)

// lock takes the file's advisory lock, which the system drops with the process.
func lock(f *os.File) error {
	for waited := time.Duration(0); ; waited += lockPause {
		switch err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); {
		case err == nil:
			return nil
		case err != syscall.EWOULDBLOCK:
			return fmt.Errorf("%s: locking: %w", f.Name(), err)
		case waited >= lockPatience:
			return &LockedError{f.Name()}
		}
		time.Sleep(lockPause)
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
