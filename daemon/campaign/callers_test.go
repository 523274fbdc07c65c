package campaign

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/stream"
)

// change is one change of the tasks that somebody asks for.
type change struct {
	at       time.Duration
	add      *facetdv1.Task // added, or put in the place of the one of its name
	remove   string
	update   bool   // it is never added
	pause    string // paused, or resumed
	paused   bool
	several  []change      // made together with this one
	patience time.Duration // until the caller goes away; 0 is never
}

// all are the changes that are made together.
func (c *change) all() []*change {
	out := []*change{c}
	for i := range c.several {
		out = append(out, &c.several[i])
	}
	return out
}

// pausesOnly reports whether tasks are only paused and resumed.
func (c *change) pausesOnly() bool {
	return !slices.ContainsFunc(c.all(), func(part *change) bool { return part.pause == "" })
}

func (c *change) String() string {
	var text string
	for _, part := range c.all() {
		switch {
		case part.remove != "":
			text += fmt.Sprintf("remove %s; ", part.remove)
		case part.pause != "":
			text += fmt.Sprintf("%s paused: %v; ", part.pause, part.paused)
		default:
			text += fmt.Sprintf("set %v; ", part.add)
		}
	}
	return text + fmt.Sprintf("at %v", c.at)
}

// randomChanges adds tasks, changes and removes them.
func randomChanges(r *rand.Rand, s *scenario) []change {
	names := make([]string, len(s.tasks))
	for i, t := range s.tasks {
		names[i] = t.GetName()
	}
	var out []change
	for _, at := range instants(r, r.IntN(5), s.safety) {
		c := change{at: at}
		if r.IntN(4) == 0 {
			c.patience = time.Duration(1+r.IntN(20_000)>>r.IntN(10)) * time.Microsecond
		}
		switch i := r.IntN(len(names) + 1); {
		case i == len(names) || len(names) == 0 || r.IntN(3) == 0:
			c.add = slower(randomTask(r, s.array, fmt.Sprint("new", len(out))))
			names = append(names, c.add.GetName())
		case r.IntN(2) == 0:
			c.add = slower(randomTask(r, s.array, names[i]))
		default:
			c.remove = names[i]
			names = slices.Delete(names, i, i+1)
		}
		out = append(out, c)
	}
	return out
}

// slower makes a task likely to fit beside others.
func slower(t *facetdv1.Task) *facetdv1.Task {
	t.RateHz, t.MaxHold, t.MaxSkew, t.Deadline = min(t.GetRateHz(), 32), nil, nil, nil
	return t
}

// instants are n times within a span, in order. They are odd numbers of nanoseconds, so that hardly ever two things
// happen at one instant, where nothing fixes their order.
func instants(r *rand.Rand, n int, span time.Duration) []time.Duration {
	out := make([]time.Duration, n)
	for i := range out {
		out[i] = time.Duration(r.Int64N(int64(span))) | 1
	}
	slices.Sort(out)
	return out
}

// breath is how long after an answer the next thing is asked for by somebody who waited for it. In the instant of the
// answer it would come before or after what the dispatcher does next, as the goroutines happen to run.
const breath = 313 * time.Nanosecond

// change asks for a change, once the one before it has been answered.
func (l *life) change(c *change) {
	ctx, cancel := c.within(l.ctx)
	defer cancel()
	select {
	case l.changing <- struct{}{}:
	case <-ctx.Done():
		return
	}
	l.changeAmongOthers(ctx, c)
	time.Sleep(breath)
	<-l.changing
}

// changeAmongOthers asks for a change at once, and keeps the answer.
func (l *life) changeAmongOthers(ctx context.Context, c *change) {
	l.asking.Add(1)
	defer l.asking.Add(-1)
	done := answeredChange{change: c, asked: time.Now(), from: l.driven.Now()}
	do := func() (dispatch.Change, error) { return c.do(ctx, l.disp) }
	if c.twice() {
		do = sending(l, "changes", fmt.Sprintf("%p", c), func(ctx context.Context) (dispatch.Change, error) {
			return c.do(ctx, l.disp)
		})
	}
	made, err := do()
	done.effective, done.revision, done.shifts, done.err = made.Effective, made.Revision, made.Shifts, err
	done.at, done.till, done.kept = time.Now(), l.driven.Now(), l.disp.Stopped() != nil
	if c.twice() && err == nil && l.wait(soonAgain) {
		answer, err := do()
		done.again = &repeated[dispatch.Change]{made, answer, err}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.changed = append(l.changed, done)
}

// within is how long the caller of a change waits.
func (c *change) within(ctx context.Context) (context.Context, context.CancelFunc) {
	if c.patience > 0 {
		return context.WithTimeout(ctx, c.patience)
	}
	return ctx, func() {}
}

// do asks for the change.
func (c *change) do(ctx context.Context, d *dispatch.Dispatcher) (dispatch.Change, error) {
	changes := &facetdv1.TaskChanges{}
	for _, part := range c.all() {
		runs := part.add != nil && slices.ContainsFunc(d.Snapshot().Tasks, func(t *facetdv1.RunningTask) bool {
			return t.GetTask().GetName() == part.add.GetName()
		})
		switch {
		case part.remove != "":
			changes.Remove = append(changes.Remove, &facetdv1.TaskRemoval{Name: part.remove})
		case part.pause != "":
			changes.Update = append(changes.Update, &facetdv1.TaskUpdate{
				Task:       &facetdv1.Task{Name: part.pause, Paused: part.paused},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"paused"}}})
		case runs || part.update:
			changes.Update = append(changes.Update, &facetdv1.TaskUpdate{Task: proto.CloneOf(part.add)})
		default:
			changes.Add = append(changes.Add, proto.CloneOf(part.add))
		}
	}
	return d.Apply(ctx, changes)
}

