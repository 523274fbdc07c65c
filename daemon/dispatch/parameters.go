package dispatch

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
	"facetd.example/scheduler/autoexposure"
	"facetd.example/scheduler/program"
)

// parameters are what the slots of the active tasks hold. Callers set them and the runner reads them when a job begins,
// under one lock, so that it is certain with which job a value begins. Nobody is called while the lock is held, and a
// list of values is replaced, never changed: jobs have it.
type parameters struct {
	mu    sync.Mutex
	tasks map[string]*parametersOf
}

// parametersOf are those of one task as asked for.
type parametersOf struct {
	task   *program.Task
	values []int  // one for each of task.Slots
	next   uint64 // number of the job that begins next
	// laws are those of task.Views, of the runner; nil where the daemon sets nothing of a view.
	laws []*autoexposure.Law
}

// setTable says which tasks are active. What was set of one that goes on with the same slots stays.
func (p *parameters) setTable(plan *scheduler.Plan, tasks []counted) {
	p.mu.Lock()
	defer p.mu.Unlock()
	before := p.tasks
	p.tasks = map[string]*parametersOf{}
	if plan == nil {
		return
	}
	for i := range plan.Tasks {
		for k := range plan.Tasks[i].Members {
			m := &plan.Tasks[i].Members[k]
			of := &parametersOf{task: m.Task, values: defaultsOf(m.Task.Slots), next: tasks[m.Asked].next,
				laws: lawsOf(m.Task)}
			if old := before[m.Task.Name]; old != nil && slices.Equal(old.task.Slots, m.Task.Slots) &&
				slices.Equal(old.task.Parameters, m.Task.Parameters) {
				of.values = old.values
				if proto.Equal(old.task.Spec(), m.Task.Spec()) {
					of.laws = old.laws
				}
			}
			p.tasks[m.Task.Name] = of
		}
	}
}

func defaultsOf(slots []bus.Slot) []int {
	out := make([]int, len(slots))
	for i, s := range slots {
		out[i] = s.Default
	}
	return out
}

// begin returns the values for a job of a bus task that begins now: those of its members one after another, as their
// slots are. nil where the task has no slots. It is a job of the members named, by number.
func (p *parameters) begin(tp *scheduler.TaskPlan, of []int) []int {
	p.mu.Lock()
	defer p.mu.Unlock()
	var values []int
	for i := range tp.Members {
		values = append(values, p.tasks[tp.Members[i].Task.Name].values...)
	}
	for _, i := range of {
		p.tasks[tp.Members[i].Task.Name].next++
	}
	return values
}

// set sets parameters of a task, all of them or none. Errors: *failure.NotFound, invalid.Errors.
func (p *parameters) set(r *facetdv1.SetTaskParametersRequest) (*facetdv1.SetTaskParametersResponse, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	of := p.tasks[r.GetTask()]
	if of == nil {
		return nil, &failure.NotFound{What: "task", Name: r.GetTask()}
	}
	var m invalid.Errors
	if len(r.GetViews()) == 0 {
		m.Add("views", "nothing is set", "name a view with what is to be set")
	}
	values := slices.Clone(of.values)
	for i, v := range r.GetViews() {
		m = append(m, of.setView(v, values).Under(invalid.Index("views", i))...)
	}
	if len(m) == 0 && !of.shows(values) {
		m.Add("views", "no view would be left in the frames", "leave one on, or remove the task")
	}
	if len(m) > 0 {
		return nil, m
	}
	of.values = values
	all := of.views(func(int) bool { return true })
	return &facetdv1.SetTaskParametersResponse{FirstJob: of.next, Views: all}, nil
}

// of returns the parameters of a task as they are for its next job; nil for one that has none.
func (p *parameters) of(task string) []*facetdv1.ViewParameters {
	p.mu.Lock()
	defer p.mu.Unlock()
	if of := p.tasks[task]; of != nil {
		return of.views(func(int) bool { return true })
	}
	return nil
}

// ClientParameters are the parameters of a task as they are for its next job, without those that the daemon sets; nil
// for a task that has none.
func (d *Dispatcher) ClientParameters(task string) []*facetdv1.ViewParameters {
	p := d.parameters
	p.mu.Lock()
	defer p.mu.Unlock()
	of := p.tasks[task]
	if of == nil {
		return nil
	}
	return of.views(func(i int) bool {
		x := of.task.Parameters[i]
		return !of.task.Views[x.View].Automatic.Sets(x.Field)
	})
}

