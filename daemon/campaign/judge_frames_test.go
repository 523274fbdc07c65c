package campaign

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
)

// jobKey is one job of the bus. Numbers alone do not tell them apart: those of tasks that share a load begin anew when
// they no longer do.
type jobKey struct {
	task    string
	number  uint64
	release bus.Time
}

func (e *executed) key() jobKey { return jobKey{e.job.Task, e.job.Number, e.job.Release} }

// good are the jobs of the bus that ended on time or late, with the frame sets that they gave, nil for those of its
// tasks that were paused; those of on-demand jobs
// and initializations are good when the bus gave no error.
func (l *life) good() map[jobKey][]*facetdv1.FrameSet {
	sets := map[string]map[int64]*facetdv1.FrameSet{}
	demanded := map[uint64]*facetdv1.FrameSet{}
	for _, fs := range l.ledger.sets {
		if fs.GetTask() == "" {
			demanded[fs.GetJob()] = fs
			continue
		}
		if sets[fs.GetTask()] == nil {
			sets[fs.GetTask()] = map[int64]*facetdv1.FrameSet{}
		}
		sets[fs.GetTask()][fs.GetReleaseBusNs()] = fs
	}
	out := map[jobKey][]*facetdv1.FrameSet{}
	for i := range l.driven.log {
		e := &l.driven.log[i]
		key := e.key()
		if e.job.Task == "" {
			if fs := demanded[e.job.Number]; e.err == nil && fs.GetFailure() == "" {
				out[key] = []*facetdv1.FrameSet{fs} // nil of an initialization
			}
			continue
		}
		given, ended := l.outcomeOf(e, sets), 0
		for _, fs := range given { // those of paused tasks have none
			if fs != nil && fs.GetFailure() == "" {
				ended++
			} else if fs != nil {
				ended = -len(given)
			}
		}
		if ended > 0 {
			out[key] = given
			if e.index == 0 && ended < len(given) {
				l.sharedPaused++
			}
		}
	}
	return out
}

// judgeFrames: a clean bus that runs the jobs that were good, and nothing of the others, gives the same frames.
func (o *outcome) judgeFrames(l *life) {
	clean := l.s.newBus(facetdv1.Pace_PACE_FREE)
	defer clean.Close()
	good := l.good()
	frames := map[jobKey]*assembly{}
	for i := range l.driven.log {
		e := &l.driven.log[i]
		key := e.key()
		if _, is := good[key]; !is || e.err != nil {
			continue
		}
		job := e.job
		if job.Task != "" { // numbers begin anew with other sharing, and nobody tells this bus how jobs ended
			job.Task = fmt.Sprintf("%s of %d", job.Task, job.Release)
		}
		res, err := bustest.Run(context.Background(), clean, e.res.Start,
			&bus.Segment{Job: &job, Index: e.index, Program: e.Program, Values: e.values})
		if err != nil && !o.excused(l, e) {
			o.problem("a clean bus refuses a segment of job %d of %q at %v: %v", job.Number, job.Task, e.start, err)
			return
		}
		if frames[key] == nil {
			frames[key] = &assembly{task: e.job.Task}
			if e.table >= 0 {
				frames[key].plan = l.ledger.plans[e.table].active
			}
		}
		frames[key].excused = frames[key].excused || err != nil || o.excused(l, e)
		frames[key].captures = append(frames[key].captures, res.Captures...)
	}
	for key, sets := range good {
		if a := frames[key]; a != nil && !a.excused {
			if what := a.differs(l, sets); what != "" {
				o.problem("job %d of %q, released at %d: %s", key.number, key.task, key.release.NS(), what)
				return
			}
		}
	}
}

// excused reports whether a segment ran while the wiring was not as described, or before what that left in the
// registers had been replaced: the daemon cannot see it without a probe.
func (o *outcome) excused(l *life, e *executed) bool {
	for _, s := range l.bus.strikes {
		if s.fault.kind == wiring && e.res.End >= s.at && e.start < l.replaced(s.till) {
			return true
		}
	}
	return false
}

// replaced is when the first initialization that begins after a bus time has ended.
func (l *life) replaced(after bus.Time) bus.Time {
	for i := range l.driven.log {
		e := &l.driven.log[i]
		if e.start >= after && e.err == nil && e.job.Task == "" && len(e.job.Chips) == len(l.s.array.Chips) {
			return e.res.End
		}
	}
	return 1 << 62
}

// assembly is the frames of one job, put together from what a clean bus captured.
type assembly struct {
	task     string          // of the bus; "" on demand
	plan     *scheduler.Plan // that has it
	captures []bus.Capture
	excused  bool
}