// demand is something that somebody wants of the bus between its jobs.
type demand struct {
	at       time.Duration
	capture  *facetdv1.CaptureFramesRequest
	command  *facetdv1.Command
	patience time.Duration
}

func randomDemands(r *rand.Rand, s *scenario) []demand {
	var out []demand
	for _, at := range instants(r, r.IntN(8), s.safety) {
		class := s.array.Chips[r.IntN(len(s.array.Chips))].Class
		d := demand{at: at, patience: time.Duration(5+r.IntN(300)) * time.Millisecond}
		if last := len(out) - 1; last >= 0 && out[last].capture != nil && r.IntN(2) == 0 { // the same chips once more
			names := out[last].capture.GetTarget().GetList().GetNames()
			class = s.array.Chips[s.array.Chip(names[0])].Class
			d.capture = &facetdv1.CaptureFramesRequest{Target: list(names...),
				Views: []*facetdv1.View{randomView(r, class)}}
		} else if r.IntN(3) > 0 {
			d.capture = &facetdv1.CaptureFramesRequest{Target: list(someChips(r, s.array, class)...)}
			if r.IntN(2) == 0 {
				d.capture.Views = []*facetdv1.View{randomView(r, class)}
			}
		} else {
			d.command = randomCommand(r, s.array, class)
		}
		out = append(out, d)
	}
	return out
}

// randomCommand writes a register that a class has, or gives a strobe.
func randomCommand(r *rand.Rand, a *chipmodel.Array, class *chipmodel.Class) *facetdv1.Command {
	c := &facetdv1.Command{Target: list(someChips(r, a, class)...)}
	for _, reg := range r.Perm(chipmodel.NumRegisters) {
		if reg := facetdv1.Register(reg); class.HasRegister(reg) && reg != chipmodel.OutputEnable {
			c.Action = &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{Register: reg, Value: uint32(r.IntN(3))}}
			return c
		}
	}
	c.Action = &facetdv1.Command_Strobe{Strobe: chipmodel.Load}
	return c
}

func (d *demand) do(ctx context.Context, on *dispatch.Dispatcher) (*facetdv1.FrameSet, error) {
	ctx, cancel := context.WithTimeout(ctx, d.patience)
	defer cancel()
	if d.capture != nil {
		done, err := on.Capture(ctx, proto.CloneOf(d.capture))
		return done.FrameSet, err
	}
	_, err := on.Send(ctx, proto.CloneOf(d.command))
	return nil, err
}

// subscriber reads frame sets, in its own way.
type subscriber struct {
	from, until time.Duration // it vanishes then, whatever still waits
	options     stream.Options
	pause       time.Duration // after each frame set
	stallAt     int           // after how many frame sets it stalls
	stall       time.Duration
}

func randomSubscribers(r *rand.Rand, s *scenario) []subscriber {
	var out []subscriber
	for _, at := range instants(r, 1+r.IntN(4), s.safety) {
		sub := subscriber{from: at, until: at + time.Duration(r.Int64N(int64(2*s.safety))) | 1}
		if r.IntN(3) == 0 {
			sub.from = 1 // from the start
		}
		sub.options.Policy = stream.Policy(r.IntN(2))
		if sub.options.Policy == stream.Queue {
			sub.options.Length = 1 + r.IntN(30)
		}
		if r.IntN(4) == 0 {
			sub.options.Tasks = []string{s.tasks[r.IntN(len(s.tasks))].GetName()}
		}
		if r.IntN(4) == 0 {
			sub.options.Chips = []string{s.array.Chips[r.IntN(len(s.array.Chips))].Name}
		}
		if r.IntN(4) == 0 {
			sub.options.MaxRateHz = float64(1 + r.IntN(40))
		}
		if r.IntN(2) == 0 {
			sub.pause = time.Duration(r.IntN(30_000)) * time.Microsecond
		}
		if r.IntN(3) == 0 {
			sub.stallAt, sub.stall = r.IntN(30), time.Duration(r.IntN(500))*time.Millisecond
		}
		out = append(out, sub)
	}
	return out
}

// recording is one that somebody starts and, unless until is 0, stops.
type recording struct {
	from, until time.Duration
	options     *facetdv1.RecordingOptions
}

// randomRecordings are none, in most seeds without a fault of their disk: they cost much of the time. One runs while
// the first such fault strikes.
func randomRecordings(r *rand.Rand, s *scenario) []recording {
	var out []recording
	starts := instants(r, 1+r.IntN(2), s.safety/2)
	i := slices.IndexFunc(s.faults, func(f fault) bool {
		return f.kind == diskFull || f.kind == syncRefused || f.kind == diskSlow
	})
	switch {
	case i >= 0:
		starts = append(starts, max(s.faults[i].at.Elapsed()-time.Duration(r.Int64N(1e8)), 0)|1)
	case r.IntN(6) > 0:
		return nil
	}
	for _, at := range starts {
		rec := recording{from: at, options: &facetdv1.RecordingOptions{Images: r.IntN(4) == 0}}
		if r.IntN(2) == 0 {
			rec.options.PartBytes = 64 << 10
		}
		if r.IntN(2) == 0 {
			rec.until = at + time.Duration(r.Int64N(int64(s.safety)))
		}
		out = append(out, rec)
	}
	return out
}
