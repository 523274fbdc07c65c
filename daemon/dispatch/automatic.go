package dispatch

import (
	"slices"

	"facetd.example/scheduler/autoexposure"
	"facetd.example/scheduler/program"
)

// lawsOf are the control laws of a task's views; nil where the daemon sets nothing of any.
func lawsOf(t *program.Task) []*autoexposure.Law {
	var out []*autoexposure.Law
	for i := range t.Views {
		if a := t.Views[i].Automatic; a != nil {
			if out == nil {
				out = make([]*autoexposure.Law, len(t.Views))
			}
			out[i] = autoexposure.New(a.Law)
		}
	}
	return out
}

// adjust has the next jobs of a task made as the frames of one that has ended ask for. Of a job that failed nobody
// knows what its frames show, and one of a timetable that is over was made for another task.
func (r *runner) adjust(job *openJob) {
	if job.set.GetFailure() != "" {
		return
	}
	for i := range job.members {
		m := &job.members[i]
		if of := r.tab.parameters.automaticOf(m.Task); of != nil {
			r.adjustMember(of, job, m)
		}
	}
}

// adjustMember does that for a member of a job.
func (r *runner) adjustMember(of *parametersOf, job *openJob, m *memberJob) {
	if look := job.look(); look != nil { // the daemon did not set anything of it when the job began
		look()
		job.late = nil
	}
	for view, law := range of.laws {
		if law == nil {
			continue
		}
		r.meter.Reset()
		for i := m.FirstFrame; i < m.FirstFrame+m.Frames; i++ {
			if f := &job.frames[i]; f.View-m.FirstView == view {
				r.meter.Add(job.codes[i], r.cfg.Array.Lanes[r.cfg.Array.Chips[f.Chip].Lane].Bits)
			}
		}
		a := of.task.Views[view].Automatic
		if seen, any := r.meter.Measure(a.Law.Percentile); any {
			now := a.Made(r.tab.parameters.now(of))
			r.tab.parameters.setAutomatic(of, a, law.Next(a.Made(m.values), now, seen))
		}
	}
}

// automaticOf is what is known of a task of which the daemon sets something; nil of others, and of one that is not
// active any more.
func (p *parameters) automaticOf(t *program.Task) *parametersOf {
	p.mu.Lock()
	defer p.mu.Unlock()
	if of := p.tasks[t.Name]; of != nil && of.task == t && of.laws != nil {
		return of
	}
	return nil
}

// now are the values that the next job of a task would have; they are not to be changed.
func (p *parameters) now(of *parametersOf) []int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return of.values
}

// setAutomatic sets what the daemon sets of a view.
func (p *parameters) setAutomatic(of *parametersOf, a *program.Automatic, s autoexposure.Setting) {
	p.mu.Lock()
	defer p.mu.Unlock()
	values := slices.Clone(of.values)
	if a.Set(values, s) {
		of.values = values
	}
}