// indexOf returns, for frames of a member of a task, one after another, which frame of the job each is: views that are
// off and tasks that are paused have none. -1 where it has no such frame.
func (a *assembly) indexOf(chips []chipmodel.Chip, member int) func(*facetdv1.Frame) int {
	next := 0
	if a.task == "" {
		return func(*facetdv1.Frame) int { next++; return next - 1 }
	}
	tasks := a.plan.Tasks
	t := &tasks[slices.IndexFunc(tasks, func(t scheduler.TaskPlan) bool { return t.Task.Name == a.task })]
	next = t.Members[member].FirstFrame
	end := next + t.Members[member].Frames
	return func(f *facetdv1.Frame) int {
		for next < end {
			spec := t.Frames[next]
			next++
			if chips[spec.Chip].Name == f.GetChip() && t.Task.Views[spec.View].Name == f.GetView() {
				return next - 1
			}
		}
		return -1
	}
}

// differs says how the frame sets that were handed out differ from it.
func (a *assembly) differs(l *life, sets []*facetdv1.FrameSet) string {
	for member, fs := range sets {
		index := a.indexOf(l.s.array.Chips, member)
		for i, f := range fs.GetFrames() {
			want := a.frame(index(f))
			got := f
			switch {
			case want == nil:
				return fmt.Sprintf("frame %d was never read", i)
			case l.s.array.Chips[want.chip].Name != got.GetChip():
				return fmt.Sprintf("frame %d is said to be of %s", i, got.GetChip())
			case uint32(want.row) != got.GetWindow().GetRow(), uint32(want.column) != got.GetWindow().GetColumn():
				return fmt.Sprintf("frame %d of %s was read from row %d, column %d on, it says %v", i, got.GetChip(),
					want.row, want.column, got.GetWindow())
			case !bytes.Equal(want.data, got.GetData()):
				return fmt.Sprintf("frame %d of %s holds other codes than a clean bus gives: %x, not %x", i,
					got.GetChip(), got.GetData(), want.data)
			case want.light.NS()-got.GetExposureNs()/2 != got.GetLightBusNs(),
				want.first.NS() != got.GetFirstSampleBusNs():
				return fmt.Sprintf("frame %d of %s has light at %d and its first sample at %d, clean %v and %v", i,
					got.GetChip(), got.GetLightBusNs(), got.GetFirstSampleBusNs(), want.light, want.first)
			case got.GetHoldNs() < int64(want.hold):
				return fmt.Sprintf("frame %d of %s was held for %v, it says %d ns", i, got.GetChip(), want.hold,
					got.GetHoldNs())
			}
		}
	}
	return ""
}

// cleanFrame is one frame of a clean bus.
type cleanFrame struct {
	chip         int
	row, column  int // of its window
	data         []byte
	light, first bus.Time
	hold         time.Duration
}

func (a *assembly) frame(index int) *cleanFrame {
	var out *cleanFrame
	for i := range a.captures {
		c := &a.captures[i]
		if c.Frame != index {
			continue
		}
		if out == nil {
			out = &cleanFrame{chip: c.Chip, row: c.Window.Row, column: c.Window.Column, light: c.Light,
				first: c.FirstSample}
		}
		out.hold = max(out.hold, c.Hold)
		for _, code := range c.Codes { // rows are read in order
			out.data = binary.LittleEndian.AppendUint16(out.data, code)
		}
	}
	return out
}

// digestOf sums up what the bus executed and captured, and how every job ended.
func digestOf(lives []*life) uint64 {
	h := fnv.New64a()
	number := func(v ...int64) {
		for _, n := range v {
			var b [8]byte
			binary.LittleEndian.PutUint64(b[:], uint64(n))
			_, _ = h.Write(b[:]) // it has no error
		}
	}
	for _, l := range lives {
		for i := range l.driven.log {
			e := &l.driven.log[i]
			ops := e.filled()
			number(e.start.NS(), e.res.Start.NS(), e.res.End.NS(), int64(e.job.Number), int64(len(ops)))
			fmt.Fprintf(h, "%s %v", e.job.Task, e.err)
			for k := range ops {
				op := &ops[k]
				number(int64(op.Kind), int64(op.Word), int64(op.Register), int64(op.Value), int64(op.Strobe),
					int64(op.Hold))
			}
			for k := range e.res.Captures {
				c := &e.res.Captures[k]
				number(int64(c.Chip), int64(c.Frame), c.FirstSample.NS())
				for _, code := range c.Codes {
					number(int64(code))
				}
			}
		}
		for _, fs := range l.ledger.sets {
			number(int64(fs.GetJob()), fs.GetReleaseBusNs(), fs.GetFinishBusNs())
			fmt.Fprintf(h, "%s %v %s", fs.GetTask(), fs.GetLate(), fs.GetFailure())
		}
	}
	return h.Sum64()
}
