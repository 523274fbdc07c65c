// Package machine tells which boot of which machine a program runs on, and reads the clock that its programs share.
package machine

import (
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// bootFile tells one boot of a Linux machine from another.
const bootFile = "/proc/sys/kernel/random/boot_id"

// Boot names this boot of the machine: programs that find the same share CLOCK_MONOTONIC. Empty where it is not known.
func Boot() string {
	b, err := os.ReadFile(bootFile)
	if err != nil {
		return "" // not Linux: no clock is known to be shared
	}
	return strings.TrimSpace(string(b))
}

// Monotonic reads CLOCK_MONOTONIC in nanoseconds. Errors: what the system says of it.
func Monotonic() (int64, error) {
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		return 0, os.NewSyscallError("clock_gettime", err)
	}
	return now.Nano(), nil
}
