package dispatch

import (
	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

// reporter lets the observer, the inspector, the log and the board know what the runner did. It belongs to the
// runner's goroutine and is called without a lock.
type reporter struct {
	array     *chipmodel.Array
	observer  Observer
	inspector *rules.Inspector // nil where the bus has none
	log       *zap.Logger
	board     *board
	reach     map[chipmodel.LineSet]int // chips that a word reaches, by word
}

// segmentRun reports a segment; task is empty for what is not of the table.
func (p *reporter) segmentRun(task string, r *bus.Result, ops []bus.Op) {
	p.observer.SegmentRun(task, r, p.wordsOf(ops))
}

// jobEnded reports a job that is closed: to the inspector as one, to the others each member's part.
func (p *reporter) jobEnded(job *openJob) {
	if in := p.inspector; in != nil {
		in.FrameSet(&job.job, job.set)
		in.JobEnded(&job.job, outcomeOf(job.set))
		p.violated(in.Take())
	}
	look := job.look()
	if len(job.members) == 0 {
		p.handOut(job.set, look)
		return
	}
	for i := range job.members {
		set := job.setOf(&job.members[i])
		p.board.jobEnded(set)
		p.handOut(set, look)
	}
}

// handOut gives a frame set to the observer; look gets the pixels that were put off.
func (p *reporter) handOut(set *facetdv1.FrameSet, look func()) {
	later, can := p.observer.(LaterObserver)
	switch {
	case look == nil:
		p.observer.JobEnded(set)
	case can:
		later.JobEndedLater(set, look)
	default:
		look()
		p.observer.JobEnded(set)
	}
}

func outcomeOf(fs *facetdv1.FrameSet) bus.Outcome {
	switch {
	case fs.GetFailure() != "":
		return bus.Outcome{Kind: bus.Failed, Cause: fs.GetFailure()}
	case fs.GetLate():
		return bus.Outcome{Kind: bus.Late}
	}
	return bus.Outcome{Kind: bus.OnTime}
}

// initialized reports to the inspector how an initialization ended, and when.
func (p *reporter) initialized(job *bus.Job, end bus.Time, err error) {
	if p.inspector == nil {
		return
	}
	outcome := bus.Outcome{Kind: bus.OnTime}
	if end > job.Deadline { // a bus that is slower than it says
		outcome.Kind = bus.Late
	}
	if err != nil {
		outcome = bus.Outcome{Kind: bus.Failed, Cause: err.Error()}
	}
	p.inspector.JobEnded(job, outcome)
}

// released reports how every line became inactive.
func (p *reporter) released(stop bus.Stop, limits bus.Limits) {
	if in := p.inspector; in != nil {
		in.Finish(stop.Received)
		if stop.Confirmed {
			in.Released(stop.Received, stop.Inactive)
		} else {
			in.HostLost(stop.Received, stop.Inactive, limits.Lease)
		}
		p.violated(in.Take())
	}
}

// violated reports violations of bus rules.
func (p *reporter) violated(violations []rules.Violation) {
	for _, v := range violations {
		p.board.violated(v)
		p.log.Error("bus rule violated", zap.Int("rule", v.Rule), zap.Int64("bus_ns", v.At.NS()),
			zap.String("what", v.Message), zap.Strings("chips", v.Chips))
		p.observer.Violated(v)
	}
}

// wordsOf counts the select words of a program by what they reach.
func (p *reporter) wordsOf(ops []bus.Op) WordCount {
	var n WordCount
	for i := range ops {
		if ops[i].Kind != bus.OpSelect || ops[i].Word == 0 {
			continue
		}
		reached, seen := p.reach[ops[i].Word]
		if !seen {
			reached = len(p.array.Reach(ops[i].Word))
			p.reach[ops[i].Word] = reached
		}
		switch reached {
		case 0:
		case 1:
			n.Single++
		case len(p.array.Chips):
			n.Broadcast++
		default:
			n.Group++
		}
	}
	return n
}
