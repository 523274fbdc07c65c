package rules

import (
	"maps"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// jobRecord is what was seen of a job that has begun and not been accounted for.
type jobRecord struct {
	job      bus.Job
	segments int
	ran      int
	end      bus.Time // of the last segment
	frames   []seenFrame
	judged   bool // hold and skew were held against the limits
}

// seenFrame is what was seen of one frame.
type seenFrame struct {
	chip  int // -1: not read
	light bus.Time
	hold  time.Duration
}

// taskRecord is what is known of a task's jobs. A task has one open job at a time: that is how a job that was never
// accounted for shows.
type taskRecord struct {
	open  *jobRecord
	ended bool // at least one was accounted for
	last  uint64
}

// begin finds or makes the record of a segment's job. A job that another one displaces is reported, and forgotten, so
// that it is reported once.
func (in *Inspector) begin(s *bus.Segment, start bus.Time) *jobRecord {
	j := s.Job
	if j == nil {
		in.breach(RuleAccounted, start, nil, "a segment belongs to no job")
		return nil
	}
	t := in.task(j.Task)
	if t.open != nil && t.open.job.Number != j.Number {
		in.breach(RuleAccounted, start, t.open.job.Chips, "%s had not been accounted for when %s began", t.open.name(),
			jobName(j))
		in.forget(t)
	}
	if t.open == nil {
		t.open = in.newRecord(j)
	}
	if s.Index != t.open.ran {
		in.breach(RuleOrder, start, j.Chips, "segment %d of %s runs where segment %d is due", s.Index, jobName(j),
			t.open.ran)
	}
	return t.open
}

func (in *Inspector) task(name string) *taskRecord {
	t := in.tasks[name]
	if t == nil {
		t = &taskRecord{}
		in.tasks[name] = t
	}
	return t
}

func (in *Inspector) newRecord(j *bus.Job) *jobRecord {
	var r *jobRecord
	if n := len(in.spare); n > 0 {
		r, in.spare = in.spare[n-1], in.spare[:n-1]
	} else {
		r = new(jobRecord)
	}
	*r = jobRecord{job: *j, segments: max(j.Segments, 1), frames: r.frames[:0]}
	return r
}

// forget drops the record of a task's open job and what it held. The record is used again, so no pointer to it may
// stay.
func (in *Inspector) forget(t *taskRecord) {
	in.unhold(t.open)
	for i := range in.chips {
		if in.chips[i].loadedBy == t.open {
			in.chips[i].loadedBy = nil
			in.chips[i].loaded = false // a load is for its own job only
		}
	}
	if in.job == t.open {
		in.job = nil
	}
	in.spare = append(in.spare, t.open)
	t.open = nil
}

// unhold ends a job's hold of its chips.
func (in *Inspector) unhold(r *jobRecord) {
	for i := range in.chips {
		if in.chips[i].holder == r {
			in.chips[i].holder, in.chips[i].disturbed = nil, false
		}
	}
}

// saw notes one readout of a frame. A frame may be read in parts: its light is that of the earliest, its hold that of
// the latest.
func (r *jobRecord) saw(frame, chip int, light bus.Time, hold time.Duration) {
	if frame >= bus.MaxFrames {
		return
	}
	for len(r.frames) <= frame {
		r.frames = append(r.frames, seenFrame{chip: -1})
	}
	f := &r.frames[frame]
	if f.chip < 0 {
		*f = seenFrame{chip, light, hold}
		return
	}
	f.light, f.hold = min(f.light, light), max(f.hold, hold)
}

// skew is the spread of the light of the frames seen.
func (r *jobRecord) skew() time.Duration {
	var first, last bus.Time
	any := false
	for _, f := range r.frames {
		switch {
		case f.chip < 0:
		case !any:
			first, last, any = f.light, f.light, true
		default:
			first, last = min(first, f.light), max(last, f.light)
		}
	}
	return last.Sub(first)
}

// limits judges hold and skew of a job against its limits, once: both its frame set and its end call for it.
func (in *Inspector) limits(r *jobRecord) {
	if r.judged {
		return
	}
	r.judged = true
	for i, f := range r.frames {
		if f.chip >= 0 && r.job.MaxHold > 0 && f.hold > r.job.MaxHold {
			in.breach(RuleHoldSkew, r.end, []int{f.chip}, "frame %d of %s was held for %v, its limit is %v",
				i, r.name(), f.hold, r.job.MaxHold)
		}
	}
	if skew := r.skew(); r.job.MaxSkew > 0 && skew > r.job.MaxSkew {
		in.breach(RuleHoldSkew, r.end, r.job.Chips, "the frames of %s are %v apart, its limit is %v",
			r.name(), skew, r.job.MaxSkew)
	}
	if r.job.Pair > 0 {
		in.pairs(r)
	}
}

// pairTolerance is by which part of itself the time between the frames of a pair may be off: a bus tells times by its
// own clock.
const pairTolerance = 1000

// pairs judges how far apart the two frames of each pair are.
func (in *Inspector) pairs(r *jobRecord) {
	n := len(r.frames) / 2
	if len(r.frames)%2 == 1 {
		in.breach(RuleHoldSkew, r.end, r.job.Chips, "%s has %d frames, which are no pairs", r.name(), len(r.frames))
		return
	}
	for i := range n {
		first, second := r.frames[i], r.frames[n+i]
		if first.chip != second.chip {
			in.breach(RuleHoldSkew, r.end, r.job.Chips, "frames %d and %d of %s are a pair, but of two chips", i, n+i,
				r.name())
			continue
		}
		apart := second.light.Sub(first.light)
		if off := (apart - r.job.Pair).Abs(); first.chip >= 0 && off > in.grain+r.job.Pair/pairTolerance {
			in.breach(RuleHoldSkew, r.end, []int{first.chip}, "the frames of a pair of %s are %v apart, not %v",
				r.name(), apart, r.job.Pair)
		}
	}
}

// FrameSet judges what is reported of a job against what was seen, and, unless it
// failed, what was seen against its limits. Call it before JobEnded. (Rules 7 and 9.)
func (in *Inspector) FrameSet(job *bus.Job, fs *facetdv1.FrameSet) {
	r := in.open(job)
	if r == nil {
		return
	}
	reported := fs.GetFrames()
	for i, f := range r.frames {
		if f.chip < 0 {
			continue
		}
		one := []int{f.chip}
		if i >= len(reported) || reported[i].GetChip() != in.a.Chips[f.chip].Name {
			in.breach(RuleAccounted, r.end, one, "frame %d of %s was read but is not in its frame set", i, jobName(job))
			continue
		}
		if time.Duration(reported[i].GetHoldNs()) < f.hold {
			in.breach(RuleHoldSkew, r.end, one, "frame %d of %s is reported as held for %d ns, it was %d ns",
				i, jobName(job), reported[i].GetHoldNs(), f.hold)
		}
	}
	if skew := r.skew(); time.Duration(fs.GetSkewNs()) < skew {
		in.breach(RuleHoldSkew, r.end, r.job.Chips, "the skew of %s is reported as %d ns, it was %d ns", jobName(job),
			fs.GetSkewNs(), skew)
	}
	if fs.GetFailure() == "" {
		in.limits(r)
	}
}

// open returns the record of a job that has begun, or nil.
func (in *Inspector) open(job *bus.Job) *jobRecord {
	if t := in.tasks[job.Task]; t != nil && t.open != nil && t.open.job.Number == job.Number {
		return t.open
	}
	return nil
}

// JobEnded judges how a job is counted, and ends its holds. (Rule 9.)
func (in *Inspector) JobEnded(job *bus.Job, outcome bus.Outcome) {
	t := in.task(job.Task)
	r := in.open(job)
	at := in.now
	if r != nil {
		at = r.end
	}
	if t.ended && job.Number != 0 && job.Number != t.last+1 {
		in.breach(RuleAccounted, at, job.Chips, "%s is accounted for after number %d", jobName(job), t.last)
	}
	t.ended, t.last = true, job.Number
	if outcome.Kind == bus.Failed {
		if outcome.Cause == "" {
			in.breach(RuleAccounted, at, job.Chips, "%s failed without a cause", jobName(job))
		}
	} else {
		in.finished(job, r, at, outcome)
	}
	if r != nil {
		if outcome.Kind != bus.Failed {
			in.limits(r)
		}
		in.forget(t)
	}
}

// finished judges a job that is counted as having run.
func (in *Inspector) finished(job *bus.Job, r *jobRecord, at bus.Time, outcome bus.Outcome) {
	switch {
	case outcome.Kind != bus.OnTime && outcome.Kind != bus.Late:
		in.breach(RuleAccounted, at, job.Chips, "%s ended %s", jobName(job), bus.OutcomeKind(0))
	case r == nil:
		in.breach(RuleAccounted, at, job.Chips, "%s is counted as %s but never ran", jobName(job), outcome.Kind)
	case r.ran < r.segments:
		in.breach(RuleAccounted, at, job.Chips, "%s is counted as %s after %d of %d segments", jobName(job),
			outcome.Kind, r.ran, r.segments)
	case (r.end > job.Deadline) != (outcome.Kind == bus.Late):
		in.breach(RuleAccounted, at, job.Chips, "%s is counted as %s, but ended at %d ns with its deadline at %d ns",
			jobName(job), outcome.Kind, r.end, job.Deadline)
	}
}

// Finish judges that every job that began has been accounted for; call it at the
// end of a run. (Rule 9.)
func (in *Inspector) Finish(at bus.Time) {
	for _, name := range slices.Sorted(maps.Keys(in.tasks)) {
		if t := in.tasks[name]; t.open != nil {
			in.breach(RuleAccounted, at, t.open.job.Chips, "%s was not accounted for at the end", t.open.name())
			in.forget(t)
		}
	}
}

// Released judges a stop that the bus received, or a fault that it found, at bus time at, after which every line was
// inactive at inactiveAt, by its own clock: that is within the array's release limit. (Rule 10.)
func (in *Inspector) Released(at, inactiveAt bus.Time) {
	in.released(at, inactiveAt, in.a.Timing.ReleaseLimit, "the stop")
}

// HostLost judges a bus that last heard of its host at a bus time, after which every line was inactive at inactiveAt:
// that is within its lease and the array's release limit. (Rule 10.)
func (in *Inspector) HostLost(lastHeard, inactiveAt bus.Time, lease time.Duration) {
	in.released(lastHeard, inactiveAt, lease+in.a.Timing.ReleaseLimit, "the host was last heard of")
}

func (in *Inspector) released(from, inactiveAt bus.Time, limit time.Duration, what string) {
	if took := inactiveAt.Sub(from); took > limit {
		in.breach(RuleReleaseInTime, inactiveAt, in.listening, "the lines went inactive %v after %s, the limit is %v",
			took, what, limit)
	}
	in.touchLanes(inactiveAt)
	in.deselect()
	in.word, in.listening = 0, nil
}
