package stream

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// MaxRateHz is the highest rate to which a subscriber may be decimated; above it there
// is nothing to decimate.
const MaxRateHz = 10_000

// thinSlack is how much too early a release may be and still count as due: periods are whole
// nanoseconds, and a task of exactly the rate asked for must lose nothing.
const thinSlack = float64(time.Microsecond)

// thinner leaves frame sets out so that each task has at most a number of them a
// second of bus time.
//
// Each task is due once an interval. The first release that is not before the due time
// is kept and the next due time is an interval after the last due time, not after the
// release: so a task of 20 Hz decimated to 15 loses every fourth job and not every other,
// and each gap is within one period of the even one.
type decimator struct {
	intervalNS float64 // 0 keeps everything
	tasks      map[string]*turn
}

// turn is in nanoseconds after the first release of its task, so that it is exact.
type turn struct {
	first, kept int64 // bus time of the first release, and of the one kept last
	due         float64
}

func newDecimator(hz float64) decimator {
	if hz == 0 {
		return decimator{}
	}
	return decimator{intervalNS: 1e9 / hz, tasks: map[string]*turn{}}
}

// keeps tells whether a frame set is to be sent, and takes its turn where it is. After a release
// before the one kept last, as after a jump in a replay, its task starts over.
func (t *decimator) keeps(fs *facetdv1.FrameSet) bool {
	if t.intervalNS == 0 {
		return true
	}
	release := fs.GetReleaseBusNs()
	at := t.tasks[fs.GetTask()]
	if at == nil || release < at.kept {
		if len(t.tasks) >= MaxWaitingTasks {
			clear(t.tasks) // names come and go with the tasks; start over
		}
		t.tasks[fs.GetTask()] = &turn{first: release, kept: release, due: t.intervalNS}
		return true
	}
	now := float64(release - at.first)
	switch late := now - at.due; {
	case late < -thinSlack:
		return false
	case late < 0 || late >= t.intervalNS: // nearly due, or after a pause
		at.due = now + t.intervalNS
	default:
		at.due += t.intervalNS
	}
	at.kept = release
	return true
}
