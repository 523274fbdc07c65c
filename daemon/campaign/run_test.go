package campaign

import (
	"fmt"
	"os"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

const (
	// watch is how often a run looks whether the daemon has ended by itself.
	watch = 7 * time.Millisecond
	// hanging is how long a run may take at most, on the host's clock.
	hanging = 5 * time.Minute
	// longestDrain is how long a lag is watched being worked off at most, so that a run ends.
	longestDrain = 4 * time.Second
)

// outcome is what a run showed.
type outcome struct {
	s        *scenario
	faults   []fault // that it had
	lives    []*life
	problems []string
	digest   uint64
	differs  bool // from another run of the same
	jobs     int
	tally    tally
	calm     time.Duration // when the faults had ended, since the start of the last life
	recovery recovery      // after that
}

func (o *outcome) failed() bool { return len(o.problems) > 0 }

func (o *outcome) problem(format string, args ...any) {
	o.problems = append(o.problems, fmt.Sprintf(format, args...))
}

// run runs a scenario with some of its faults in a bubble of its own, and judges it. It may be called from any
// goroutine.
func (s *scenario) run(t *testing.T, faults []fault) (o *outcome) {
	o = &outcome{s: s, faults: faults}
	hangs := time.AfterFunc(hanging, func() {
		panic(fmt.Sprintf("seed %d does not come to an end: %v", s.seed,
			faults))
	})
	defer hangs.Stop()
	dir, err := os.MkdirTemp(memory, "campaign-")
	if err != nil {
		o.problem("no folder: %v", err)
		return o
	}
	defer os.RemoveAll(dir)
	func() {
		defer func() {
			if v := recover(); v != nil { // of the bubble: goroutines are left, or all wait for ever
				o.problem("%v", v)
			}
		}()
		synctest.Test(t, func(*testing.T) { o.live(dir) })
	}()
	if !o.failed() {
		o.judge(dir)
	}
	return o
}

// memory is a folder in memory where the system has one: a campaign is not to wait for a disk.
var memory = func() string {
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		return "/dev/shm"
	}
	return ""
}()

// live runs the safety phase and the liveness phase.
func (o *outcome) live(dir string) {
	l, err := newLife(o.s, dir, o.s.tasks, o.faults, nil)
	if err != nil {
		o.problem("it does not start: %v", err)
		return
	}
	o.lives = append(o.lives, l)
	l.callers()
	for (time.Since(l.born) < o.s.safety+l.stoodStill() || l.disp.Stopped() != nil) && !l.over() {
		if time.Since(l.born) > o.s.safety+longestDrain {
			o.problem("the array cannot be resumed: %s", l.disp.Stopped().Text())
			break
		}
		time.Sleep(watch)
	}
	if l.over() {
		tasks, latched := running(l), l.disp.Stopped()
		l.end()
		if l, err = newLife(o.s, dir, tasks, nil, latched); err != nil {
			o.problem("it does not start again: %v", err)
			return
		}
		o.lives = append(o.lives, l)
		l.triggerAll()
		time.Sleep(2 * begin) // its first timetable is active by then
		if latched != nil {
			l.resumeAfterStart()
		}
	}
	o.calm = time.Since(l.born)
	o.recovery = o.recoveryOf(l)
	for o.watches(l) && !l.over() {
		time.Sleep(watch)
	}
	l.end()
}

// watches reports whether the liveness phase lasts: until nothing of the faults is left, each change that somebody
// still waits for has had its time, and every task was watched after the last of them.
func (o *outcome) watches(l *life) bool {
	now, phase := time.Since(l.born), o.livenessPhase(l)
	changed, hyperperiod := l.ledger.lastChange()
	last := max(o.calm, changed.Elapsed())
	return now < o.calm+o.recovery.watched()+phase || now < last+phase ||
		l.asking.Load() > 0 && now < last+o.recovery.waits(hyperperiod)
}

// stoodStill is for how long the process did, or was behind: so much later in its time segments begin that a fault
// strikes.
func (l *life) stoodStill() (d time.Duration) {
	for _, s := range l.bus.struckSoFar() {
		switch s.fault.kind {
		case hostStall:
			d += s.fault.delay
		case overload:
			d += maxLag + s.fault.delay
		}
	}
	return d
}

// running are the tasks that run.
func running(l *life) []*facetdv1.Task {
	var out []*facetdv1.Task
	for _, t := range l.disp.Snapshot().Tasks {
		out = append(out, t.GetTask())
	}
	return out
}

// livenessPhase is how long every task is then watched.
func (o *outcome) livenessPhase(l *life) time.Duration {
	h := time.Duration(l.disp.Snapshot().Plan.GetTimetable().GetHyperperiodNs())
	return max(2*h, 100*time.Millisecond)
}
