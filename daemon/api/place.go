package api

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
)

// places is how far a client has come, by task.
type places map[string]*facetdv1.TaskPosition

// placesOf checks positions, which are of another instance or of this one. Errors: invalid.Errors, *failure.OutOfRange
// for one that is still to come.
func (s *Server) placesOf(path, instance string, list []*facetdv1.TaskPosition, tasks []*facetdv1.RunningTask) (places,
	error) {
	var m invalid.Errors
	out := places{}
	for i, p := range list {
		at := fmt.Sprintf("%s[%d]", path, i)
		switch {
		case instance == "":
			m.Add(at, "a position means nothing without the instance that it is of", "give instance_id")
		case p.GetTask() == "":
			m.Add(at+".task", "it is empty", "name the task")
		case out[p.GetTask()] != nil:
			m.Add(at+".task", fmt.Sprintf("task %q has a position already", p.GetTask()), "give one for each task")
		}
		out[p.GetTask()] = p
	}
	if len(m) > 0 {
		return nil, m
	}
	if instance != s.cfg.Info.Instance {
		return places{}, nil
	}
	for _, p := range list {
		t := findTask(tasks, p.GetTask())
		if t == nil || t.GetGeneration() > p.GetGeneration() {
			continue
		}
		if ended := t.GetStatus().GetJobsEnded(); t.GetGeneration() < p.GetGeneration() || p.GetJob() >= ended {
			return nil,
				&failure.OutOfRange{Message: fmt.Sprintf("job %d of generation %d of task %s is still to come: "+
					"%d jobs of generation %d have ended", p.GetJob(), p.GetGeneration(), p.GetTask(), ended,
					t.GetGeneration())}
		}
	}
	return out, nil
}

// of is the position in a generation of a task, nil where there is none.
func (p places) of(task string, generation uint64) *facetdv1.TaskPosition {
	if at := p[task]; at.GetGeneration() == generation {
		return at
	}
	return nil
}

// chooser chooses tasks as a selection does.
type chooser struct {
	s         *Server
	selection *facetdv1.FrameSelection
}

// chosen are those of the tasks whose frame sets are chosen.
func (c chooser) chosen(tasks []*facetdv1.RunningTask) (out []*facetdv1.RunningTask) {
	names := c.selection.GetTasks()
	for _, t := range tasks {
		if (len(names) == 0 || slices.Contains(names, t.GetTask().GetName())) && c.reads(t.GetTask()) {
			out = append(out, t)
		}
	}
	return out
}

// reads reports whether a task reads one of the chips of the selection.
func (c chooser) reads(t *facetdv1.Task) bool {
	if len(c.selection.GetChips()) == 0 {
		return true
	}
	chips, _ := c.s.cfg.Array.Resolve(t.GetTarget())
	return slices.ContainsFunc(chips, func(i int) bool {
		return slices.Contains(c.selection.GetChips(), c.s.cfg.Array.Chips[i].Name)
	})
}

// barren finds chips that none of the tasks named reads: the selection would never give their frames.
func (c chooser) barren(path string, tasks []*facetdv1.RunningTask) error {
	if len(c.selection.GetTasks()) == 0 {
		return nil // one that does may be added
	}
	var m invalid.Errors
	for i, chip := range c.selection.GetChips() {
		one := chooser{c.s, &facetdv1.FrameSelection{Tasks: c.selection.GetTasks(), Chips: []string{chip}}}
		if len(one.chosen(tasks)) == 0 {
			m.Add(fmt.Sprintf("%schips[%d]", path, i), fmt.Sprintf("none of the tasks named reads %s", chip),
				"name one that does, or leave out the tasks")
		}
	}
	return m.Err()
}

// Pulses are how far tasks have come.
func Pulses(tasks []*facetdv1.RunningTask) []*facetdv1.TaskPulse {
	out := make([]*facetdv1.TaskPulse, len(tasks))
	for i, t := range tasks {
		out[i] = &facetdv1.TaskPulse{Task: t.GetTask().GetName(), Generation: t.GetGeneration(),
			JobsEnded: t.GetStatus().GetJobsEnded(), LastReleaseBusNs: t.GetStatus().LastReleaseBusNs,
			Paused: t.GetStatus().GetPaused()}
	}
	return out
}

// heartbeat is what there is to say when there is nothing to send.
func (c chooser) heartbeat(snap *dispatch.Snapshot) *facetdv1.Heartbeat {
	return &facetdv1.Heartbeat{BusNs: snap.Now.NS(), State: c.s.state(snap), Tasks: Pulses(c.chosen(snap.Tasks))}
}

// within checks a duration that may be unset.
func within(m *invalid.Errors, path string, d *durationpb.Duration, least, most, unset time.Duration) time.Duration {
	if d == nil {
		return unset
	}
	switch v := d.AsDuration(); {
	case d.CheckValid() != nil:
		m.Add(path, "it is not a duration", "give seconds and nanoseconds of one sign")
	case v < least || v > most:
		m.Add(path, fmt.Sprintf("%v is not possible", v), fmt.Sprintf("use %v to %v", least, most))
	default:
		return v
	}
	return unset
}
