package facet

import (
	"encoding/binary"
	"fmt"
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/machine"
)

// pixelFormat is the only format of codes that there is: 16 bits per pixel, least
// significant byte first (GenICam Pixel Format Naming Convention).
const pixelFormat = "Mono16"

// FrameSet is all frames of one job, as received.
type FrameSet struct {
	// Message is the frame set as the daemon sent it.
	Message *facetdv1.FrameSet
	// Gap says what was lost since the frame set before on the same stream.
	Gap Gap
	// ReceivedAt is when it arrived here.
	ReceivedAt time.Time

	frames []Frame
	clock  func() time.Time
	// boot is that of the daemon's host, where that is known.
	boot string
	// receivedAwake is when it arrived by the clock that goes on while this machine sleeps, where it has one.
	receivedAwake int64
}

// infinitely old.
const infinitely = time.Duration(math.MaxInt64)

// clockTolerance is how far light may lie in the future, with its own uncertainty, before the clocks are taken for
// ones that do not agree.
const clockTolerance = 20 * time.Millisecond

// Frame is one view of one chip. Its codes may be read, not written.
type Frame struct {
	// Message is the frame as the daemon sent it.
	Message *facetdv1.Frame
	set     *FrameSet
}

// NewFrameSet is a frame set from elsewhere than a stream, such as a recording or a test's own. clock is what its age
// is measured with; nil means time.Now. Errors: what is wrong with its pixels.
func NewFrameSet(m *facetdv1.FrameSet, clock func() time.Time) (*FrameSet, error) {
	if clock == nil {
		clock = time.Now
	}
	return (&Client{clock: clock}).received(m)
}

// received checks what came from the wire, so that nothing needs to be checked later.
func (c *Client) received(m *facetdv1.FrameSet) (*FrameSet, error) {
	awake, err := machine.SinceBoot()
	if err != nil {
		awake = 0 // sets from this machine are then infinitely old
	}
	s := &FrameSet{Message: m, ReceivedAt: c.clock(), receivedAwake: awake, clock: c.clock,
		frames: make([]Frame, len(m.GetFrames()))}
	for i, f := range m.GetFrames() {
		if f.GetPixelFormat() != pixelFormat {
			return nil, fmt.Errorf("frame of chip %s: pixel format %q is not known here, only %s", f.GetChip(),
				f.GetPixelFormat(), pixelFormat)
		}
		// The product of two 32-bit numbers fits; twice it might not.
		if n := uint64(f.GetRows()) * uint64(f.GetColumns()); len(f.GetData())%2 != 0 ||
			uint64(len(f.GetData()))/2 != n {
			return nil, fmt.Errorf("frame of chip %s: %d bytes of pixels, but %d rows of %d columns have %d pixels "+
				"of 2 bytes", f.GetChip(), len(f.GetData()), f.GetRows(), f.GetColumns(), n)
		}
		s.frames[i] = Frame{f, s}
	}
	return s, nil
}

// Task is the name of the task; empty for a capture.
func (s *FrameSet) Task() string { return s.Message.GetTask() }

// Job is the number of the job since the task began, from 0.
func (s *FrameSet) Job() uint64 { return s.Message.GetJob() }

// Frames are the frames, in the order of the target and then of the views. There are
// none, or fewer than usual, when the job failed.
func (s *FrameSet) Frames() []Frame { return s.frames }

// Frame returns the first frame of a chip; of a view as well where one is named.
func (s *FrameSet) Frame(chip string, view ...string) (Frame, bool) {
	for _, f := range s.frames {
		if f.Chip() == chip && (len(view) == 0 || f.View() == view[0]) {
			return f, true
		}
	}
	return Frame{}, false
}

// Failure says why the job failed; empty when it did not.
func (s *FrameSet) Failure() string { return s.Message.GetFailure() }

// Late reports whether the job finished after its deadline.
func (s *FrameSet) Late() bool { return s.Message.GetLate() }

// Skew is the spread of the frames' light times.
func (s *FrameSet) Skew() time.Duration { return time.Duration(s.Message.GetSkewNs()) }

