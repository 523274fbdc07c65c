package campaign

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/dispatch"
	"facetd.example/scheduler/program"
)

// makeMovable lets windows, biases and amplifiers of some tasks be set between their jobs, also of those that are made
// later. What does not fit beside the others, or is more than a class can do, stays as it was.
func (s *scenario) makeMovable(r *rand.Rand) {
	for i, t := range s.tasks {
		if moved := s.movable(r, t); moved != nil {
			tasks := slices.Clone(s.tasks)
			tasks[i] = moved
			if fits(s.array, tasks) == nil {
				s.tasks = tasks
			}
		}
	}
	for i := range s.changes {
		if moved := s.movable(r, s.changes[i].add); moved != nil {
			s.changes[i].add = moved
		}
	}
}

// movable is a task in whose views something may be set between jobs, in most cases nil.
func (s *scenario) movable(r *rand.Rand, t *facetdv1.Task) *facetdv1.Task {
	if t == nil || r.IntN(3) > 0 {
		return nil
	}
	class := s.array.Chips[s.array.Chip(t.GetTarget().GetList().GetNames()[0])].Class
	moved := proto.CloneOf(t)
	if len(moved.GetViews()) == 0 {
		moved.Views = []*facetdv1.View{{}}
	}
	for i, v := range moved.GetViews() {
		if v.Name = fmt.Sprint("part", i); i == 0 || r.IntN(2) == 0 {
			moveView(r, v, class, i == 0)
		}
	}
	if _, m := program.NewTasks(s.array, []*facetdv1.Task{moved}); len(m) > 0 {
		return nil // an output bias too low for the lane, for instance
	}
	return moved
}

// around are random bounds around a value, from least to most.
func around(r *rand.Rand, now, least, most int) *facetdv1.Bounds {
	return &facetdv1.Bounds{Low: int32(now - r.IntN(now-least+1)), High: int32(now + r.IntN(most-now+1))}
}

// moveView lets some of what a view has move.
func moveView(r *rand.Rand, v *facetdv1.View, class *chipmodel.Class, first bool) {
	m := &facetdv1.Movable{}
	rows, columns := 1+r.IntN(class.Rows), 1+r.IntN(class.Columns)
	v.Window = &facetdv1.Window{Rows: uint32(rows), Columns: uint32(columns), RowStep: 1, ColumnStep: 1,
		Row: uint32(r.IntN(class.Rows - rows + 1)), Column: uint32(r.IntN(class.Columns - columns + 1))}
	if r.IntN(3) > 0 {
		m.Row = around(r, int(v.Window.Row), 0, class.Rows-rows)
	}
	if r.IntN(3) > 0 {
		m.Column = around(r, int(v.Window.Column), 0, class.Columns-columns)
	}
	value := func(set *uint32, reg facetdv1.Register) int {
		if set == nil {
			return int(class.PowerOn(reg))
		}
		return int(*set)
	}
	trim := v.GetTrim()
	if trim == nil {
		trim = &facetdv1.TrimSettings{}
	}
	if class.HasRegister(chipmodel.PixelBias) && (first || !class.HasMemory()) && r.IntN(2) == 0 {
		m.PixelBias = around(r, value(trim.PixelBias, chipmodel.PixelBias), 0, 255)
	}
	if class.HasRegister(chipmodel.OutputBias) && r.IntN(2) == 0 {
		now := value(trim.OutputBias, chipmodel.OutputBias)
		m.OutputBias = around(r, now, max(0, now-40), min(255, now+40))
	}
	if class.HasRegister(chipmodel.Gain) {
		if r.IntN(2) == 0 {
			m.GainIndex = around(r, int(trim.GetGainIndex()), 0, len(class.Spec.GetAmplifier().GetGains())-1)
		}
		if r.IntN(2) == 0 {
			m.Offset = around(r, int(trim.GetOffset()), -128, 127)
		}
	}
	if class.HasShutter() && first {
		// From numbers of their own: what else a seed draws does not depend on exposures.
		moveExposure(rand.New(rand.NewPCG(uint64(rows), uint64(columns))), v, m)
	}
	if rand.New(rand.NewPCG(uint64(rows), uint64(columns)+1<<32)).IntN(3) == 0 { // likewise
		m.Active = true
	}
	v.Movable = m
}

