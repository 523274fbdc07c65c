package machine

import (
	"os"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// Boot names this boot of the machine and the time namespace of this process: programs that find the same share
// CLOCK_MONOTONIC. Empty where it is not known.
func Boot() string { return boot() }

var boot = sync.OnceValue(readBoot)

func readBoot() string {
	boot, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	namespace, err := os.Readlink("/proc/self/ns/time")
	if err != nil {
		namespace = "" // a kernel without them: all share one
	}
	return strings.TrimSpace(strings.TrimSpace(string(boot)) + " " + namespace)
}

// Monotonic reads CLOCK_MONOTONIC in nanoseconds. It stands still while the machine sleeps. Errors: what the system
// says of it.
func Monotonic() (int64, error) { return read(unix.CLOCK_MONOTONIC) }

// SinceBoot reads CLOCK_BOOTTIME in nanoseconds, which goes on while the machine sleeps.
func SinceBoot() (int64, error) { return read(unix.CLOCK_BOOTTIME) }

func read(clock int32) (int64, error) {
	var now unix.Timespec
	if err := unix.ClockGettime(clock, &now); err != nil {
		return 0, os.NewSyscallError("clock_gettime", err)
	}
	return now.Nano(), nil
}