// Age is how old the oldest light in the set is now, by this machine's clock, plus how
// far the daemon says its times may be off. Of a stream from a daemon on this machine it goes
// by the monotonic clock, which is never set. On another machine than the daemon's it is
// as good as the UTC of the two agrees: Clock.Age does not depend on that; it is never less than how long
// the set has been here. A set without frames is infinitely old, and so is one whose light would lie further in the
// future than its uncertainty and 20 ms: the clocks do not agree then.
func (s *FrameSet) Age() time.Duration {
	if len(s.frames) == 0 {
		return infinitely
	}
	if s.boot != "" && s.boot == machine.Boot() {
		return s.ageHere()
	}
	now := s.clock()
	oldest := max(0, now.Sub(s.ReceivedAt))
	for _, f := range s.frames {
		age := now.Sub(f.LightTime()) + f.TimeUncertainty()
		if age < -clockTolerance {
			return infinitely
		}
		oldest = max(oldest, age)
	}
	return oldest
}

// ageHere is Age of a set from this machine. The monotonic clock stands still while the machine sleeps: how long the
// set has waited is by the one that does not.
func (s *FrameSet) ageHere() time.Duration {
	now, err := machine.Monotonic()
	awake, errAwake := machine.SinceBoot()
	if err != nil || errAwake != nil {
		return infinitely
	}
	oldest := time.Duration(awake - s.receivedAwake)
	for _, f := range s.frames {
		light, known := f.lightMonotonic()
		age := time.Duration(now-light) + f.TimeUncertainty()
		if !known || age < -clockTolerance {
			return infinitely
		}
		oldest = max(oldest, age)
	}
	return oldest
}

// IsStale reports whether the set must not be acted on any more: its job failed, it has
// no frames, or its light is older than limit.
func (s *FrameSet) IsStale(limit time.Duration) bool {
	return s.Failure() != "" || s.Age() > limit
}

// lightMonotonic is the time of the light by the monotonic clock of the daemon's machine.
func (f Frame) lightMonotonic() (ns int64, known bool) {
	at := f.Message.GetFirstSampleMonotonicNs()
	return at - (f.Message.GetFirstSampleBusNs() - f.Message.GetLightBusNs()), at != 0
}

// Chip is the name of the chip.
func (f Frame) Chip() string { return f.Message.GetChip() }

// View is the name of the view.
func (f Frame) View() string { return f.Message.GetView() }

// Rows is the number of rows of the frame.
func (f Frame) Rows() int { return int(f.Message.GetRows()) }

// Columns is the number of columns of the frame.
func (f Frame) Columns() int { return int(f.Message.GetColumns()) }

// At is the code of one pixel. It panics outside of the frame, as an index does.
func (f Frame) At(row, column int) uint16 {
	if uint(row) >= uint(f.Rows()) || uint(column) >= uint(f.Columns()) {
		panic(fmt.Sprintf("pixel (%d, %d) of a frame of %d by %d", row, column, f.Rows(), f.Columns()))
	}
	return binary.LittleEndian.Uint16(f.Message.GetData()[2*(row*f.Columns()+column):])
}

// Codes appends the codes, row by row, to dst, which may be nil.
func (f Frame) Codes(dst []uint16) []uint16 {
	data := f.Message.GetData()
	for i := 0; i+1 < len(data); i += 2 {
		dst = append(dst, binary.LittleEndian.Uint16(data[i:]))
	}
	return dst
}

// Volts is the input voltage of the converter that a code stands for, the middle of its step.
func (f Frame) Volts(code uint16) float64 {
	return f.Message.GetCodeZeroVolts() + float64(code)*f.Message.GetVoltsPerCode()
}

// FirstSampleTime is when the first pixel was sampled by the converter, as host time of
// the daemon's machine.
func (f Frame) FirstSampleTime() time.Time { return f.Message.GetFirstSampleTime().AsTime() }

// LightTime is when the light was sampled, as host time of the daemon's machine.
func (f Frame) LightTime() time.Time {
	return f.FirstSampleTime().Add(time.Duration(f.Message.GetLightBusNs() - f.Message.GetFirstSampleBusNs()))
}

// TimeUncertainty is how far those times may be off.
func (f Frame) TimeUncertainty() time.Duration {
	return time.Duration(f.Message.GetTimeUncertaintyNs())
}

// Hold is the longest time from load to conversion; 0 for chips without memory.
func (f Frame) Hold() time.Duration { return time.Duration(f.Message.GetHoldNs()) }

// Corrected reports whether anything was done to the codes after conversion.
func (f Frame) Corrected() bool { return len(f.Message.GetCorrections()) > 0 }
