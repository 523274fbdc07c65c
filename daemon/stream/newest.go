package stream

import (
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
)

// newest holds the newest frame set of each task, and lets others wait for newer ones. The hub's lock guards it.
type newest struct {
	sets map[string]item
	came chan struct{} // closed when anything changes; nil while nobody waits
	// asked are the tasks of which somebody took the newest set lately, and for how many sets more that counts.
	asked map[string]int
}

// askedFor is for how many sets of a task whoever took the newest one is known to want the next: those who look again
// and again get sets whose pixels are there.
const askedFor = 8

// published counts a set of a task.
func (n *newest) published(task string) {
	if n.asked[task]--; n.asked[task] <= 0 {
		delete(n.asked, task)
	}
}

func (n *newest) put(it item) {
	task := it.set.GetTask()
	if _, has := n.sets[task]; !has && len(n.sets) >= MaxWaitingTasks {
		clear(n.sets) // names come and go with the tasks; start over
	}
	n.sets[task] = it
	n.changed()
}

func (n *newest) changed() {
	if n.came != nil {
		close(n.came)
		n.came = nil
	}
}

// SetTasks says which tasks there are from now on: what is kept of others is forgotten, and every subscriber looks
// again.
func (h *Hub) SetTasks(names []string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for name := range h.newest.sets {
		if !slices.Contains(names, name) {
			delete(h.newest.sets, name)
			delete(h.newest.asked, name)
		}
	}
	h.lookAgain()
}

// LookAgain has every subscriber look at the tasks again: one of them was paused or resumed.
func (h *Hub) LookAgain() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.lookAgain()
}

// lookAgain is called with mu held.
func (h *Hub) lookAgain() {
	h.tasks.Add(1)
	h.newest.changed()
	for _, s := range h.subs {
		s.signal()
	}
}

// Newest returns the newest frame set of each task that o chooses and newer says yes to, in the order in which they
// finished, and a channel that is closed when there may be others. Of o, Tasks, Chips and Corrected count. The error is
// that of a hub that is closed or suspended.
func (h *Hub) Newest(o Options, newer func(*facetdv1.FrameSet) bool) ([]*facetdv1.FrameSet, <-chan struct{}, error) {
	found, came, err := h.choose(newFilter(o), newer)
	var out []*facetdv1.FrameSet
	for _, it := range found {
		fs := it.set
		if it.look != nil {
			it.look()
		}
		if o.Corrected && h.corrector != nil {
			if it.corrected == nil {
				it.corrected = h.corrector.Begin(fs)
			}
			fs = it.corrected()
		}
		out = append(out, newFilter(o).cut(fs))
	}
	return out, came, err
}

// Wants reports whether somebody is known to want the next frame set of a task: who subscribes to it, or took its
// newest one lately.
func (h *Hub) Wants(task string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.newest.asked[task] > 0 ||
		slices.ContainsFunc(h.subs, func(s *Subscription) bool { return s.filter.wantsTask(task) })
}

func (h *Hub) choose(f filter, newer func(*facetdv1.FrameSet) bool) ([]item, <-chan struct{}, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed != nil {
		return nil, nil, h.closed
	}
	if h.suspended != nil {
		return nil, nil, h.suspended
	}
	var found []item
	for _, it := range h.newest.sets {
		if f.wants(it.set) && newer(it.set) {
			found = append(found, it)
			h.newest.asked[it.set.GetTask()] = askedFor
		}
	}
	if h.newest.came == nil {
		h.newest.came = make(chan struct{})
	}
	slices.SortFunc(found, func(a, b item) int {
		switch x, y := a.set.GetFinishBusNs(), b.set.GetFinishBusNs(); {
		case x < y || x == y && a.set.GetTask() < b.set.GetTask():
			return -1
		default:
			return 1
		}
	})
	return found, h.newest.came, nil
}