// setView changes those values that a message has for one view.
func (of *parametersOf) setView(v *facetdv1.ViewParameters, values []int) (m invalid.Errors) {
	name := v.GetView()
	if name == "" && len(of.task.Views) == 1 {
		name = of.task.Views[0].Name
	}
	if !slices.ContainsFunc(of.task.Views, func(x program.View) bool { return x.Name == name }) {
		var known []string
		for i := range of.task.Views {
			known = append(known, of.task.Views[i].Name)
		}
		m.Add("view", fmt.Sprintf("the task has no view %q", name), "it has "+strings.Join(known, ", "))
		return m
	}
	given := fieldsOf(v)
	if err := v.GetExposure().CheckValid(); v.Exposure != nil && err != nil {
		m.Add(program.ExposureField, "is not a valid duration: "+err.Error(), "give seconds and nanos of one sign")
		delete(given, program.ExposureField)
	}
	for _, field := range slices.Sorted(maps.Keys(given)) {
		n, slot := given[field], of.task.Slot(name, field)
		if slot == 0 {
			m.Add(field, fmt.Sprintf("view %s does not say that it may be set", name),
				"say within which bounds in the view's movable")
			continue
		}
		if a := of.automatic(name); a.Sets(field) {
			m.Add(field, fmt.Sprintf("the daemon sets it: view %s says automatic", name),
				"leave it out, or update the task without automatic")
			continue
		}
		s := of.task.Slots[slot-1]
		up := s.Up(n) // first: a bound that was asked for lies between two steps, the slot's is on one
		if up < int64(s.Low) || up > int64(s.High) {
			m.Add(field, inUnit(field, n)+" is outside its bounds",
				fmt.Sprintf("use %s to %s", inUnit(field, int64(s.Low)), inUnit(field, int64(s.High))))
			continue
		}
		values[slot-1] = int(up)
	}
	if len(given) == 0 && len(m) == 0 {
		m.Add("", "nothing of the view is set", "give a value")
	}
	return m
}

// automatic is what the daemon sets of a view, by its name; nil where that is nothing.
func (of *parametersOf) automatic(view string) *program.Automatic {
	for i := range of.task.Views {
		if of.task.Views[i].Name == view {
			return of.task.Views[i].Automatic
		}
	}
	return nil
}

// shows reports whether frame sets have frames of any view, with values of the slots.
func (of *parametersOf) shows(values []int) bool {
	for i := range of.task.Views {
		if of.task.Shows(i, values) {
			return true
		}
	}
	return false
}

// inUnit is a value of a field for messages.
func inUnit(field string, n int64) string {
	if field == program.ExposureField {
		return time.Duration(n).String()
	}
	return strconv.FormatInt(n, 10)
}

// views are some of the values in the schema's form, in the order of the views; those without any are left out.
func (of *parametersOf) views(wanted func(slot int) bool) []*facetdv1.ViewParameters {
	var out []*facetdv1.ViewParameters
	last := -1
	for i, p := range of.task.Parameters {
		if !wanted(i) {
			continue
		}
		if p.View != last {
			out = append(out, &facetdv1.ViewParameters{View: of.task.Views[p.View].Name})
			last = p.View
		}
		setField(out[len(out)-1], p.Field, of.values[i])
	}
	return out
}

// setField puts a value into the field of its name.
func setField(v *facetdv1.ViewParameters, field string, value int) {
	switch field {
	case program.RowField:
		v.Row = proto.Uint32(uint32(value))
	case program.ColumnField:
		v.Column = proto.Uint32(uint32(value))
	case program.PixelBiasField:
		v.PixelBias = proto.Uint32(uint32(value))
	case program.OutputBiasField:
		v.OutputBias = proto.Uint32(uint32(value))
	case program.GainField:
		v.GainIndex = proto.Uint32(uint32(value))
	case program.OffsetField:
		v.Offset = proto.Int32(int32(value))
	case program.ExposureField:
		v.Exposure = durationpb.New(time.Duration(value))
	case program.ActiveField:
		v.Active = proto.Bool(value > 0)
	}
}

// fieldsOf are the values that a message has, by field.
func fieldsOf(v *facetdv1.ViewParameters) map[string]int64 {
	out := map[string]int64{}
	unsigned := func(field string, value *uint32) {
		if value != nil {
			out[field] = int64(*value)
		}
	}
	unsigned(program.RowField, v.Row)
	unsigned(program.ColumnField, v.Column)
	unsigned(program.PixelBiasField, v.PixelBias)
	unsigned(program.OutputBiasField, v.OutputBias)
	unsigned(program.GainField, v.GainIndex)
	if v.Offset != nil {
		out[program.OffsetField] = int64(*v.Offset)
	}
	if v.Exposure != nil {
		out[program.ExposureField] = int64(v.Exposure.AsDuration())
	}
	if v.Active != nil {
		out[program.ActiveField] = 0
		if v.GetActive() {
			out[program.ActiveField] = 1
		}
	}
	return out
}

// SetParameters sets what of a task may be set between its jobs, all of a request or nothing, from the first job on
// that has not begun.
func (d *Dispatcher) SetParameters(_ context.Context, r *facetdv1.SetTaskParametersRequest) (
	*facetdv1.SetTaskParametersResponse, error) {
	if err := d.box.cause(); err != nil {
		return nil, err
	}
	return d.parameters.set(r)
}
