package dispatch

import (
	"fmt"
	"runtime/debug"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
)

// PanicError is the cause of a Run that ended in a panic on the goroutine that owns the bus. Neither the driver nor the
// observers can be relied on after it: the process is to end.
type PanicError struct {
	Value any    // given to panic
	Stack []byte // of the goroutine
}

func (e *PanicError) Error() string {
	return fmt.Sprintf("panic on the goroutine that owns the bus: %v", e.Value)
}

// panicLimit is how long each part of what is done after a panic may take: who panicked may hold a lock.
const panicLimit = 300 * time.Millisecond

// panicked releases the lines, fails the open jobs, and answers whoever waits; it returns the cause.
func (r *runner) panicked(value any) error {
	cause := &PanicError{Value: value, Stack: debug.Stack()}
	r.log.Error("panic on the goroutine that owns the bus", zap.Any("panic", value),
		zap.ByteString("stack", cause.Stack))
	lines := LineRelease{State: facetdv1.LineState_LINE_STATE_NOT_CONFIRMED, Why: cause.Error()}
	var released LineRelease
	if attempt(func() { released, _ = r.releaseLines() }) {
		if released.State != facetdv1.LineState_LINE_STATE_UNSPECIFIED { // nor has it panicked again
			lines = released
		}
		for range len(r.jobs) { // the observer may panic with each
			if !attempt(func() { r.abandon(cause.Error()) }) {
				break
			}
		}
	}
	r.board.setState(facetdv1.State_STATE_FAULT, cause.Error())
	stopped := &StoppedError{Reason: cause.Error()}
	for _, d := range r.owed {
		d.answer(stopped)
	}
	r.box.end(stopped, lines)
	return cause
}

// attempt does what may panic or hang, and reports false when it did not end in time.
func attempt(f func()) bool {
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		defer func() { _ = recover() }() // the first panic is the cause
		f()
	}()
	select {
	case <-ended:
		return true
	case <-time.After(panicLimit):
		return false
	}
}
