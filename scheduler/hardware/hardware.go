// Package hardware says what a plan asks of the board that is to drive its array, so that one can be chosen: pins,
// converters, samples and bytes a second, memory, and the work of the computer behind it. It is pure.
package hardware

import (
	"math/bits"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
)

// Basis says how a figure came about.
type Basis string

// What figures rest on.
const (
	// Counted figures follow exactly from array and plan.
	Counted Basis = "counted"
	// Measured figures were measured where the command ran.
	Measured Basis = "measured"
	// Estimated figures rest on measurements elsewhere.
	Estimated Basis = "estimated"
)

// Needs is what a plan asks of a board and of the computer behind it.
type Needs struct {
	Array string `json:"array"`
	// Pins are the outputs, PinCount all of them together; converters are not among them.
	Pins     []Pins `json:"pins"`
	PinCount int    `json:"pin_count"`
	// Converters are those of the lanes, in their order.
	Converters []Converter `json:"converters"`
	// SamplesPerS is of all lanes on the average, and BytesPerS what their codes take.
	SamplesPerS float64 `json:"samples_per_s"`
	BytesPerS   float64 `json:"bytes_per_s"`
	// LinkBytesPerS adds what goes to the host beside the codes, by the protocol of devices.
	LinkBytesPerS float64 `json:"link_bytes_per_s"`
	// OperationsPerS is on the average, ShortestOperationNs the least time from one to the next.
	OperationsPerS      float64 `json:"operations_per_s"`
	ShortestOperationNs int64   `json:"shortest_operation_ns"`
	ReleaseNs           int64   `json:"release_ns"`
	// Utilization is the part of the bus's time that is planned.
	Utilization float64 `json:"utilization"`
	Memory      Memory  `json:"memory"`
	// Frames are the shapes of frames that are read, for the work that they make.
	Frames     []Frames `json:"frames"`
	PixelsPerS float64  `json:"pixels_per_s"`
	FramesPerS float64  `json:"frames_per_s"`
	// Work is what a computer does with these frames; see Reckon.
	Work []Work `json:"work,omitempty"`
}

// Pins are outputs that serve one purpose.
type Pins struct {
	Use   string `json:"use"`
	Count int    `json:"count"`
}

// Converter is what one lane asks of its converter.
type Converter struct {
	Lane string `json:"lane"`
	Bits int    `json:"bits"`
	// SamplesPerS is on the average; ShortestIntervalNs is the least time between two samples of it, 0 where none is
	// read.
	SamplesPerS        float64 `json:"samples_per_s"`
	ShortestIntervalNs int64   `json:"shortest_interval_ns"`
	// ConversionNs is the longest that a conversion may take, as the array file has it.
	ConversionNs int64 `json:"conversion_ns"`
}

// Memory is what the board must store, in bytes, by the protocol of devices.
type Memory struct {
	// Programs are all that the plan runs. LargestRun are the codes of the largest segment, and Buffers twice that: one
	// is sent while the next is read.
	Programs   int `json:"programs_bytes"`
	LargestRun int `json:"largest_run_bytes"`
	Buffers    int `json:"buffers_bytes"`
}

// Frames are frames of one shape.
type Frames struct {
	Rows      int     `json:"rows"`
	Columns   int     `json:"columns"`
	Hexagonal bool    `json:"hexagonal,omitempty"`
	PerS      float64 `json:"per_s"`
}

// Of reads the needs of a plan.
func Of(p *scheduler.Plan) *Needs {
	n := &Needs{Array: p.Array.Name, ReleaseNs: int64(p.Array.Timing.ReleaseLimit), Pins: pinsOf(p.Array)}
	for _, one := range n.Pins {
		n.PinCount += one.Count
	}
	for i, l := range p.Array.Lanes {
		n.Converters = append(n.Converters, Converter{Lane: l.Name, Bits: l.Bits,
			ConversionNs: int64(p.Array.ConversionTime(i))})
	}
	cycle := p.Hyperperiod.Seconds()
	for i := range p.Entries {
		e := &p.Entries[i]
		n.run(p.Array, p.Tasks[e.Task].Segments[e.Segment], cycle)
		n.Utilization += (e.End - e.Start).Seconds() / cycle
	}
	n.BytesPerS = codeBytes * n.SamplesPerS
	n.Memory.Buffers = 2 * n.Memory.LargestRun
	n.Memory.Programs = programBytes(p.Initialization.Ops)
	for i := range p.Tasks {
		t := &p.Tasks[i]
		for _, s := range t.Segments {
			n.Memory.Programs += programBytes(s)
		}
		n.frames(p, t, cycle)
	}
	slices.SortFunc(n.Frames, func(a, b Frames) int { return b.Rows*b.Columns - a.Rows*a.Columns })
	return n
}

