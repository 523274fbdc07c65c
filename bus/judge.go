package bus

import (
	"cmp"
	"slices"
	"time"

	"facetd.example/chipmodel"
)

// TimedTable is a timetable to be judged. Times are nanoseconds from the start of
// the table's first cycle.
type TimedTable struct {
	// Opening runs once before the table; nil where there is none.
	Opening []Op
	// Hyperperiod is the length of the table, which repeats.
	Hyperperiod time.Duration
	// Entries are the segments of one cycle.
	Entries []TimedEntry
}

// TimedEntry is one segment of the table. Its job's Number counts the jobs of the
// task within the cycle, from 0; Release and Deadline are from the table's start.
type TimedEntry struct {
	Segment *Segment
	Start   int64
	// NotBefore is the earliest start, where that is later than the job's release.
	NotBefore int64
}

// Judge runs a timetable's opening and a number of its cycles, at least two, past
// an inspector, with the exact times of every operation and every job counted as
// on time. It returns what the inspector saw; nothing for a timetable that may be
// used. The repetition shows what one cycle leaves to the next.
func Judge(a *chipmodel.Array, t TimedTable, cycles int) []Violation {
	in := NewInspector(a)
	if v := checkTable(a, &t); v != nil {
		return v
	}
	if len(t.Opening) > 0 {
		cost := int64(CostOf(a, t.Opening).Total())
		job := &Job{Release: -cost, Chips: a.All(), Segments: 1}
		in.segmentAt(&Segment{Job: job, Ops: t.Opening}, -cost, -cost)
		in.JobEnded(job, Outcome{Kind: OnTime})
	}
	jobs := map[string]uint64{}
	for _, e := range t.Entries {
		jobs[e.Segment.Job.Task] = max(jobs[e.Segment.Job.Task], e.Segment.Job.Number+1)
	}
	for _, e := range t.unrolled(max(cycles, 2)) {
		shift := int64(e.cycle) * int64(t.Hyperperiod)
		job := *e.Segment.Job
		job.Number += uint64(e.cycle) * jobs[job.Task]
		job.Release += shift
		job.Deadline += shift
		s := &Segment{Job: &job, Index: e.Segment.Index, Ops: e.Segment.Ops}
		in.segmentAt(s, e.NotBefore+shift, e.Start+shift)
		if s.Index == max(job.Segments, 1)-1 {
			in.JobEnded(&job, Outcome{Kind: OnTime})
		}
	}
	in.Finish(in.now)
	return in.Take()
}

// checkTable reports what cannot be run at all, as broken claims.
func checkTable(a *chipmodel.Array, t *TimedTable) []Violation {
	var out []Violation
	add := func(at int64, err error) {
		if err != nil {
			out = append(out, Violation{Law: LawClaim, AtNS: at, Message: err.Error()})
		}
	}
	add(0, CheckOps(a, t.Opening))
	for _, e := range t.Entries {
		if e.Segment == nil || e.Segment.Job == nil {
			out = append(out, Violation{Law: LawAccounted, AtNS: e.Start, Message: "a segment belongs to no job"})
			continue
		}
		add(e.Start, CheckOps(a, e.Segment.Ops))
	}
	return out
}

type cycleEntry struct {
	TimedEntry
	cycle int
}

// unrolled lists the segments of a number of cycles in the order of their starts.
func (t *TimedTable) unrolled(cycles int) []cycleEntry {
	all := make([]cycleEntry, 0, cycles*len(t.Entries))
	for c := range cycles {
		for _, e := range t.Entries {
			all = append(all, cycleEntry{e, c})
		}
	}
	slices.SortStableFunc(all, func(x, y cycleEntry) int {
		h := int64(t.Hyperperiod)
		return cmp.Compare(int64(x.cycle)*h+x.Start, int64(y.cycle)*h+y.Start)
	})
	return all
}

// segmentAt runs a segment past the inspector in its exact times.
func (in *Inspector) segmentAt(s *Segment, notBefore, start int64) {
	in.BeginSegment(s, notBefore, start)
	now := start
	for i := range s.Ops {
		op := &s.Ops[i]
		end := now + int64(Cost(in.a, op).Total())
		in.Op(op, now, end, in.expected(op, now))
		now = end
	}
	in.EndSegment(now)
}

// expected are the captures that a bus in exact time makes of an operation, without
// their codes.
func (in *Inspector) expected(op *Op, from int64) []Capture {
	if op.Scan == nil {
		return nil
	}
	t := in.a.ScanTime(op.Scan.Chips, op.Scan.Window)
	caps := make([]Capture, len(op.Scan.Chips))
	for i, c := range op.Scan.Chips {
		caps[i] = Capture{
			Chip: c, Frame: op.Scan.Frames[i], FirstRow: op.Scan.FirstRow, Window: op.Scan.Window,
			FirstSampleNS: from + int64(t.First), RowInterval: t.RowInterval, PixelInterval: t.PixelInterval,
			ConvertedNS: from + int64(t.Duration),
		}
		if chip := &in.chips[c]; chip.loaded && in.a.Chips[c].Class.Kind.HasMemory() {
			caps[i].HoldNS = caps[i].LastSampleNS() - chip.loadedAt
		}
	}
	return caps
}