// moveExposure lets the exposure of a view move, in most cases. All times are multiples of every bus's grain.
func moveExposure(r *rand.Rand, v *facetdv1.View, m *facetdv1.Movable) {
	if r.IntN(3) == 0 {
		return
	}
	us := func(n int) *durationpb.Duration { return durationpb.New(time.Duration(n) * time.Microsecond) }
	low := 20 + r.IntN(100)
	now := low + r.IntN(100)
	v.Exposure, m.Exposure = us(now), &facetdv1.ExposureBounds{Low: us(low), High: us(now + r.IntN(300))}
}

// setting is that somebody sets parameters of the tasks that run, some of them outside their bounds.
type setting struct {
	at   time.Duration
	seed uint64
}

// randomSettings are a few at any time, and as many one right after another.
func randomSettings(r *rand.Rand, s *scenario) []setting {
	if !slices.ContainsFunc(s.tasks, moves) && !slices.ContainsFunc(s.changes, func(c change) bool {
		return moves(c.add)
	}) {
		return nil
	}
	var out []setting
	at := append(instants(r, r.IntN(12), s.safety), instants(r, r.IntN(12), 50*time.Millisecond)...)
	after := time.Duration(r.Int64N(int64(s.safety)))
	for i, t := range at {
		if i > len(at)/2 {
			t = t/8 + after | 1
		}
		out = append(out, setting{at: t, seed: r.Uint64()})
	}
	return out
}

// moves reports whether anything of a task may be set between its jobs.
func moves(t *facetdv1.Task) bool {
	return slices.ContainsFunc(t.GetViews(), func(v *facetdv1.View) bool { return proto.Size(v.GetMovable()) > 0 })
}

// set is what became of a setting.
type set struct {
	at       time.Time
	task     *facetdv1.Task // as it was shown then
	request  *facetdv1.SetTaskParametersRequest
	outside  bool // of its bounds
	response *facetdv1.SetTaskParametersResponse
	err      error
	again    *repeated[*facetdv1.SetTaskParametersResponse]
}

// set sets something of one of the tasks that run, unless nothing moves. In one of four cases the request has an id,
// and is sent once more.
func (l *life) set(x *setting) {
	out := x.of(l.disp)
	if out == nil {
		return
	}
	do := func(ctx context.Context) (*facetdv1.SetTaskParametersResponse, error) {
		return l.disp.SetParameters(ctx, proto.CloneOf(out.request))
	}
	send := func() (*facetdv1.SetTaskParametersResponse, error) { return do(l.ctx) }
	twice := rand.New(rand.NewPCG(x.seed, 2)).IntN(4) == 0
	if twice {
		send = sending(l, "settings", fmt.Sprint(x.seed), do)
	}
	out.response, out.err = send()
	l.mu.Lock()
	l.sets = append(l.sets, out)
	l.mu.Unlock()
	if twice && out.err == nil && l.wait(soonAgain) {
		answer, err := send()
		out.again = &repeated[*facetdv1.SetTaskParametersResponse]{out.response, answer, err}
	}
}

// of is what is to be set of one of the tasks that run; nil where nothing moves.
func (x *setting) of(d *dispatch.Dispatcher) *set {
	r := rand.New(rand.NewPCG(x.seed, 0))
	var tasks []*facetdv1.Task
	for _, t := range d.Snapshot().Tasks {
		if moves(t.GetTask()) {
			tasks = append(tasks, t.GetTask())
		}
	}
	if len(tasks) == 0 {
		return nil
	}
	t := tasks[r.IntN(len(tasks))]
	out := &set{at: time.Now(), task: t, request: &facetdv1.SetTaskParametersRequest{Task: t.GetName()}}
	for _, v := range t.GetViews() {
		if p := randomParameters(r, v, &out.outside); p != nil {
			out.request.Views = append(out.request.Views, p)
		}
	}
	switchViews(rand.New(rand.NewPCG(x.seed, 1)), t, out)
	if len(out.request.GetViews()) == 0 {
		return nil
	}
	return out
}

