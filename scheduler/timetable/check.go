package timetable

import "fmt"

// Check judges a table from the jobs alone, and names the first rule that is broken: every segment is placed exactly
// once and for its cost, none before its release or after its deadline, the segments of a job in order, none
// overlapping another, no resource used by two jobs at once, spans within their limits, all within the hyperperiod. It
// shares no code with the planners, so that an error in what they have in common cannot hide itself.
func Check(hyperperiod int64, jobs []Job, t Table) error {
	c := checker{
		hyperperiod: hyperperiod, jobs: jobs, byID: map[jobID]int{},
		done: make([]int, len(jobs)), began: make([]int64, len(jobs)), user: map[int]int{},
	}
	if err := c.index(); err != nil {
		return err
	}
	if t.Hyperperiod != hyperperiod {
		return fmt.Errorf("the table is of %d, the jobs are of %d", t.Hyperperiod, hyperperiod)
	}
	for n, pl := range t.Placements {
		i, known := c.byID[jobID{pl.Task, pl.Number}]
		if !known {
			return fmt.Errorf("placement %d is of job %d of task %d, which does not exist", n, pl.Number, pl.Task)
		}
		if err := c.place(i, pl); err != nil {
			return err
		}
	}
	for i := range jobs {
		if j := &jobs[i]; c.done[i] != len(j.Costs) {
			return fmt.Errorf("job %d of task %d has %d of %d segments placed", j.Number, j.Task, c.done[i],
				len(j.Costs))
		}
	}
	return nil
}

type jobID struct{ task, number int }

// checker is the state of a check between placements; jobs are indices.
type checker struct {
	hyperperiod int64
	jobs        []Job
	byID        map[jobID]int
	done        []int       // segments placed, of each job
	began       []int64     // start of its first segment, of each job
	user        map[int]int // of a resource: the job that holds it plus 1; 0 is nobody
	busyUntil   int64
}

// index numbers the jobs, which must be distinct and have segments.
func (c *checker) index() error {
	for i := range c.jobs {
		j := &c.jobs[i]
		key := jobID{j.Task, j.Number}
		if _, twice := c.byID[key]; twice {
			return fmt.Errorf("job %d of task %d is listed twice", j.Number, j.Task)
		}
		c.byID[key] = i
		if len(j.Costs) == 0 {
			return fmt.Errorf("job %d of task %d has no segments", j.Number, j.Task)
		}
		if j.Within != nil && len(j.Within) != len(j.Costs) {
			return fmt.Errorf("job %d of task %d has %d limits for %d segments", j.Number, j.Task, len(j.Within),
				len(j.Costs))
		}
	}
	return nil
}

// place judges the next placement, which is of job i.
func (c *checker) place(i int, pl Placement) error {
	j := &c.jobs[i]
	if pl.Segment != c.done[i] || pl.Segment >= len(j.Costs) {
		return fmt.Errorf("segment %d of job %d of task %d is placed where segment %d is due", pl.Segment, pl.Number,
			pl.Task, c.done[i])
	}
	if pl.End-pl.Start != j.Costs[pl.Segment] {
		return fmt.Errorf("segment %d of job %d of task %d has %d, its cost is %d", pl.Segment, pl.Number, pl.Task,
			pl.End-pl.Start, j.Costs[pl.Segment])
	}
	if pl.Start < c.busyUntil {
		return fmt.Errorf("segment %d of job %d of task %d starts at %d, the bus is busy until %d", pl.Segment,
			pl.Number, pl.Task, pl.Start, c.busyUntil)
	}
	if pl.Start < j.Release {
		return fmt.Errorf("job %d of task %d starts at %d, before its release at %d", pl.Number, pl.Task, pl.Start,
			j.Release)
	}
	if pl.End > j.Deadline || pl.End > c.hyperperiod {
		return fmt.Errorf("job %d of task %d is not done at %d, its deadline is %d", pl.Number, pl.Task, pl.End,
			j.Deadline)
	}
	if pl.Segment == 0 {
		c.began[i] = pl.Start
	}
	if j.Within != nil && j.Within[pl.Segment] > 0 && pl.End-c.began[i] > j.Within[pl.Segment] {
		return fmt.Errorf("segment %d of job %d of task %d ends %d after the job's start, its limit is %d", pl.Segment,
			pl.Number, pl.Task, pl.End-c.began[i], j.Within[pl.Segment])
	}
	if err := c.hold(i, pl.Segment == len(j.Costs)-1); err != nil {
		return err
	}
	c.busyUntil = pl.End
	c.done[i]++
	return nil
}

// hold gives job i its resources, which it keeps from its first segment to its last, also while others run in between.
func (c *checker) hold(i int, last bool) error {
	j := &c.jobs[i]
	for _, r := range j.Resources {
		if u := c.user[r]; u != 0 && u != i+1 {
			return fmt.Errorf("job %d of task %d runs while another holds resource %d", j.Number, j.Task, r)
		}
		c.user[r] = i + 1
		if last {
			c.user[r] = 0
		}
	}
	return nil
}
