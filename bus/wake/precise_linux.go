package wake

import (
	"context"
	"errors"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// precise waits for a timer of the kernel (timerfd_create(2)) as for a file: its goroutine is parked, so that no thread
// is blocked, and the end of a context ends the wait at once. A sleep of a locked thread (clock_nanosleep(2)) ends a
// few hundredths of a millisecond earlier, but nothing can end it before its time.
type precise struct {
	timer *os.File
	raw   interface{ Control(func(fd uintptr)) error }
	// The contexts that end waits, by their channels, the last one first. They are kept until there are others: most
	// waits are for one of the same two, and to watch one costs allocations.
	watched [2]watched

	wait unix.ItimerSpec
	set  func(fd uintptr) // arms the timer to wait
	err  error            // of set
	seen [8]byte

	coarse Timer // where the kernel's fails
}

// Precise returns the most precise sleeper that this system has.
func Precise() Sleeper {
	fd, err := unix.TimerfdCreate(unix.CLOCK_MONOTONIC, unix.TFD_NONBLOCK|unix.TFD_CLOEXEC)
	if err != nil {
		return &Timer{} // something forbids it: waits are as they are elsewhere
	}
	p := &precise{timer: os.NewFile(uintptr(fd), "timerfd")}
	if p.raw, err = p.timer.SyscallConn(); err != nil || p.timer.SetReadDeadline(time.Time{}) != nil {
		_ = p.timer.Close() // it was not used
		return &Timer{}
	}
	p.set = func(fd uintptr) { p.err = unix.TimerfdSettime(int(fd), 0, &p.wait, nil) }
	return p
}

// watched is a context whose end ends reads of the timer.
type watched struct {
	done    <-chan struct{}
	unwatch func() bool
}

// past is a deadline that has passed.
var past = time.Unix(1, 0)

// watch lets the end of ctx end reads of the timer. One that never ends leaves the one before watched.
func (p *precise) watch(ctx context.Context) {
	if ctx.Done() == nil || ctx.Done() == p.watched[0].done {
		return
	}
	p.watched[0], p.watched[1] = p.watched[1], p.watched[0]
	if ctx.Done() == p.watched[0].done {
		return
	}
	if p.watched[0].unwatch != nil {
		p.watched[0].unwatch()
	}
	p.watched[0] = watched{ctx.Done(),
		context.AfterFunc(ctx, func() { _ = p.timer.SetReadDeadline(past) })} // a closed one needs none
}

// Sleep implements Sleeper.
func (p *precise) Sleep(ctx context.Context, until time.Time) error {
	p.watch(ctx)
	for {
		left := time.Until(until)
		if err := ctx.Err(); err != nil || left <= 0 {
			return err
		}
		p.wait.Value = unix.NsecToTimespec(int64(left))
		if p.raw.Control(p.set) != nil || p.err != nil {
			return p.coarse.Sleep(ctx, until)
		}
		_, err := p.timer.Read(p.seen[:])
		if errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil {
			// A context that was watched before has ended, perhaps only now.
			err = p.timer.SetReadDeadline(time.Time{})
		}
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			return p.coarse.Sleep(ctx, until)
		}
	}
}

// Close implements Sleeper.
func (p *precise) Close() error {
	for _, w := range p.watched {
		if w.unwatch != nil {
			w.unwatch()
		}
	}
	return p.timer.Close()
}
