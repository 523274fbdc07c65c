package timetable

import (
	"fmt"
	"slices"
)

// Response is what fixed-priority analysis says of one task.
type Response struct {
	Task     string  `json:"task"`
	Blocking int64   `json:"blocking_ns"`
	Busy     int64   `json:"busy_ns"`
	Instance []int64 `json:"instances_ns"`
	Response int64   `json:"response_ns"`
	// Schedulable: every instance ends by its deadline.
	Schedulable bool `json:"schedulable"`
}

// FixedOptions choose the time model.
type FixedOptions struct {
	// Tick is the granularity of arrivals (a bus's bit time), at least 1; 0 means 1. A
	// job that arrives within a tick of a start still goes first.
	Tick int64
	// IntegerTime takes a lower-priority job to have begun at least one tick before,
	// which is exact where releases fall on ticks; the published analysis of a serial
	// bus takes its whole cost.
	IntegerTime bool
}

// Limits of the analysis of one task.
const (
	maxIterations = 1_000_000 // of all its fixed points
	maxInstances  = 100_000
)

// LimitError is an analysis that would take too long: a level's busy period has too many instances. Coarser times help,
// or tasks that ask for less of the bus.
type LimitError struct{ Task string }

func (e *LimitError) Error() string {
	return fmt.Sprintf("the busy period of task %s is too long to analyse", e.Task)
}

// FixedPriority is the response time analysis of non-preemptive jobs under fixed
// priorities, highest first in order, for any phase: for each task the longest
// blocking by a lower one, the busy period of its level, and the response of every
// instance in it. Davis, Burns, Bril and Lukkien, Real-Time Systems 35, 2007,
// equations (5), (8) and (10) to (13): the revised analysis. (6) and (7) there are
// the older one that it refutes, which takes the first instance alone (read in the
// paper).
//
// A level that asks for the whole bus and is blocked too is busy for ever; its
// instances repeat with the hyperperiod, which stands as Busy. A level with more
// than the whole bus has no response: its Busy is 0 and it is not schedulable. The
// errors are *InputError and *LimitError.
func FixedPriority(tasks []Task, order []int, opt FixedOptions) ([]Response, error) {
	if err := checkFixed(tasks, opt); err != nil {
		return nil, err
	}
	if err := checkOrder(len(tasks), order); err != nil {
		return nil, err
	}
	out := make([]Response, len(order))
	for n := range order {
		var err error
		if out[n], err = levelOf(tasks, order, n, opt).response(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func checkFixed(tasks []Task, opt FixedOptions) error {
	if opt.Tick < 0 || opt.Tick > maxTime {
		return &InputError{[]string{fmt.Sprintf("the tick of %d is not between 0 and %d", opt.Tick, int64(maxTime))}}
	}
	return checkTasks(tasks)
}

func checkOrder(n int, order []int) error {
	seen := make([]bool, n)
	for _, i := range order {
		if i < 0 || i >= n || seen[i] {
			return &InputError{[]string{fmt.Sprintf("the order of priorities %v is not one of %d tasks", order, n)}}
		}
		seen[i] = true
	}
	if len(order) != n {
		return &InputError{[]string{fmt.Sprintf("the order of priorities has %d of %d tasks", len(order), n)}}
	}
	return nil
}

// level is one task with those above it and the blocking by those below, all that its response depends on.
type level struct {
	task     Task
	higher   []Task
	blocking int64
	tick     int64
	left     int // iterations
}

func levelOf(tasks []Task, order []int, at int, opt FixedOptions) *level {
	l := &level{task: tasks[order[at]], tick: max(opt.Tick, 1), left: maxIterations}
	for _, k := range order[:at] {
		l.higher = append(l.higher, tasks[k])
	}
	for _, k := range order[at+1:] {
		l.blocking = max(l.blocking, tasks[k].Cost)
	}
	if opt.IntegerTime {
		l.blocking = max(l.blocking-l.tick, 0)
	}
	return l
}

// response analyses every instance of the busy period.
func (l *level) response() (Response, error) {
	r := Response{Task: l.task.Name, Blocking: l.blocking, Instance: []int64{}}
	var instances int64
	switch full := utilizationOf(append(l.higher[:len(l.higher):len(l.higher)], l.task)).Cmp(one); {
	case full > 0:
		return r, nil
	case full == 0 && l.blocking > 0:
		h, ok := Hyperperiod(append(l.higher[:len(l.higher):len(l.higher)], l.task))
		if !ok || h > maxTime {
			return r, &LimitError{l.task.Name}
		}
		r.Busy, instances = h, h/l.task.Period
	default:
		busy, ok := l.busy()
		if !ok {
			return r, &LimitError{l.task.Name}
		}
		r.Busy, instances = busy, ceilDiv(busy, l.task.Period)
	}
	if instances > maxInstances {
		return r, &LimitError{l.task.Name}
	}
	start := l.blocking
	for q := range instances {
		var ok bool
		if start, ok = l.start(q, start); !ok {
			return r, &LimitError{l.task.Name}
		}
		r.Instance = append(r.Instance, start-q*l.task.Period+l.task.Cost)
		start += l.task.Cost // the next one cannot begin before
	}
	r.Response = slices.Max(r.Instance)
	r.Schedulable = r.Response <= l.task.deadline()
	return r, nil
}

// busy is the length of the level's busy period, from its blocking on.
func (l *level) busy() (int64, bool) {
	return l.fixedPoint(l.task.Cost, func(x int64) int64 {
		next := l.blocking + ceilDiv(x, l.task.Period)*l.task.Cost
		for _, k := range l.higher {
			next += ceilDiv(x, k.Period) * k.Cost
		}
		return next
	})
}

// start is when instance q begins, at the earliest at a given time.
func (l *level) start(q, earliest int64) (int64, bool) {
	return l.fixedPoint(earliest, func(x int64) int64 {
		next := l.blocking + q*l.task.Cost
		for _, k := range l.higher {
			next += ceilDiv(x+l.tick, k.Period) * k.Cost
		}
		return next
	})
}

func ceilDiv(a, b int64) int64 { return (a + b - 1) / b }

// fixedPoint iterates from x until f(x) = x.
func (l *level) fixedPoint(x int64, f func(int64) int64) (int64, bool) {
	for ; l.left > 0 && x <= 2*maxTime; l.left-- {
		next := f(x)
		if next == x {
			return x, true
		}
		x = next
	}
	return 0, false
}

// Assign finds an order of priorities under which every task is schedulable, by Audsley's algorithm: the lowest level
// goes to a task that is schedulable there, whatever the order above it, and so on upwards; it finds an order whenever
// one exists. Among several such tasks the last in the list goes lowest, so that an order that is good already stays.
// It returns false when no order exists. The errors are *InputError, and *LimitError where the analysis of some task
// took too long and no other served.
func Assign(tasks []Task, opt FixedOptions) (order []int, found bool, err error) {
	if err := checkFixed(tasks, opt); err != nil {
		return nil, false, err
	}
	order = make([]int, len(tasks))
	for i := range order {
		order[i] = i
	}
	for at := len(order) - 1; at >= 0; at-- {
		var limit error
		found = false
		for pick := at; pick >= 0 && !found; pick-- {
			trial := slices.Insert(slices.Delete(slices.Clone(order), pick, pick+1), at, order[pick])
			r, err := levelOf(tasks, trial, at, opt).response()
			if err != nil {
				limit = err
			}
			if r.Schedulable {
				order, found = trial, true
			}
		}
		if !found {
			return nil, false, limit
		}
	}
	return order, true, nil
}