// switchViews switches views of a task off and on, one in thirty times off all that frame sets have, which is outside.
// But for that the first view that may be off stays on where there is no other.
func switchViews(r *rand.Rand, t *facetdv1.Task, x *set) {
	always, all := false, r.IntN(30) == 0
	for _, v := range t.GetViews() {
		always = always || !v.GetMovable().GetActive()
	}
	for _, v := range t.GetViews() {
		on := !all && r.IntN(2) == 0
		switch {
		case !v.GetMovable().GetActive(), !all && r.IntN(3) == 0:
			continue
		case !always && !all:
			on, always = true, true
		}
		i := slices.IndexFunc(x.request.GetViews(), func(p *facetdv1.ViewParameters) bool {
			return p.GetView() == v.GetName()
		})
		if i < 0 {
			i = len(x.request.GetViews())
			x.request.Views = append(x.request.Views, &facetdv1.ViewParameters{View: v.GetName()})
		}
		x.request.Views[i].Active = &on
	}
	x.outside = x.outside || all && !always
}

// randomParameters are values for a view, one in thirty outside its bounds; nil for none.
func randomParameters(r *rand.Rand, v *facetdv1.View, outside *bool) *facetdv1.ViewParameters {
	p := &facetdv1.ViewParameters{View: v.GetName()}
	m := v.GetMovable()
	if v.GetAutomatic() != nil {
		if r.IntN(20) == 0 {
			*outside = true // nobody but the daemon sets it
			switch {
			case m.GetExposure() != nil:
				p.Exposure = m.GetExposure().GetLow()
			case m.GetGainIndex() != nil:
				p.GainIndex = proto.Uint32(uint32(m.GetGainIndex().GetLow()))
			default:
				p.Offset = proto.Int32(m.GetOffset().GetLow())
			}
		}
		m = proto.CloneOf(m)
		leaveBounds(m)
	}
	draw := func(b *facetdv1.Bounds, set func(int32)) {
		if b == nil || r.IntN(3) == 0 {
			return
		}
		if r.IntN(30) == 0 {
			*outside = true
			set(b.GetHigh() + 1)
			return
		}
		set(b.GetLow() + r.Int32N(b.GetHigh()-b.GetLow()+1))
	}
	draw(m.GetRow(), func(n int32) { p.Row = proto.Uint32(uint32(n)) })
	draw(m.GetColumn(), func(n int32) { p.Column = proto.Uint32(uint32(n)) })
	draw(m.GetPixelBias(), func(n int32) { p.PixelBias = proto.Uint32(uint32(n)) })
	draw(m.GetOutputBias(), func(n int32) { p.OutputBias = proto.Uint32(uint32(n)) })
	draw(m.GetGainIndex(), func(n int32) { p.GainIndex = proto.Uint32(uint32(n)) })
	draw(m.GetOffset(), func(n int32) { p.Offset = proto.Int32(n) })
	if b := m.GetExposure(); b != nil && r.IntN(3) > 0 {
		low, high := b.GetLow().AsDuration(), b.GetHigh().AsDuration()
		exposure := low + time.Duration(r.Int64N(int64(high-low)+1)) // between two grains, mostly
		if r.IntN(30) == 0 {
			*outside, exposure = true, high+1
		}
		p.Exposure = durationpb.New(exposure)
	}
	if proto.Size(&facetdv1.ViewParameters{View: p.View}) == proto.Size(p) {
		return nil
	}
	return p
}
