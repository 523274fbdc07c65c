package health

import (
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Monitor judges an array over time. It is for one goroutine at a time.
type Monitor struct {
	array *chipmodel.Array
	chips []tracker
	tasks map[string]*taskState
	// views are what to expect, by task, chip and view; equal ones are worked out once.
	views    map[string][]map[string]*Expected
	samples  uint64
	skipped  uint64
	missed   misses
	behind   behindness
	wasThere map[string]int64 // findings that hold, with the bus time since which they do
	groups   [numConditions]grouping
	slowest  int64 // longest period of a task, up to 2 s, in nanoseconds
	planned  int64 // bus time since which the timetable is in effect
	device   deviceCourse
	rests    bool
}

// misses are late and failed jobs of all tasks.
type misses struct {
	late, failed uint64
	since, last  int64
	any          bool
}

// quiet is after how long without a late or failed job a run of them has ended, in nanoseconds (our choice, no source).
const quiet = int64(10e9)

func (m *misses) see(at int64) {
	if !m.any || at-m.last > quiet {
		m.since = at
	}
	m.last, m.any = at, true
}

type behindness struct {
	is    bool
	since int64
	by    float64 // seconds
}

// New makes a monitor of an array.
func New(a *chipmodel.Array) *Monitor {
	return &Monitor{array: a, chips: make([]tracker, len(a.Chips)), tasks: map[string]*taskState{},
		wasThere: map[string]int64{}}
}

// Plan takes the tasks of a timetable that took effect at a bus time. A replay that jumps takes the one that is in
// effect there: one that took effect no later than the last, so that nothing is kept of the chips.
func (m *Monitor) Plan(tasks []*facetdv1.Task, at int64) {
	jumped := len(m.tasks) > 0 && at <= m.planned
	m.planned = at
	type design struct {
		class, lane int
	}
	states, views := map[string]*taskState{}, map[string][]map[string]*Expected{}
	for _, t := range tasks {
		chips, errs := m.array.Resolve(t.GetTarget())
		if len(errs) > 0 {
			continue // tasks of a timetable have chips
		}
		state := m.tasks[t.GetName()]
		if state == nil {
			state = &taskState{}
		}
		state.chips, state.waits = chips, false // frames are to be expected from now on
		state.period = 0
		if rate := t.GetRateHz(); rate > 0 {
			state.period = int64(min(1e9/rate, longestPeriod))
		}
		states[t.GetName()] = state
		byDesign := map[design]map[string]*Expected{}
		of := make([]map[string]*Expected, len(m.array.Chips))
		for _, c := range chips {
			chip := &m.array.Chips[c]
			if chip.Class == nil {
				continue
			}
			key := design{chip.Class.Index, chip.Lane}
			if byDesign[key] == nil {
				byDesign[key], _ = Views(m.array, c, t.GetViews()) // views of a timetable can be resolved
			}
			of[c] = byDesign[key]
		}
		views[t.GetName()] = of
	}
	m.tasks, m.views = states, views
	m.slowest = 0
	for _, t := range m.tasks {
		m.slowest = max(m.slowest, min(t.period, 2e9))
	}
	if jumped {
		m.groups, m.missed.any = [numConditions]grouping{}, false
	}
	for c := range m.chips {
		if jumped || !m.read(c) { // nothing is known of it, or nobody reads it any more
			m.chips[c] = tracker{samples: m.chips[c].samples}
		}
	}
}

// Paused takes that a task was paused or resumed: since then frames of it are to be expected, if at all.
func (m *Monitor) Paused(task string) {
	if t := m.tasks[task]; t != nil {
		t.waits = false
	}
}

// read reports whether a task reads a chip.
func (m *Monitor) read(chip int) bool {
	for _, t := range m.tasks {
		if slices.Contains(t.chips, chip) {
			return true
		}
	}
	return false
}

// longestPeriod is that of a task that counts, in nanoseconds: a month.
const longestPeriod = 30 * 24 * 3600e9

// patience is after how long without a sample that tells anything a condition of a chip no longer holds, in
// nanoseconds of bus time.
func (m *Monitor) patience(chip int) int64 {
	long := forgotten
	for _, t := range m.tasks {
		if slices.Contains(t.chips, chip) {
			long = max(long, ends*t.period)
		}
	}
	return long
}

// Expected is what a view of a task should show of a chip; nil where nothing is known of it.
func (m *Monitor) Expected(task string, chip int, view string) *Expected {
	of := m.views[task]
	if of == nil || of[chip] == nil {
		return nil
	}
	return of[chip][view]
}

// JobEnded takes a job that ended, and returns the indices of those of its frames that are to be looked at, for which
// Take or Skip must be called. It looks at no pixel.
func (m *Monitor) JobEnded(fs *facetdv1.FrameSet) []int {
	state := m.tasks[fs.GetTask()]
	at := fs.GetFinishBusNs()
	if state != nil {
		state.ended(fs)
	}
	if fs.GetFailure() != "" || fs.GetLate() {
		m.missed.see(at)
		if fs.GetFailure() != "" {
			m.missed.failed++
			return nil
		}
		m.missed.late++
	}
	var wanted []int
	every := interval
	if m.rests {
		every = restInterval
	}
	for i, f := range fs.GetFrames() {
		c := m.array.Chip(f.GetChip())
		if c < 0 || state == nil {
			continue
		}
		t := &m.chips[c]
		t.newest, t.frames = at, true
		t.corrected = len(f.GetCorrections()) > 0
		if t.corrected || m.Expected(fs.GetTask(), c, f.GetView()) == nil {
			continue
		}
		// A pair is of one view.
		if t.pair && (fs.GetTask() != t.last.Task || f.GetView() != t.last.View) && at-t.taken < interval {
			continue
		}
		if !t.wants(at, every) {
			if t.asked && at-t.taken >= every {
				m.skipped++
				t.taken = at
			}
			continue
		}
		switch {
		case t.samples > 0 && at-t.taken < interval:
			t.spent++
		case t.spent > 0:
			t.spent--
		}
		t.asked, t.taken, t.rests = true, at, m.rests
		wanted = append(wanted, i)
	}
	return wanted
}

// Take takes the sample of a frame that JobEnded wanted, and reports whether a condition began or ended with it.
func (m *Monitor) Take(chip int, s Sample) (changed bool) {
	t := &m.chips[chip]
	e := m.Expected(s.Task, chip, s.View)
	if e == nil { // the timetable has changed meanwhile
		t.asked = false
		return false
	}
	m.samples++
	before := t.on()
	t.take(s, e, m.patience(chip))
	if t.turning() { // look at all the others: the cause may be common
		for i := range m.chips {
			m.chips[i].owed = m.chips[i].frames && s.At-m.chips[i].newest < forgotten && m.read(i)
		}
	}
	return t.on() != before
}

// Skip takes that a frame that JobEnded wanted is not looked at.
func (m *Monitor) Skip(chip int) {
	m.chips[chip].asked = false
	m.skipped++
}

// Rest has chips of which nothing special is known looked at less often from now on, as looks cost much and nobody
// waits for them; or again as often as before.
func (m *Monitor) Rest(rests bool) { m.rests = rests }

// Behind takes that the host fell behind the timetable by some seconds, or has caught up.
func (m *Monitor) Behind(at int64, seconds float64, caughtUp bool) {
	if !caughtUp && !m.behind.is {
		m.behind.since = at
	}
	m.behind.is, m.behind.by = !caughtUp, seconds
}

// taskState follows the jobs of a task.
type taskState struct {
	chips    []int
	period   int64 // in nanoseconds of bus time; 0 without a rate
	newest   int64 // bus time of its last complete frame set, or since when frames are waited for
	waits    bool  // newest is known
	outcomes []outcome
	failing  bool
	lating   bool
	failure  string
}

type outcome struct {
	at           int64
	failed, late bool
}

const (
	// jobsKept is of how many jobs of a task the outcome counts; missesBegin of them failed or late begin a finding,
	// and none end it (our choice, no source).
	jobsKept, missesBegin = 10, 3
)

func (t *taskState) ended(fs *facetdv1.FrameSet) {
	o := outcome{at: fs.GetFinishBusNs(), failed: fs.GetFailure() != "", late: fs.GetLate()}
	if t.outcomes = append(t.outcomes, o); len(t.outcomes) > jobsKept {
		t.outcomes = t.outcomes[1:]
	}
	if o.failed {
		t.failure = fs.GetFailure()
	} else {
		t.newest, t.waits = o.at, true
	}
	failed, late := t.counts()
	t.failing = failed >= missesBegin || t.failing && failed > 0
	t.lating = late >= missesBegin || t.lating && late > 0
}

func (t *taskState) counts() (failed, late int) {
	for _, o := range t.outcomes {
		if o.failed {
			failed++
		} else if o.late {
			late++
		}
	}
	return failed, late
}

// first is the bus time of the first of the outcomes kept that failed, or that was late.
func (t *taskState) first(failed bool) int64 {
	for _, o := range t.outcomes {
		if failed && o.failed || !failed && o.late && !o.failed {
			return o.at
		}
	}
	return t.newest
}
