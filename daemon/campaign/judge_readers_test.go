package campaign

import (
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
)

// wanted are the frame sets that a subscriber is to get, unless they are dropped.
func (r *reader) wanted(sets []*facetdv1.FrameSet) []*facetdv1.FrameSet {
	o := &r.sub.options
	var out []*facetdv1.FrameSet
	for _, fs := range sets[r.from:r.until] {
		of := func(f *facetdv1.Frame) bool { return slices.Contains(o.Chips, f.GetChip()) }
		switch {
		case fs.GetTask() == "", len(o.Tasks) > 0 && !slices.Contains(o.Tasks, fs.GetTask()):
		case len(o.Chips) == 0, len(fs.GetFrames()) == 0, slices.ContainsFunc(fs.GetFrames(), of):
			out = append(out, fs)
		}
	}
	return out
}

// shows reports whether a frame set has those frames of another that the subscriber wants.
func (r *reader) shows(got, whole *facetdv1.FrameSet) bool {
	var want []*facetdv1.Frame
	for _, f := range whole.GetFrames() {
		if chips := r.sub.options.Chips; len(chips) == 0 || slices.Contains(chips, f.GetChip()) {
			want = append(want, f)
		}
	}
	return slices.Equal(got.GetFrames(), want) && got.GetFailure() == whole.GetFailure() &&
		got.GetLate() == whole.GetLate()
}

// judgeReaders: each frame set was delivered to every subscriber that wants it, once and in order, or is counted as
// dropped, decimated or left behind when the subscriber went.
func (o *outcome) judgeReaders(l *life) {
	var wanted, delivered uint64
	for i, r := range l.readers {
		sets := r.wanted(l.ledger.sets)
		wanted += uint64(len(sets))
		delivered += uint64(len(r.got))
		next := map[string]int{}
		var dropped uint64
		for k, m := range r.got {
			fs := m.FrameSet
			dropped += m.Dropped
			found := slices.IndexFunc(sets, func(w *facetdv1.FrameSet) bool {
				return w.GetTask() == fs.GetTask() && w.GetJob() == fs.GetJob()
			})
			if found < next[fs.GetTask()] {
				o.problem("subscriber %d: frame set %d, job %d of %s, is unknown or comes twice or out of order", i, k,
					fs.GetJob(), fs.GetTask())
				return
			}
			if !r.shows(fs, sets[found]) {
				o.problem("subscriber %d: job %d of %s does not have the frames that it wants", i, fs.GetJob(),
					fs.GetTask())
				return
			}
			if m.DroppedTotal != dropped {
				o.problem("subscriber %d: %d frame sets dropped in all, %d one by one", i, m.DroppedTotal, dropped)
				return
			}
			// Without decimation nothing of a task is missing but what is said to be, where it is said.
			missing := uint64(0)
			for _, w := range sets[next[fs.GetTask()]:found] {
				if w.GetTask() == fs.GetTask() {
					missing++
				}
			}
			if r.sub.options.MaxRateHz == 0 && missing != m.OfTask {
				o.problem("subscriber %d: %d frame sets are missing before job %d of %s, %d are said to be", i, missing,
					fs.GetJob(), fs.GetTask(), m.OfTask)
				return
			}
			next[fs.GetTask()] = found + 1
		}
	}
	s := l.stats
	if gone := s.DroppedTotal() + s.Decimated + s.Abandoned; wanted != delivered+gone {
		o.problem("of %d frame sets for subscribers %d were delivered, %d are counted as gone: %+v", wanted, delivered,
			gone, s)
	}
}
