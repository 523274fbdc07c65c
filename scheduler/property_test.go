package scheduler_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// randomArray has up to 14 chips of random classes with one to three inputs on few
// lines and one to three lanes; arrays that are refused are drawn again.
func randomArray(r *rand.Rand, change ...func(*facetdv1.Array)) *chipmodel.Array {
	for {
		msg := &facetdv1.Array{
			Name: "random", Classes: randomClasses(r),
			Timing: &facetdv1.BusTiming{DeadTime: dur(200), SelectSetup: dur(300), Write: dur(1000), Strobe: dur(500),
				ReleaseLimit: dur(20000)},
		}
		for i := range 5 + r.IntN(5) {
			msg.SelectLines = append(msg.SelectLines, fmt.Sprint("l", i))
		}
		for i := range 1 + r.IntN(3) {
			msg.Lanes = append(msg.Lanes, &facetdv1.Lane{
				Name: fmt.Sprint("lane", i), ChipCapacitancePf: proto.Float64(1),
				Converter: &facetdv1.Converter{Bits: 10, HighVolts: 2,
					Conversion: dur(time.Duration(500 + r.IntN(3000))), SampleAndHold: r.IntN(2) == 0},
			})
		}
		for i := range 2 + r.IntN(13) {
			c := &facetdv1.Chip{
				Name: fmt.Sprint("c", i), Class: msg.Classes[r.IntN(len(msg.Classes))].GetName(),
				Lane: msg.Lanes[r.IntN(len(msg.Lanes))].GetName(),
				Lens: &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30},
			}
			inputs := 3
			if r.IntN(6) == 0 {
				inputs = 1 + r.IntN(2)
			}
			for _, l := range r.Perm(len(msg.SelectLines))[:inputs] {
				c.Selects = append(c.Selects, msg.SelectLines[l])
			}
			msg.Chips = append(msg.Chips, c)
		}
		for _, f := range change {
			f(msg)
		}
		if a, m := chipmodel.New(msg); len(m) == 0 {
			return a
		}
	}
}

// randomTrim sets some of the registers of biases and amplifier that a class has.
func randomTrim(r *rand.Rand, class *chipmodel.Class) *facetdv1.TrimSettings {
	trim := &facetdv1.TrimSettings{}
	if class.HasRegister(chipmodel.PixelBias) {
		trim.PixelBias = proto.Uint32(uint32(r.IntN(256)))
	}
	if class.HasRegister(chipmodel.OutputBias) && r.IntN(2) == 0 {
		trim.OutputBias = proto.Uint32(uint32(r.IntN(256)))
	}
	if class.HasRegister(chipmodel.Gain) {
		trim.GainIndex, trim.Offset = uint32(r.IntN(3)), int32(r.IntN(256)-128)
	}
	if proto.Size(trim) == 0 || r.IntN(2) == 0 {
		return nil
	}
	return trim
}

func randomView(r *rand.Rand, class *chipmodel.Class) *facetdv1.View {
	v := &facetdv1.View{}
	bin := func() uint32 { return 1 << r.IntN(4) }
	if class.HasPatterns() && r.IntN(2) == 0 {
		v.Binning = &facetdv1.Binning{Rows: bin(), Columns: bin()}
	}
	if class.HasMemory() {
		v.SmoothingSteps = uint32(r.IntN(3))
		if r.IntN(3) == 0 {
			v.Shares = []*facetdv1.Share{{Columns: "11001100", Rows: "00000010"}}
		}
	}
	v.Trim = randomTrim(r, class)
	if r.IntN(2) == 0 {
		v.Window = &facetdv1.Window{Row: uint32(r.IntN(class.Rows)), Column: uint32(r.IntN(class.Columns)),
			RowStep: uint32(r.IntN(4)), ColumnStep: uint32(r.IntN(4))}
	}
	return v
}

