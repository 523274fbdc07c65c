package campaign

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/daemon/dispatch"
)

// moving is what may be set of one task, and what it is, from one of its jobs on.
type moving struct {
	from   uint64
	task   *facetdv1.Task
	values map[string]*facetdv1.ViewParameters // by view
}

// defaults are the values that parameters have before anything is set.
func defaults(t *facetdv1.Task, class *chipmodel.Class) map[string]*facetdv1.ViewParameters {
	out := map[string]*facetdv1.ViewParameters{}
	for _, v := range t.GetViews() {
		m, p := v.GetMovable(), &facetdv1.ViewParameters{View: v.GetName()}
		bias := func(b *facetdv1.Bounds, set *uint32, reg facetdv1.Register) *uint32 {
			if b == nil || set != nil {
				return keep(b, set)
			}
			return proto.Uint32(uint32(class.PowerOn(reg)))
		}
		trim := v.GetTrim()
		if trim == nil {
			trim = &facetdv1.TrimSettings{}
		}
		p.Row = keep(m.GetRow(), proto.Uint32(v.GetWindow().GetRow()))
		p.Column = keep(m.GetColumn(), proto.Uint32(v.GetWindow().GetColumn()))
		p.PixelBias = bias(m.GetPixelBias(), trim.PixelBias, chipmodel.PixelBias)
		p.OutputBias = bias(m.GetOutputBias(), trim.OutputBias, chipmodel.OutputBias)
		p.GainIndex = keep(m.GetGainIndex(), proto.Uint32(trim.GetGainIndex()))
		p.Offset = keep(m.GetOffset(), proto.Int32(trim.GetOffset()))
		if m.GetExposure() != nil {
			p.Exposure = v.GetExposure()
		}
		if m.GetActive() {
			p.Active = proto.Bool(true)
		}
		if proto.Size(m) > 0 {
			leave(v, p)
			out[v.GetName()] = p
		}
	}
	return out
}

// keep is a value where something has bounds, else nil.
func keep[T any](b *facetdv1.Bounds, value *T) *T {
	if b == nil {
		return nil
	}
	return value
}

// sameSlots reports whether the same may be set of two tasks, and is the same before anything is.
func sameSlots(a, b *facetdv1.Task, class *chipmodel.Class) bool {
	slots := func(t *facetdv1.Task) (out []string) {
		values := defaults(t, class)
		for i, v := range t.GetViews() {
			if p := values[v.GetName()]; p != nil {
				out = append(out, fmt.Sprint(i, v.GetName(), v.GetMovable(), p))
			}
		}
		return out
	}
	return slices.Equal(slots(a), slots(b))
}

// judgeParameters: every frame says what was set for its job, from the job on that the answer named, and nothing else.
func (o *outcome) judgeParameters(l *life) {
	names := map[string]bool{}
	for i := range l.ledger.plans {
		for _, t := range l.ledger.plans[i].plan.GetTasks() {
			names[t.GetName()] = true
		}
	}
	for name := range names {
		history, what := l.history(name)
		for i := 0; i < len(l.ledger.sets) && what == ""; i++ {
			if fs := l.ledger.sets[i]; fs.GetTask() == name {
				what = l.claims(fs, history)
			}
		}
		if what != "" {
			o.problem("%s: %s", name, what)
			return
		}
	}
	for _, x := range l.sets {
		o.judgeRepeated(x.again.wrong())
		invalidOnly := errors.As(x.err, new(invalid.Errors))
		if x.outside && !invalidOnly && x.err == nil || !x.outside && x.err != nil &&
			!errors.As(x.err, new(*dispatch.StoppedError)) {
			o.problem("setting %v of %s: outside its bounds is %v, it ended with %v", x.request.GetViews(),
				x.request.GetTask(), x.outside, x.err)
			return
		}
	}
}

// step is that tasks become others, after so many frame sets.
type step struct {
	at    time.Time
	tasks []*facetdv1.Task
	after int
}

// steps are the timetables in the order in which they took effect, and between them what was changed while the array
// was stopped: each of those changes counts, also one that the next has taken back before the array was resumed.
func (l *life) steps() (out []step) {
	books, _ := l.books()
	for _, r := range books {
		if r.by != nil && r.by.kept {
			i := slices.IndexFunc(l.ledger.plans, func(p planned) bool { return !p.at.Before(r.by.at) })
			after := len(l.ledger.sets)
			if i >= 0 { // nothing runs until then
				after = l.ledger.plans[i].after
			}
			out = append(out, step{r.by.at, r.tasks, after})
		}
	}
	for _, p := range l.ledger.plans {
		out = append(out, step{p.at, p.plan.GetTasks(), p.after})
	}
	slices.SortStableFunc(out, func(a, b step) int { return a.at.Compare(b.at) })
	return out
}

