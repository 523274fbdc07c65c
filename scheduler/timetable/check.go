package timetable

import "fmt"

// Check judges a table from the jobs alone. It shares no code with the planners,
// and names the first rule that is broken: every segment placed exactly once and
// for its cost, none before its release or after its deadline, segments of a job
// in order, none overlapping another, no resource used by two jobs at once, spans
// within their limits, all within the hyperperiod.
func Check(hyperperiod int64, jobs []Job, t Table) error {
	type id struct{ task, number int }
	byID := map[id]int{}
	for i := range jobs {
		key := id{jobs[i].Task, jobs[i].Number}
		if _, twice := byID[key]; twice {
			return fmt.Errorf("job %d of task %d is there twice", key.number, key.task)
		}
		byID[key] = i
		if len(jobs[i].Costs) == 0 {
			return fmt.Errorf("job %d of task %d has no segments", key.number, key.task)
		}
		if j := &jobs[i]; j.Within != nil && len(j.Within) != len(j.Costs) {
			return fmt.Errorf("job %d of task %d has %d limits for %d segments", key.number, key.task, len(j.Within),
				len(j.Costs))
		}
	}
	if t.Hyperperiod != hyperperiod {
		return fmt.Errorf("the table is of %d, the jobs are of %d", t.Hyperperiod, hyperperiod)
	}
	done := make([]int, len(jobs))
	began := make([]int64, len(jobs))
	user := map[int]int{} // of a resource: job plus 1
	var busyUntil int64
	for n, pl := range t.Placements {
		i, known := byID[id{pl.Task, pl.Number}]
		if !known {
			return fmt.Errorf("placement %d is of job %d of task %d, which there is not", n, pl.Number, pl.Task)
		}
		j := &jobs[i]
		if pl.Segment != done[i] || pl.Segment >= len(j.Costs) {
			return fmt.Errorf("segment %d of job %d of task %d is placed where segment %d is due", pl.Segment,
				pl.Number, pl.Task, done[i])
		}
		if pl.End-pl.Start != j.Costs[pl.Segment] {
			return fmt.Errorf("segment %d of job %d of task %d has %d, its cost is %d", pl.Segment, pl.Number, pl.Task,
				pl.End-pl.Start, j.Costs[pl.Segment])
		}
		if pl.Start < busyUntil {
			return fmt.Errorf("segment %d of job %d of task %d starts at %d, the bus is busy until %d", pl.Segment,
				pl.Number, pl.Task, pl.Start, busyUntil)
		}
		if pl.Start < j.Release {
			return fmt.Errorf("job %d of task %d starts at %d, before its release at %d", pl.Number, pl.Task, pl.Start,
				j.Release)
		}
		if pl.End > j.Deadline || pl.End > hyperperiod {
			return fmt.Errorf("job %d of task %d is not done at %d, its deadline is %d", pl.Number, pl.Task, pl.End,
				j.Deadline)
		}
		if pl.Segment == 0 {
			began[i] = pl.Start
		}
		if j.Within != nil && j.Within[pl.Segment] > 0 && pl.End-began[i] > j.Within[pl.Segment] {
			return fmt.Errorf("segment %d of job %d of task %d ends %d after the job's start, its limit is %d",
				pl.Segment, pl.Number, pl.Task, pl.End-began[i], j.Within[pl.Segment])
		}
		for _, r := range j.Resources {
			if u := user[r]; u != 0 && u != i+1 {
				return fmt.Errorf("job %d of task %d runs while another holds resource %d", pl.Number, pl.Task, r)
			}
			user[r] = i + 1
			if pl.Segment == len(j.Costs)-1 {
				user[r] = 0
			}
		}
		busyUntil = pl.End
		done[i]++
	}
	for i := range jobs {
		if done[i] != len(jobs[i].Costs) {
			return fmt.Errorf("job %d of task %d has %d of %d segments placed", jobs[i].Number, jobs[i].Task, done[i],
				len(jobs[i].Costs))
		}
	}
	return nil
}
