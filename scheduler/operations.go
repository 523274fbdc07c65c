package scheduler

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/scheduler/program"
)

// Operations lists every operation of a plan with its exact times, so that others can judge it.
func (p *Plan) Operations() *facetdv1.PlannedOperations {
	out := tableOperations(p.Array, p.Table())
	for i := range p.Tasks {
		t := &p.Tasks[i]
		job := &facetdv1.PlannedJob{
			Tasks: program.NamesOf(t.Task.Name), JobsPerCycle: int64(t.JobsPerCycle), Segments: uint32(len(t.Segments)),
			Chips: p.Array.ChipNames(t.Task.Touches), MaxHoldNs: unlessZero(int64(t.Task.MaxHold)),
			MaxSkewNs: unlessZero(int64(t.Task.MaxSkew)), PairIntervalNs: unlessZero(int64(t.Task.Pair)),
		}
		for _, f := range t.Frames {
			job.Frames = append(job.Frames, &facetdv1.PlannedFrame{Chip: p.Array.Chips[f.Chip].Name,
				Window: f.Window.Message()})
		}
		out.Jobs = append(out.Jobs, job)
	}
	return out
}

// unlessZero is a value for a field that is unset where there is none.
func unlessZero[T comparable](v T) *T {
	var none T
	if v == none {
		return nil
	}
	return &v
}

// CountOperations is how many operations the plan has, the initialization included.
func (p *Plan) CountOperations() int {
	n := len(p.Initialization.Ops)
	for i := range p.Entries {
		e := &p.Entries[i]
		n += len(p.Tasks[e.Task].Segments[e.Segment])
	}
	return n
}

// tableOperations lists the operations of a timetable.
func tableOperations(a *chipmodel.Array, t rules.TimedTable) *facetdv1.PlannedOperations {
	out := &facetdv1.PlannedOperations{Array: a.Message, GrainNs: int64(a.Grain()), HyperperiodNs: int64(t.Hyperperiod)}
	if len(t.Initialization) > 0 {
		begin := -bus.CostOf(a, t.Initialization).Total()
		out.Initialization = &facetdv1.PlannedSegment{StartNs: int64(begin), ReleaseNs: int64(begin)}
		out.Initialization.Operations = operations(a, t.Initialization, begin)
	}
	for i := range t.Entries {
		e := &t.Entries[i]
		s := &facetdv1.PlannedSegment{
			Tasks: program.NamesOf(e.Segment.Job.Task), Job: int64(e.Segment.Job.Number),
			Index:   uint32(e.Segment.Index),
			StartNs: e.Start.NS(), EndNs: e.Start.Add(bus.CostOf(a, e.Segment.Ops).Total()).NS(),
			ReleaseNs: e.Segment.Job.Release.NS(), DeadlineNs: e.Segment.Job.Deadline.NS(),
		}
		s.Operations = operations(a, e.Segment.Ops, e.Start.Elapsed())
		out.Segments = append(out.Segments, s)
	}
	return out
}

// operations are those of one segment that begins at a time.
func operations(a *chipmodel.Array, ops []bus.Op, now time.Duration) []*facetdv1.Operation {
	out := make([]*facetdv1.Operation, len(ops))
	for i := range ops {
		op := &ops[i]
		end := now + bus.Cost(a, op).Total()
		m := &facetdv1.Operation{Kind: facetdv1.OperationKind(op.Kind), StartNs: int64(now), EndNs: int64(end)}
		switch op.Kind {
		case bus.OpSelect:
			m.Word = a.LineNames(op.Word)
		case bus.OpWrite, bus.OpStrobe:
			m.Register, m.Value, m.Strobe, m.HoldNs = op.Register, uint32(op.Value), op.Strobe, int64(op.Hold)
			m.Command, m.Target = uint32(op.Command), a.ChipNames(op.Target)
		case bus.OpScan, bus.OpClockOut:
			m.Readout = readout(a, op.Scan, now)
		}
		out[i], now = m, end
	}
	return out
}

// readout is one readout that begins at a time.
func readout(a *chipmodel.Array, s *bus.Scan, now time.Duration) *facetdv1.PlannedReadout {
	t := s.Timing(a)
	out := &facetdv1.PlannedReadout{
		Chips: a.ChipNames(s.Chips), Window: s.Window.Message(), FirstRow: uint32(s.FirstRow),
		SettleNs:      int64(s.Settle),
		FirstSampleNs: int64(now + t.First), PixelIntervalNs: int64(t.PixelInterval),
		RowIntervalNs: int64(t.RowInterval),
		ConvertedNs:   int64(now + t.Duration), Beside: a.ChipNames(s.Beside),
		ExposureNs: unlessZero(int64(s.Claim.Exposure)),
	}
	if s.Settle == 0 { // what the slowest lane needs
		for _, c := range s.Chips {
			out.SettleNs = max(out.SettleNs, int64(a.Up(a.LaneSettle(c))))
		}
	}
	for _, f := range s.Frames {
		out.Frames = append(out.Frames, uint32(f))
	}
	for _, r := range s.Claim.Registers {
		out.Registers = append(out.Registers, &facetdv1.RegisterWrite{Register: r.Register, Value: uint32(r.Value)})
	}
	for _, p := range s.Claim.Shares {
		out.Shares = append(out.Shares, &facetdv1.Share{Columns: analog.FormatPattern(p.Columns),
			Rows: analog.FormatPattern(p.Rows)})
	}
	return out
}