// randomTask reads some chips of one class.
func randomTask(r *rand.Rand, a *chipmodel.Array, name string) *facetdv1.Task {
	class := a.Chips[r.IntN(len(a.Chips))].Class
	var names []string
	for i := range a.Chips {
		if a.Chips[i].Class == class && r.IntN(3) > 0 {
			names = append(names, a.Chips[i].Name)
		}
	}
	if names == nil {
		return randomTask(r, a, name)
	}
	t := &facetdv1.Task{Name: name, Target: list(names...), RateHz: float64(int(4) << r.IntN(9))}
	if r.IntN(3) == 0 {
		t.RateHz = []float64{3, 7.5, 15, 24, 29.97, 60}[r.IntN(6)]
	}
	for range r.IntN(3) {
		v := randomView(r, class)
		if len(t.Views) > 0 && class.HasMemory() { // one load, under one bias
			v.Trim = proto.CloneOf(t.Views[0].GetTrim())
		}
		if class.HasShutter() && len(t.Views) == 0 && r.IntN(2) == 0 {
			v.Exposure = dur(time.Duration(3000 + r.IntN(200_000)))
		}
		t.Views = append(t.Views, v)
	}
	if r.IntN(4) == 0 {
		t.Deadline = dur(time.Duration(1e9 / t.RateHz * (0.4 + 0.6*r.Float64())))
	}
	if class.HasMemory() && r.IntN(3) == 0 {
		t.MaxHold = dur(time.Duration(1+r.IntN(8)) * time.Millisecond)
	}
	if r.IntN(4) == 0 {
		t.MaxSkew = dur(time.Duration(1+r.IntN(4000)) * time.Microsecond)
	}
	return t
}

// TestRandomPlans: whatever is planned keeps every rule over several cycles by the
// inspector and by the naive walk, and is predicted exactly; whatever is refused
// says why in numbers.
func TestRandomPlans(t *testing.T) {
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	if testing.Short() {
		seed = 1
	}
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	planned, refused, cut, suggestions := 0, map[facetdv1.RefusalReason]int{}, 0, 0
	for i := range peertest.Cases(60, 150) {
		a := randomArray(r)
		var specs []*facetdv1.Task
		for k := range 1 + r.IntN(4) {
			specs = append(specs, randomTask(r, a, fmt.Sprint("t", k)))
		}
		if i%2 == 0 { // a quick small one, which long readouts are in the way of
			x := randomTask(r, a, "quick")
			x.RateHz, x.Deadline, x.MaxHold, x.MaxSkew = float64(int(250)<<r.IntN(4)), nil, nil, nil
			x.Views = []*facetdv1.View{{Window: &facetdv1.Window{Rows: 2, Columns: 2}}}
			specs = append(specs, x)
		}
		tasks, m := program.NewTasks(a, specs)
		if len(m) > 0 {
			t.Fatalf("case %d: %v", i, m)
		}
		p, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: i%5 > 0, MaxSegments: 3000})
		var refusal *scheduler.RefusalError
		if errors.As(err, &refusal) {
			refused[refusal.Refusal.GetReason()]++
			checkRefusal(t, refusal.Refusal)
			suggestions += checkSuggestions(t, a, tasks, refusal.Refusal)
			continue
		}
		if err != nil {
			t.Fatalf("case %d: %v", i, err)
		}
		planned++
		for k := range p.Tasks {
			if len(p.Tasks[k].Segments) > 1 {
				cut++
			}
		}
		for _, v := range rules.Judge(a, p.Table(), 3) {
			t.Errorf("case %d: %v", i, v)
		}
		checkPlan(t, p)
		checkBound(t, p)
		if t.Failed() {
			t.Fatalf("case %d", i)
		}
	}
	t.Logf("%d planned, %d tasks cut, refused %v, %d suggestions", planned, cut, refused, suggestions)
	if planned < 30 || len(refused) < 2 {
		t.Errorf("the draw is one-sided: %d planned, %d cut, refused %v", planned, cut, refused)
	}
}

