package bus

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Bus is what the dispatcher needs of a bus. It is owned by one goroutine: no method may be called while another runs,
// except Now, HostTime, Limits and Lost.
type Bus interface {
	// Now returns the bus time, which is the executor's clock. It never runs backwards.
	Now() Time
	// HostTime maps bus time to host time (UTC) and says how far that may be off.
	HostTime(at Time) (host time.Time, uncertainty time.Duration)
	// Limits returns what the executor can do. It does not change.
	Limits() Limits
	// Prepare makes the executor ready for exactly these programs: those that it does not have are checked, costed and
	// stored, those of before that are not among them may be dropped, once no segment in flight is a run of them.
	// Programs are told apart by their addresses. After a loss it connects again. Errors: what is wrong with every
	// program that could never run, or that the store is too small; *LostError; ctx's. Those that were ready before
	// stay so.
	Prepare(ctx context.Context, programs []*Program) error
	// Submit hands a segment over, to run from bus time start on, a multiple of Limits.Grain that does not lie before
	// the end of the segment submitted before (rule 8). It does not wait. The bus keeps the segment and its job until
	// its result was taken, and they are not to be changed. An error means that nothing was submitted, and no result
	// will come: ErrQueueFull, ErrNotPrepared, ErrClosed, *LostError, *ValueError for values outside the bounds of
	// their slots. That it comes too late is told by Next.
	Submit(start Time, s *Segment) error
	// Next waits for the result of the segment that was submitted first of those whose result was not taken. An error
	// means that there is no result: ctx's, after which the segment goes on and Next can be called again; ErrIdle when
	// nothing is in flight; ErrClosed.
	Next(ctx context.Context) (Result, error)
	// Cancel takes back every segment in flight that starts after a bus time and has not begun: it is refused with the
	// cause Recalled, which Next tells. It does not wait. Errors: ErrClosed, *LostError.
	Cancel(after Time) error
	// WaitUntil blocks until bus time at, or until ctx ends, and returns ctx's error in that case. A virtual bus in
	// free pace moves its time there at once.
	WaitUntil(ctx context.Context, at Time) error
	// Release makes every select line inactive at once. A segment that runs breaks off, with ErrReleased; those that
	// wait are recalled; Next tells both. An error says why the executor could not be asked; what is returned beside
	// it is then inferred.
	Release(ctx context.Context) (Stop, error)
	// Lost returns a channel that gives an error each time the executor was lost; nil where that cannot happen.
	Lost() <-chan error
}

// BusCloser is a Bus that can be closed; only the daemon holds one, so that nobody else can end the bus for all.
type BusCloser interface {
	Bus
	// Close releases every line and ends the driver. The bus cannot be used afterwards.
	Close() error
}

// Stop is how every line became inactive. There are two limits for it (rule 10), both in time of the device: Limits.
// Release from when it received the stop or found a fault of its own; with its host lost, Limits.Lease and that.
type Stop struct {
	// Received is when the executor received the stop; where that is not known, when it was asked for.
	Received Time
	// Inactive is when every line was inactive: measured by the executor where it is Confirmed, and otherwise when
	// its lease must have made them so.
	Inactive  Time
	Confirmed bool
}

// Limits is what an executor can do.
type Limits struct {
	// Grain is the unit of its clock: starts, costs and holds are multiples of it. At least 1 ns. The array that plans
	// are made for is to be on it; see chipmodel.Array.OnGrain.
	Grain time.Duration
	// LeastLead is how long before its start a segment must have been handed over, the way to the executor and
	// its preparations there included.
	LeastLead time.Duration
	// ResultLatency is how long after its end the result of a segment is there at the latest, which frees its place in
	// the queue.
	ResultLatency time.Duration
	// Queue is how many segments may be in flight: submitted, with their results not yet taken. At least 1.
	Queue int
	// StoreBytes is the size of its store of programs; 0 is no limit.
	StoreBytes int
	// Release is the longest from the receipt of a stop, or a fault on the device, to all lines inactive (rule 10). It
	// is at most the array's release limit.
	Release time.Duration
	// Lease is how long it goes on without hearing of its host; then it releases the lines by itself, within Release.
	// 0 means that it cannot outlive its host.
	Lease time.Duration
	// EdgeLatency is how long after an edge at an input its device tells of it at the latest, the way included.
	EdgeLatency time.Duration
}

// Inputs is a bus whose device tells of edges at its inputs.
type Inputs interface {
	// OnEdge says who is told, in the order of the edges of each input, on a goroutine of the bus, which it must not
	// hold up. It is called once, before the first segment.
	OnEdge(tell func(Edge))
}

// Result is what became of a segment.
type Result struct {
	// Start and End in bus time, as the executor measured them. Of a refused segment both are when it was to start.
	Start, End Time
	Captures   []Capture
	// Busy is the bus time by phase; the sum is End - Start.
	Busy Phases
	// Ran is how many operations were executed whole: all of them, unless Err says otherwise.
	Ran int
	// Began has the bus time at which each operation that began did so, as the executor measured it. It is nil where
	// they began exactly as planned, each at the end of the one before it, which took its Cost: so the simulated bus,
	// on which that is always so, says nothing and allocates nothing.
	Began []Time
	// Slack is how much later the segment could have been handed over without being refused, by the executor's clock;
	// what is below 0 is by how much it came too late. NoSlack where nothing can come too late.
	Slack time.Duration
	// Err is nil when the segment ran whole; *RefusedError when nothing of it was executed; any other error when it
	// broke off.
	Err error
}

// NoSlack is the slack of a segment that could have been handed over at any time.
const NoSlack = time.Duration(1<<63 - 1)

// Refused reports whether nothing of the segment was executed.
func (r *Result) Refused() bool { return r.Err != nil && errors.As(r.Err, new(*RefusedError)) }

// Cause is why a segment was refused.
type Cause uint8

// The causes.
const (
	// HostStall: it was handed over too late.
	HostStall Cause = iota + 1
	// LinkDelay: it was handed over in time, but reached the executor too late.
	LinkDelay
	// DeviceBusy: it reached the executor in time, which could not make it ready.
	DeviceBusy
	// Recalled: it was taken back by Cancel or Release, or is behind a segment that was refused or broke off. Nothing
	// is wrong with it.
	Recalled
)

func (c Cause) String() string {
	return [...]string{"no cause", "host stall", "link", "device", "recalled"}[c]
}

// RefusedError says that nothing of a segment was executed.
type RefusedError struct {
	Cause Cause
	// Planned is its start, Device the executor's time when it was refused.
	Planned, Device Time
	// Late is by how much it came too late; 0 when it was recalled.
	Late time.Duration
}

func (e *RefusedError) Error() string {
	if e.Cause == Recalled {
		return fmt.Sprintf("recalled before its start at %d ns", e.Planned)
	}
	return fmt.Sprintf("refused: handed over %v too late for its start at %d ns, at %d ns of the device's clock (%v)",
		e.Late, e.Planned, e.Device, e.Cause)
}

// LostError says that the executor was lost, and why. Every register is at an unknown value, every load void.
type LostError struct{ Cause error }

func (e *LostError) Error() string { return "the bus is lost: " + e.Cause.Error() }

func (e *LostError) Unwrap() error { return e.Cause }

// Errors of a bus.
var (
	ErrClosed      = errors.New("the bus is closed")
	ErrIdle        = errors.New("nothing is in flight")
	ErrQueueFull   = errors.New("the queue of the bus is full")
	ErrNotPrepared = errors.New("the program was not prepared")
	ErrReleased    = errors.New("the lines were released")
)
