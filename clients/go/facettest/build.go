package facettest

import (
	"encoding/binary"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/daemon/lockstep"
)

// Pixels are what a test wants a chip to have seen.
type Pixels struct {
	Chip, View string
	// Rows and Columns of the codes, which lie row by row. Each is at most 65535.
	Rows, Columns int
	Codes         []uint16
	// Bits that carry signal; 0 means 12.
	Bits int
	// ZeroVolts is what code 0 stands for, and StepVolts what one step adds; 0 means 1 mV.
	ZeroVolts, StepVolts float64
	// Light is when the light was sampled, after when the set's was.
	Light time.Duration
}

// BuildSet makes a frame set of one's own pixels, as one job of a task would bring it whose light was sampled at a bus
// time: with the times, without uncertainty, that an array under test gives, so that ages go by its clock. It panics
// when the number of codes is not that of the pixels.
func BuildSet(task string, job uint64, light time.Duration, pixels ...Pixels) *facetdv1.FrameSet {
	set := &facetdv1.FrameSet{Task: task, Job: job, TaskGeneration: 1, ReleaseBusNs: light.Nanoseconds(),
		StartBusNs: light.Nanoseconds(), FinishBusNs: light.Nanoseconds()}
	first, last := time.Duration(0), time.Duration(0)
	for i, p := range pixels {
		set.Frames = append(set.Frames, p.frame(light+p.Light))
		if i == 0 {
			first, last = p.Light, p.Light
		}
		first, last = min(first, p.Light), max(last, p.Light)
	}
	set.SkewNs = int64(last - first)
	set.FinishBusNs += int64(last)
	set.DeadlineBusNs = set.FinishBusNs
	return set
}

func (p Pixels) frame(light time.Duration) *facetdv1.Frame {
	if len(p.Codes) != p.Rows*p.Columns {
		panic(fmt.Sprintf("facettest: %d codes for %d rows of %d columns", len(p.Codes), p.Rows, p.Columns))
	}
	if p.Bits == 0 {
		p.Bits = 12
	}
	if p.StepVolts == 0 {
		p.StepVolts = 1e-3
	}
	highest := uint16(1)<<p.Bits - 1
	f := &facetdv1.Frame{Chip: p.Chip, View: p.View, Arrangement: facetdv1.Arrangement_ARRANGEMENT_SQUARE,
		Rows: uint32(p.Rows), Columns: uint32(p.Columns),
		Window:      &facetdv1.Window{Rows: uint32(p.Rows), Columns: uint32(p.Columns), RowStep: 1, ColumnStep: 1},
		PixelFormat: "Mono16", SignificantBits: uint32(p.Bits), CodeZeroVolts: p.ZeroVolts, VoltsPerCode: p.StepVolts,
		FirstSampleBusNs: light.Nanoseconds(), FirstSampleTime: timestamppb.New(lockstep.Epoch.Add(light)), UtcEpoch: 1,
		FirstSampleMonotonicNs: lockstep.MonotonicOrigin + light.Nanoseconds(), LightBusNs: light.Nanoseconds(),
		LastConvertedBusNs: light.Nanoseconds(), RowOffsetNs: make([]int64, p.Rows)}
	for _, code := range p.Codes {
		f.Data = binary.LittleEndian.AppendUint16(f.Data, code)
		switch {
		case code == 0:
			f.ClippedLow++
		case code >= highest:
			f.ClippedHigh++
		}
	}
	return f
}

// Received is a frame set as a stream of the array's client would bring it now: its age goes by bus time.
func (a *Array) Received(m *facetdv1.FrameSet) *facet.FrameSet {
	a.t.Helper()
	set, err := facet.NewFrameSet(m, func() time.Time { return lockstep.Epoch.Add(a.Now()) })
	if err != nil {
		a.t.Fatalf("facettest: %v", err)
	}
	return set
}
