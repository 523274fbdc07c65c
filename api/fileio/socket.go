package fileio

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"time"
)

// RemoveStaleSocket removes a socket that nobody listens on any more, such as one left behind by a process that was
// killed.
// Errors: somebody listens there, or it is no socket; then it stays.
func RemoveStaleSocket(path string) error {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.Mode().Type() != os.ModeSocket:
		return fmt.Errorf("%s is there already and is not a socket", path)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	var d net.Dialer
	conn, err := d.DialContext(ctx, "unix", path)
	if err == nil {
		_ = conn.Close()
		return fmt.Errorf("another process listens on %s", path)
	}
	if !errors.Is(err, syscall.ECONNREFUSED) {
		return err
	}
	return os.Remove(path)
}