// codeBytes is what a code takes on its way.
const codeBytes = 2

// pinsOf are the outputs that the chips of an array need.
func pinsOf(a *chipmodel.Array) []Pins {
	out := []Pins{{"select lines", len(a.Lines)}}
	var load, expose, reset, rows, columns int
	for _, c := range a.Classes {
		if c.HasMemory() {
			load = 1
		}
		if c.HasShutter() {
			expose = 1
		}
		if c.Counts() {
			reset = 1
			continue
		}
		rows, columns = max(rows, c.Rows), max(columns, c.Columns)
	}
	for _, s := range []struct {
		use string
		n   int
	}{{"strobe: load", load}, {"strobe: share", load}, {"strobe: reset", reset}, {"strobe: expose", expose},
		{"register number", 3}, {"register value", 8}, {"strobe: write", 1},
		{"row address", bits.Len(uint(max(rows-1, 0)))}, {"column address", bits.Len(uint(max(columns-1, 0)))},
		{"clock of chips that count", reset}} {
		if s.n > 0 {
			out = append(out, Pins{s.use, s.n})
		}
	}
	return out
}

// run counts one run of a segment in a cycle of so many seconds.
func (n *Needs) run(a *chipmodel.Array, ops []bus.Op, cycle float64) {
	codes, replies := 0, 0
	for i := range ops {
		op := &ops[i]
		n.OperationsPerS += 1 / cycle
		if cost := int64(bus.Cost(a, op).Total()); cost > 0 &&
			(n.ShortestOperationNs == 0 || cost < n.ShortestOperationNs) {
			n.ShortestOperationNs = cost
		}
		if op.Scan == nil {
			continue
		}
		t := op.Scan.Timing(a)
		for _, chip := range op.Scan.Chips {
			c := &n.Converters[a.Chips[chip].Lane]
			samples := op.Scan.Window.Rows * op.Scan.Window.Columns
			codes += samples
			replies++
			c.SamplesPerS += float64(samples) / cycle
			n.SamplesPerS += float64(samples) / cycle
			if at := int64(shortest(t, op.Scan.Window)); at > 0 &&
				(c.ShortestIntervalNs == 0 || at < c.ShortestIntervalNs) {
				c.ShortestIntervalNs = at
			}
		}
	}
	n.Memory.LargestRun = max(n.Memory.LargestRun, codeBytes*codes)
	n.LinkBytesPerS += float64(codeBytes*codes+replies*sizeOf(wire.Data{})+8*len(ops)+sizeOf(wire.Times{})+
		sizeOf(wire.Result{})) / cycle
}

// shortest is the least time between two samples of a window; 0 for a single pixel.
func shortest(t chipmodel.ScanTiming, w chipmodel.Window) time.Duration {
	switch {
	case w.Columns > 1:
		return t.PixelInterval
	case w.Rows > 1:
		return t.RowInterval
	}
	return 0
}

// programBytes is what a segment takes in the store of a device.
func programBytes(ops []bus.Op) int {
	n := sizeOf(wire.Head{})
	for i := range ops {
		switch ops[i].Kind {
		case bus.OpSelect:
			n += sizeOf(wire.Select{})
		case bus.OpWrite:
			n += sizeOf(wire.Write{})
		case bus.OpStrobe:
			n += sizeOf(wire.Strobe{})
		case bus.OpWait:
			n += sizeOf(wire.Wait{})
		default:
			n += sizeOf(wire.Scan{})
		}
	}
	return n
}

func sizeOf(message any) int { return len(wire.Append(nil, message)) }

// frames counts the frames of a task, by shape.
func (n *Needs) frames(p *scheduler.Plan, t *scheduler.TaskPlan, cycle float64) {
	for _, f := range t.Frames {
		perS := float64(t.JobsPerCycle) / cycle
		pixels := f.Window.Rows * f.Window.Columns
		n.FramesPerS += perS
		n.PixelsPerS += float64(pixels) * perS
		shape := Frames{Rows: f.Window.Rows, Columns: f.Window.Columns,
			Hexagonal: p.Array.Chips[f.Chip].Class.Hexagonal()}
		at := slices.IndexFunc(n.Frames, func(o Frames) bool {
			return o.Rows == shape.Rows && o.Columns == shape.Columns && o.Hexagonal == shape.Hexagonal
		})
		if at < 0 {
			at = len(n.Frames)
			n.Frames = append(n.Frames, shape)
		}
		n.Frames[at].PerS += perS
	}
}
