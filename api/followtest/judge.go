package followtest

import (
	"errors"
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Judge judges a stream of granted frame sets: those of a task come in the order of their jobs, none twice; a
// generation is told before its first and after the last of the one before; what is left out is counted exactly; and
// the totals never fall.
type Judge struct {
	generation map[string]uint64
	paused     map[string]bool
	next       map[string]uint64 // job that would follow on the last
	known      map[string]bool   // next is of the generation
	dropped    uint64
	decimated  uint64
}

// NewJudge judges what follows on a beginning.
func NewJudge(b *facetdv1.FollowBegun) *Judge {
	j := &Judge{generation: map[string]uint64{}, next: map[string]uint64{}, known: map[string]bool{},
		paused: map[string]bool{}}
	for _, t := range b.GetTasks() {
		j.generation[t.GetTask()], j.next[t.GetTask()], j.known[t.GetTask()] = t.GetGeneration(), t.GetNextJob(),
			t.NextJob != nil
		j.paused[t.GetTask()] = t.GetPaused()
	}
	return j
}

// Reached is the generation of a task, and the job of it that would follow on the last.
func (j *Judge) Reached(task string) (generation, next uint64) {
	return j.generation[task], j.next[task]
}

// Take takes the next message, and says what is wrong with it.
func (j *Judge) Take(m *facetdv1.FollowFrameSetsResponse) error {
	switch {
	case m.GetTaskNotice() != nil:
		return j.notice(m.GetTaskNotice())
	case m.GetDelivery() != nil:
		return j.delivery(m.GetDelivery())
	case m.GetHeartbeat() == nil:
		return errors.New("it is neither a delivery nor a notice nor a heartbeat")
	}
	return nil
}

func (j *Judge) delivery(d *facetdv1.FrameSetDelivery) error {
	fs := d.GetFrameSet()
	task := fs.GetTask()
	switch {
	case fs.GetTaskGeneration() != j.generation[task]:
		return fmt.Errorf("generation %d was told", j.generation[task])
	case j.known[task] && fs.GetJob() != j.next[task]+d.GetLeftOut():
		return fmt.Errorf("job %d would follow", j.next[task])
	case d.GetDropped() > d.GetLeftOut():
		return fmt.Errorf("%d dropped of %d left out", d.GetDropped(), d.GetLeftOut())
	case d.GetDroppedTotal() < j.dropped || d.GetDecimatedTotal() < j.decimated:
		return fmt.Errorf("%d had been dropped before, and %d decimated", j.dropped, j.decimated)
	}
	j.next[task], j.known[task] = fs.GetJob()+1, true
	j.dropped, j.decimated = d.GetDroppedTotal(), d.GetDecimatedTotal()
	return nil
}

func (j *Judge) notice(n *facetdv1.TaskNotice) error {
	before, known := j.generation[n.GetTask()]
	switch n.GetChange() {
	case facetdv1.TaskChange_TASK_CHANGE_ADDED:
		if known {
			return errors.New("it was there")
		}
	case facetdv1.TaskChange_TASK_CHANGE_REPLACED:
		if !known || n.GetGeneration() <= before {
			return fmt.Errorf("it had generation %d", before)
		}
	case facetdv1.TaskChange_TASK_CHANGE_REMOVED:
		if !known || n.GetGeneration() != before {
			return fmt.Errorf("it had generation %d", before)
		}
		delete(j.generation, n.GetTask())
		delete(j.known, n.GetTask())
		delete(j.paused, n.GetTask())
		return nil
	case facetdv1.TaskChange_TASK_CHANGE_PAUSED, facetdv1.TaskChange_TASK_CHANGE_RESUMED: // nothing else changes
		if !known || n.GetGeneration() != before {
			return fmt.Errorf("it had generation %d", before)
		}
		paused := n.GetChange() == facetdv1.TaskChange_TASK_CHANGE_PAUSED
		if j.paused[n.GetTask()] == paused {
			return fmt.Errorf("it was so already: paused is %v", paused)
		}
		j.paused[n.GetTask()] = paused
		return nil
	default:
		return errors.New("nothing became of it")
	}
	j.generation[n.GetTask()], j.known[n.GetTask()] = n.GetGeneration(), false
	return nil
}