// history is what could be set of a task and what it was, by the order of its jobs. It says what is wrong with an
// answer to one who set something.
func (l *life) history(name string) (out []moving, wrong string) {
	class := func(t *facetdv1.Task) *chipmodel.Class {
		return l.s.array.Chips[l.s.array.Chip(t.GetTarget().GetList().GetNames()[0])].Class
	}
	task := func(tasks []*facetdv1.Task) *facetdv1.Task {
		if i := slices.IndexFunc(tasks, func(t *facetdv1.Task) bool { return t.GetName() == name }); i >= 0 {
			return tasks[i]
		}
		return nil
	}
	var now *moving
	change := func(t *facetdv1.Task, from uint64) {
		next := &moving{from: from, task: t}
		if t == nil {
			now = nil
			return
		}
		if next.values = defaults(t, class(t)); now != nil && sameSlots(now.task, t, class(t)) {
			next.values = now.values
		}
		now = next
		out = append(out, *now)
	}
	change(task(l.tasks), 0)
	steps := l.steps()
	upTo := func(at time.Time) {
		for ; len(steps) > 0 && steps[0].at.Before(at); steps = steps[1:] {
			jobs := uint64(0)
			for _, fs := range l.ledger.sets[:steps[0].after] {
				if fs.GetTask() == name {
					jobs++
				}
			}
			change(task(steps[0].tasks), jobs)
		}
	}
	for _, x := range l.sets {
		if upTo(x.at); x.request.GetTask() != name || x.err != nil {
			continue
		}
		// One that was changed while the array is stopped is another one before its timetable takes effect.
		if now == nil || !proto.Equal(now.task, x.task) {
			change(x.task, x.response.GetFirstJob())
		}
		next := &moving{x.response.GetFirstJob(), now.task, map[string]*facetdv1.ViewParameters{}}
		for view, p := range now.values {
			next.values[view] = proto.CloneOf(p)
		}
		for _, p := range x.request.GetViews() {
			to := next.values[p.GetView()]
			proto.Merge(to, p)
			if p.GetExposure() != nil {
				to.Exposure = durationpb.New(l.s.array.Up(p.GetExposure().AsDuration()))
			}
		}
		for _, said := range x.response.GetViews() {
			p := proto.CloneOf(said)
			if i := viewOf(now.task, p.GetView()); i >= 0 {
				leave(now.task.GetViews()[i], p)
			}
			if !proto.Equal(p, next.values[p.GetView()]) {
				return out, fmt.Sprintf("after %v was set the answer has %v, not %v", x.request.GetViews(), p,
					next.values[p.GetView()])
			}
		}
		if len(x.response.GetViews()) != len(next.values) {
			return out, fmt.Sprintf("the answer to %v has %d views of %d", x.request.GetViews(),
				len(x.response.GetViews()), len(next.values))
		}
		now = next
		out = append(out, *now)
	}
	upTo(time.Now().Add(time.Hour))
	return out, ""
}

// claims says where the frames of a job claim something else than was set for it.
func (l *life) claims(fs *facetdv1.FrameSet, history []moving) string {
	var now *moving
	for i := range history {
		if history[i].from <= fs.GetJob() {
			now = &history[i]
		}
	}
	if now == nil {
		return fmt.Sprintf("job %d is of no task", fs.GetJob())
	}
	views := now.task.GetViews()
	shown := map[string]bool{}
	for _, f := range fs.GetFrames() {
		shown[f.GetView()] = true
	}
	for _, v := range views {
		p := now.values[v.GetName()]
		if on := p == nil || p.Active == nil || p.GetActive(); v.GetName() != "" && on != shown[v.GetName()] {
			return fmt.Sprintf("job %d: view %s is to be on: %v, since job %d, and shown: %v", fs.GetJob(), v.GetName(),
				on, now.from, shown[v.GetName()])
		} else if !on {
			l.hidden++
		}
	}
	for _, f := range fs.GetFrames() {
		i := viewOf(now.task, f.GetView())
		if i < 0 {
			continue // it has no name of its own, and nothing of it moves
		}
		expected := active(views, i, now.values, l.s.array.Chips[l.s.array.Chip(f.GetChip())].Class)
		said := &facetdv1.ViewParameters{View: f.GetView(), Row: proto.Uint32(f.GetWindow().GetRow()),
			Column: proto.Uint32(f.GetWindow().GetColumn())}
		trim := f.GetTrim()
		if trim != nil && expected.PixelBias != nil {
			said.PixelBias = trim.PixelBias
		}
		if trim != nil && expected.OutputBias != nil {
			said.OutputBias = trim.OutputBias
		}
		if trim != nil && expected.GainIndex != nil {
			said.GainIndex = proto.Uint32(trim.GetGainIndex())
		}
		if trim != nil && expected.Offset != nil {
			said.Offset = proto.Int32(trim.GetOffset())
		}
		if expected.Exposure != nil {
			said.Exposure = durationpb.New(time.Duration(f.GetExposureNs()))
		}
		if views[0].GetAutomatic() != nil && views[0].GetMovable().GetExposure() != nil {
			said.Exposure, expected.Exposure = nil, nil // of the one load
		}
		leave(views[i], said)
		leave(views[i], expected)
		expected.Active = nil
		if !proto.Equal(said, expected) {
			return fmt.Sprintf("job %d: frame %s of %s says %v, active was %v since job %d", fs.GetJob(), f.GetView(),
				f.GetChip(), said, expected, now.from)
		}
	}
	return ""
}

// viewOf is the index of a view of a task, or -1.
func viewOf(t *facetdv1.Task, name string) int {
	return slices.IndexFunc(t.GetViews(), func(v *facetdv1.View) bool { return v.GetName() == name })
}

// active is what was active of a view: where its window was, and what else may be set of it.
func active(views []*facetdv1.View, i int, values map[string]*facetdv1.ViewParameters,
	class *chipmodel.Class) *facetdv1.ViewParameters {
	v := views[i]
	out := &facetdv1.ViewParameters{View: v.GetName(), Row: proto.Uint32(v.GetWindow().GetRow()),
		Column: proto.Uint32(v.GetWindow().GetColumn())}
	proto.Merge(out, values[v.GetName()])
	if first := values[views[0].GetName()]; class.HasMemory() && first != nil { // one load: one bias and exposure
		out.PixelBias, out.Exposure = first.PixelBias, first.Exposure
	}
	return out
}
