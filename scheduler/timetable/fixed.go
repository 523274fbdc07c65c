package timetable

import "fmt"

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
	// Tick is the granularity of arrivals (a bus's bit time): a job that arrives
	// within a tick of a start still goes first. 0 means 1.
	Tick int64
	// IntegerTime takes a lower-priority job to have begun at least one tick before,
	// which is exact where releases fall on ticks; the published analysis of a serial
	// bus takes its whole cost.
	IntegerTime bool
}

// maxIterations bounds a fixed point that does not come to rest.
const maxIterations = 1_000_000

// FixedPriority is the response time analysis of non-preemptive jobs under fixed
// priorities, highest first in order, for any phase: for each task the longest
// blocking by a lower one, the busy period of its level, and the response of every
// instance in it. Davis, Burns, Bril and Lukkien, Real-Time Systems 35, 2007,
// equations 4 to 8 (the revised analysis; the first instance alone is not enough).
// A level with more than the whole bus has no busy period: its Busy is 0 and it is
// not schedulable. The only error is *InputError.
func FixedPriority(tasks []Task, order []int, opt FixedOptions) ([]Response, error) {
	if err := checkTasks(tasks); err != nil {
		return nil, err
	}
	if err := checkOrder(len(tasks), order); err != nil {
		return nil, err
	}
	if opt.Tick <= 0 {
		opt.Tick = 1
	}
	out := make([]Response, len(order))
	for level := range order {
		out[level] = responseOf(tasks, order, level, opt)
	}
	return out, nil
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

func responseOf(tasks []Task, order []int, level int, opt FixedOptions) Response {
	t := tasks[order[level]]
	higher := order[:level]
	r := Response{Task: t.Name}
	for _, k := range order[level+1:] {
		r.Blocking = max(r.Blocking, tasks[k].Cost)
	}
	if opt.IntegerTime && r.Blocking > 0 {
		r.Blocking -= opt.Tick
	}
	busy, ok := fixedPoint(t.Cost, func(x int64) int64 {
		next := r.Blocking
		for _, k := range order[:level+1] {
			next += ceilDiv(x, tasks[k].Period) * tasks[k].Cost
		}
		return next
	})
	if !ok || overloaded(tasks, order[:level+1]) {
		return r
	}
	r.Busy = busy
	r.Schedulable = true
	for q := range ceilDiv(busy, t.Period) {
		w, ok := fixedPoint(r.Blocking+q*t.Cost, func(x int64) int64 {
			next := r.Blocking + q*t.Cost
			for _, k := range higher {
				next += ceilDiv(x+opt.Tick, tasks[k].Period) * tasks[k].Cost
			}
			return next
		})
		if !ok {
			return Response{Task: t.Name, Blocking: r.Blocking}
		}
		resp := w - q*t.Period + t.Cost
		r.Instance = append(r.Instance, resp)
		r.Response = max(r.Response, resp)
	}
	r.Schedulable = r.Response <= t.deadline()
	return r
}

// overloaded reports whether tasks ask for more than the bus.
func overloaded(tasks []Task, some []int) bool {
	list := make([]Task, len(some))
	for i, k := range some {
		list[i] = tasks[k]
	}
	u := utilizationOf(list)
	return u.Num().Cmp(u.Denom()) > 0
}

func ceilDiv(a, b int64) int64 { return (a + b - 1) / b }

// fixedPoint iterates from x until f(x) = x.
func fixedPoint(x int64, f func(int64) int64) (int64, bool) {
	for range maxIterations {
		next := f(x)
		if next == x {
			return x, true
		}
		x = next
	}
	return 0, false
}

// Assign finds an order of priorities under which every task is schedulable, by
// Audsley's algorithm: the lowest level goes to a task that is schedulable there,
// whatever the order above it, and so on upwards; it finds an order whenever there
// is one. Among several the last in the list goes lowest, so that a good order
// stays. It returns false when there is none.
func Assign(tasks []Task, opt FixedOptions) (order []int, found bool, err error) {
	if err := checkTasks(tasks); err != nil {
		return nil, false, err
	}
	if opt.Tick <= 0 {
		opt.Tick = 1
	}
	order = make([]int, len(tasks))
	for i := range order {
		order[i] = i
	}
	for level := len(order) - 1; level >= 0; level-- {
		ok := false
		for pick := level; pick >= 0 && !ok; pick-- {
			trial := append([]int{}, order...)
			moved := trial[pick]
			copy(trial[pick:level], trial[pick+1:level+1])
			trial[level] = moved
			if responseOf(tasks, trial, level, opt).Schedulable {
				order, ok = trial, true
			}
		}
		if !ok {
			return nil, false, nil
		}
	}
	return order, true, nil
}