// checkBound: neither the plan nor the loop by hand, where it is valid, undercuts
// the bound of a job.
func checkBound(t *testing.T, p *scheduler.Plan) {
	t.Helper()
	if e := p.Message.GetEfficiency(); e <= 0 || e > 1 {
		t.Errorf("an efficiency of %g", e)
	}
	for i := range p.Tasks {
		if len(p.Tasks[i].Members) > 1 {
			checkSharedBound(t, p, &p.Tasks[i])
			continue
		}
		pr := p.Message.GetPredictions()[p.Tasks[i].Members[0].Asked]
		if bound := pr.GetJobLowerBoundNs(); bound <= 0 || bound > pr.GetJobNs() {
			t.Errorf("task %s: a job takes %d ns, the bound is %d", pr.GetTask(), pr.GetJobNs(), bound)
		}
		if hand := bus.CostOf(p.Array, loopByHand(p.Array,
			p.Tasks[i].Task)).Total(); pr.GetJobLowerBoundNs() > int64(hand) {
			t.Errorf("task %s: the bound of a job is %d ns, by hand it takes %v", pr.GetTask(), pr.GetJobLowerBoundNs(),
				hand)
		}
	}
}

// checkSharedBound: the bounds of members make up that of the job, which the loop by
// hand over all views does not undercut.
func checkSharedBound(t *testing.T, p *scheduler.Plan, tp *scheduler.TaskPlan) {
	t.Helper()
	var bound, job int64
	for _, m := range tp.Members {
		pr := p.Message.GetPredictions()[m.Asked]
		if b := pr.GetJobLowerBoundNs(); b <= 0 || b > pr.GetJobNs() {
			t.Errorf("%s of %s: its part of a job takes %d ns, the bound is %d", pr.GetTask(), tp.Task.Name,
				pr.GetJobNs(), b)
		}
		bound += pr.GetJobLowerBoundNs()
		job += pr.GetJobNs()
	}
	var whole time.Duration
	for _, c := range tp.Costs {
		whole += c.Total()
	}
	if job != int64(whole) {
		t.Errorf("the parts of %s take %d ns, a job %v", tp.Task.Name, job, whole)
	}
	if hand := bus.CostOf(p.Array, loopByHand(p.Array, tp.Task)).Total(); bound > int64(hand) {
		t.Errorf("%s: the bound of a job is %d ns, by hand it takes %v", tp.Task.Name, bound, hand)
	}
}

// checkSuggestions plans with each suggestion to a task of one view, and returns how
// many there were.
func checkSuggestions(t *testing.T, a *chipmodel.Array, tasks []*program.Task, r *facetdv1.Refusal) int {
	t.Helper()
	n := 0
	for _, s := range r.GetSuggestions() {
		var specs []*facetdv1.Task
		views := 0
		for _, x := range tasks {
			spec := x.Spec()
			if x.Name == s.GetTask() {
				views = len(x.Views)
				if b := s.GetBinning(); b != nil {
					coarse, _ := x.Binned(a, int(b.GetRows()), int(b.GetColumns()))
					spec = coarse.Spec()
				} else if len(spec.Views) == 0 {
					spec.Views = []*facetdv1.View{{Window: s.GetWindow()}}
				} else {
					spec.Views[0].Window = s.GetWindow()
				}
			}
			specs = append(specs, spec)
		}
		if s.GetBinning() == nil && views > 1 {
			continue
		}
		n++
		changed, m := program.NewTasks(a, specs)
		if len(m) > 0 {
			t.Fatalf("%s: %v", s.GetMessage(), m)
		}
		p, err := scheduler.Build(a, changed, scheduler.Options{NoRemedies: true, MaxSegments: 3000})
		if err != nil {
			t.Errorf("%s, but: %v", s.GetMessage(), err)
			continue
		}
		checkPlan(t, p)
	}
	return n
}

func checkRefusal(t *testing.T, r *facetdv1.Refusal) {
	t.Helper()
	if r.GetReason() == 0 || len(r.GetMessage()) < 20 {
		t.Errorf("a refusal says too little: %v", r)
	}
	switch r.GetReason() {
	case facetdv1.RefusalReason_REFUSAL_REASON_UTILIZATION, facetdv1.RefusalReason_REFUSAL_REASON_JOB_TOO_LONG,
		facetdv1.RefusalReason_REFUSAL_REASON_HOLD, facetdv1.RefusalReason_REFUSAL_REASON_SKEW:
		if r.GetNeededNs() <= r.GetAvailableNs() {
			t.Errorf("a refusal needs %d of %d: %v", r.GetNeededNs(), r.GetAvailableNs(), r)
		}
	}
}
