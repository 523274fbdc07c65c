package link

import (
	"os"

	"golang.org/x/sys/unix"
)

// queued is how many bytes wait in the driver of a port to be sent; 0 where that does not tell.
func queued(port *os.File) (n int) {
	raw, err := port.SyscallConn()
	if err != nil {
		return 0
	}
	_ = raw.Control(func(fd uintptr) { // a port that is closed has none
		if n, err = unix.IoctlGetInt(int(fd), unix.TIOCOUTQ); err != nil {
			n = 0
		}
	})
	return n
}
