package campaign

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/chiptest"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// scenario is everything that a seed makes. It is not changed by a run.
type scenario struct {
	seed  uint64
	large bool // see full
	array *chipmodel.Array
	tasks []*facetdv1.Task
	// remote is the executor, where it is at the far end of a link; nil is the virtual bus in this process.
	remote *bustest.RemoteConfig
	// device has the firmware of the bridge in the place of that executor; nil has not. boarded says that it is to.
	device  *bridgetest.Steps
	boarded bool
	// Of the safety phase, by time.
	changes  []change
	crowds   []crowd
	demands  []demand
	settings []setting
	stops    []stop
	triggers []trigger
	// calibrated is the chip of which correction maps are made, and calibrations when.
	calibrated   string
	calibrations []time.Duration
	subscribers  []subscriber
	recordings   []recording
	faults       []fault
	// safety is how long faults may strike and callers ask for something.
	safety time.Duration
}

const (
	safetyPhase = 900 * time.Millisecond
	// begin is when the first tasks run, a little after the bus: see firstStart of package dispatch.
	begin = 20 * time.Millisecond
	// planSegments keeps timetables short, so that many runs are made in a second.
	planSegments = 400
)

// newScenario draws a scenario. Each part has a random source of its own, so that a part drawn differently leaves the
// others as they were.
func newScenario(seed uint64) *scenario { return drawScenario(seed, false) }

// drawScenario draws one, whose programs run on the firmware of the bridge where boarded is set.
func drawScenario(seed uint64, boarded bool) *scenario {
	part := func(n uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, n)) }
	s := &scenario{seed: seed, safety: safetyPhase, boarded: boarded}
	r := part(0)
	s.large = r.IntN(10) < 8
	for s.tasks == nil {
		s.array = randomArray(r, s.large)
		if s.remote = randomRemote(r); boarded {
			s.remote = randomBoard(part(16))
		}
		if s.remote != nil {
			s.array = must(s.array.OnGrain(s.remote.Limits.Grain))
			s.remote.Limits.Release = s.array.Timing.ReleaseLimit
		}
		s.tasks = firstTasks(r, s.array, s.large)
	}
	s.changes = randomChanges(part(1), s)
	s.makeMovable(part(6))
	s.makeAutomatic(part(12))
	s.dropHopeless()
	s.demands = randomDemands(part(2), s)
	s.subscribers = randomSubscribers(part(3), s)
	s.faults = randomFaults(part(5), s)
	s.recordings = randomRecordings(part(4), s)
	s.settings = randomSettings(part(7), s)
	s.stops = randomStops(part(8), s)
	s.calibrated, s.calibrations = randomCalibrations(part(9), s)
	s.addOverload(part(10))
	s.crowds = randomCrowds(part(11), s)
	s.addSporadic(part(15))
	s.addPauses(part(13))
	s.addSeveral(part(14))
	return s
}

// ordered reports whether the order of all that happens is fixed: of callers who wait for one another's changes the
// next comes in the very instant of an answer.
func (s *scenario) ordered() bool { return len(s.crowds) == 0 && !s.boarded }

// dropHopeless leaves out changes that do not fit beside tasks that are cut: to say what would fit takes a second.
func (s *scenario) dropHopeless() {
	if !slices.ContainsFunc(s.tasks, func(t *facetdv1.Task) bool { return t.GetName() == "quick" }) {
		return
	}
	s.changes = slices.DeleteFunc(s.changes, func(c change) bool {
		if c.add == nil {
			return false
		}
		tasks := slices.DeleteFunc(slices.Clone(s.tasks), func(t *facetdv1.Task) bool {
			return t.GetName() == c.add.GetName()
		})
		return fits(s.array, append(tasks, c.add)) != nil
	})
}

// randomRemote is a remote executor in one seed of three.
func randomRemote(r *rand.Rand) *bustest.RemoteConfig {
	if r.IntN(3) > 0 {
		return nil
	}
	c := &bustest.RemoteConfig{
		Latency: time.Duration(50+r.IntN(1500))*time.Microsecond + 13,
		Ready:   time.Duration(r.IntN(300)) * time.Microsecond,
		Drift:   (r.Float64() - 0.5) * 2e-4,
		Ahead:   time.Duration(r.IntN(5_000_000)),
		Seed:    r.Uint64(),
	}
	c.Limits = bus.Limits{
		Grain: []time.Duration{1, 100, 1000}[r.IntN(3)], Queue: 24 + r.IntN(40),
		// Its quarter, in which the host is heard, divides none of the times that the dispatcher waits: what happens
		// at one instant has no order.
		Lease: time.Duration(30+r.IntN(60))*time.Millisecond + 151,
	}
	c.Limits.LeastLead = c.Latency + c.Ready + 100*time.Microsecond
	return c
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err) // of the scenario
	}
	return v
}

// randomArray has 8 to 40 chips, or 1 to 7, of up to five random classes on one to four lanes. Each chip listens to
// as many lines as every other, and no two to the same, so that each can be reached alone.
func randomArray(r *rand.Rand, large bool) *chipmodel.Array {
	for {
		chips := 1 + r.IntN(7)
		switch {
		case large && r.IntN(8) == 0:
			chips = 17 + r.IntN(24)
		case large:
			chips = 8 + r.IntN(9)
		}
		msg := &facetdv1.Array{Name: "random", Timing: &facetdv1.BusTiming{
			DeadTime: ns(200), SelectSetup: ns(300), Write: ns(1000), Strobe: ns(500),
			ReleaseLimit: durationpb.New([]time.Duration{20 * time.Microsecond, time.Millisecond}[r.IntN(2)]),
		}}
		slow := r.IntN(8) == 0 // long readouts are cut for quick tasks
		for _, n := range r.Perm(chiptest.Combinations)[:1+r.IntN(min(5, chips))] {
			class := chiptest.Class(n)
			class.Lattice.Rows, class.Lattice.Columns = uint32(2+r.IntN(3)), uint32(2+r.IntN(4))
			if r.IntN(10) == 0 || slow {
				class.Lattice.Rows, class.Lattice.Columns = 16, 16
			}
			msg.Classes = append(msg.Classes, class)
		}
		for i := range 1 + r.IntN(4) {
			conversion := 500 + r.Int64N(2000)
			if slow {
				conversion *= 8
			}
			msg.Lanes = append(msg.Lanes, &facetdv1.Lane{
				Name: fmt.Sprint("lane", i), ChipCapacitancePf: proto.Float64(1),
				Converter: &facetdv1.Converter{Bits: 10 + uint32(2*r.IntN(3)), HighVolts: 3,
					Conversion: ns(conversion), SampleAndHold: r.IntN(2) == 0},
			})
		}
		wires(r, msg, chips)
		if a, m := chipmodel.New(msg); len(m) == 0 {
			return a
		}
	}
}

// wires gives every chip a set of lines of its own.
func wires(r *rand.Rand, msg *facetdv1.Array, chips int) {
	inputs := 1 + r.IntN(3)
	lines := []int{0, chips, 4, 5}[inputs]
	for sets(lines, inputs) < chips {
		lines++
	}
	lines += r.IntN(3)
	for i := range lines {
		msg.SelectLines = append(msg.SelectLines, fmt.Sprint("l", i))
	}
	taken := map[string]bool{}
	for i := range chips {
		c := &facetdv1.Chip{
			Name: fmt.Sprint("c", i), Class: msg.Classes[r.IntN(len(msg.Classes))].GetName(),
			Lane:  msg.Lanes[r.IntN(len(msg.Lanes))].GetName(),
			Mount: &facetdv1.Mount{YawDeg: float64(r.IntN(360))},
			Lens:  &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30},
		}
		for {
			chosen := r.Perm(lines)[:inputs]
			slices.Sort(chosen)
			if key := fmt.Sprint(chosen); !taken[key] {
				taken[key] = true
				for _, l := range chosen {
					c.Selects = append(c.Selects, msg.SelectLines[l])
				}
				break
			}
		}
		msg.Chips = append(msg.Chips, c)
	}
}

// sets is in how many ways k of n can be chosen, for k up to 3.
func sets(n, k int) int { return []int{1, n, n * (n - 1) / 2, n * (n - 1) * (n - 2) / 6}[k] }

func ns(n int64) *durationpb.Duration { return durationpb.New(time.Duration(n)) }

// firstTasks draws the tasks that run from the start; nil when that many do not fit on the array.
func firstTasks(r *rand.Rand, a *chipmodel.Array, large bool) []*facetdv1.Task {
	n := 1 + r.IntN(2)
	if large {
		n = 3 + r.IntN(3)
	}
	var specs []*facetdv1.Task
	for i := range n {
		specs = append(specs, randomTask(r, a, fmt.Sprint("t", i)))
	}
	if r.IntN(4) == 0 { // one that may share another's load
		x := proto.CloneOf(specs[r.IntN(len(specs))])
		x.Name, x.Deadline, x.MaxHold, x.MaxSkew = "twin", nil, nil, nil
		specs = append(specs, x)
	}
	for i, hz := 0, rates(specs); large && hz < 200; i++ { // so that there are jobs enough
		hz += specs[i%n].GetRateHz()
		specs[i%n].RateHz, specs[i%n].Deadline = 2*specs[i%n].GetRateHz(), nil
	}
	if x := specs[0]; r.IntN(6) == 0 { // a quick one on a chip of another
		chips := x.GetTarget().GetList().GetNames()
		specs, x.RateHz = append(specs, quick(chips[0])), 16
	} else if slow := slowest(a); slow != nil { // and one that takes so long that it is cut for a quick one on any chip
		x.Target, x.Views, x.RateHz = list(someChips(r, a, slow)...), nil, 16
		x.Deadline, x.MaxHold, x.MaxSkew = nil, nil, nil
		specs = append(specs, quick(a.Chips[r.IntN(len(a.Chips))].Name))
	}
	for range 3 {
		switch err := fits(a, specs); {
		case err == nil:
			return specs
		case !errors.As(err, new(*scheduler.RefusalError)):
			panic(fmt.Sprintf("tasks %v: %v", specs, err))
		}
		for _, x := range specs {
			x.RateHz, x.MaxHold, x.MaxSkew, x.Deadline = max(x.GetRateHz()/2, 16), nil, nil, nil
		}
	}
	return nil
}

// quick is a small task that leaves little time for others between its jobs.
func quick(chip string) *facetdv1.Task {
	return &facetdv1.Task{Name: "quick", Target: list(chip), RateHz: 256,
		Views: []*facetdv1.View{{Window: &facetdv1.Window{Rows: 1, Columns: 1}}}}
}

// slowest is a class whose readout takes longer than quick tasks leave; nil where there is none.
func slowest(a *chipmodel.Array) *chipmodel.Class {
	for i := range a.Chips {
		c := &a.Chips[i]
		if n := c.Class.Rows * c.Class.Columns; time.Duration(n)*a.Lanes[c.Lane].Conversion > 2*time.Millisecond {
			return c.Class
		}
	}
	return nil
}

func rates(specs []*facetdv1.Task) (hz float64) {
	for _, x := range specs {
		hz += x.GetRateHz()
	}
	return hz
}

// fits plans tasks, without looking for what would fit in their place.
func fits(a *chipmodel.Array, specs []*facetdv1.Task) error {
	tasks, m := program.NewTasks(a, specs)
	if len(m) > 0 {
		return m
	}
	_, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true, MaxSegments: planSegments})
	return err
}

// randomTask reads up to four chips of one class.
func randomTask(r *rand.Rand, a *chipmodel.Array, name string) *facetdv1.Task {
	class := a.Chips[r.IntN(len(a.Chips))].Class
	t := &facetdv1.Task{Name: name, Target: list(someChips(r, a, class)...), RateHz: float64(int(16) << r.IntN(3))}
	if r.IntN(5) == 0 {
		t.RateHz = []float64{20, 24, 30, 48, 120}[r.IntN(5)]
	}
	for range r.IntN(3) {
		v := randomView(r, class)
		if len(t.Views) > 0 && class.HasMemory() { // one load, under one bias
			v.Trim = proto.CloneOf(t.Views[0].GetTrim())
		}
		t.Views = append(t.Views, v)
	}
	if r.IntN(4) == 0 {
		t.Deadline = durationpb.New(time.Duration(1e9 / t.RateHz * (0.5 + 0.5*r.Float64())))
	}
	if class.HasMemory() && r.IntN(4) == 0 {
		t.MaxHold = durationpb.New(time.Duration(2+r.IntN(8)) * time.Millisecond)
	}
	if r.IntN(6) == 0 {
		t.MaxSkew = durationpb.New(time.Duration(500+r.IntN(4000)) * time.Microsecond)
	}
	return t
}

// someChips names up to four chips of a class.
func someChips(r *rand.Rand, a *chipmodel.Array, class *chipmodel.Class) []string {
	var names []string
	for i := range a.Chips {
		if a.Chips[i].Class == class {
			names = append(names, a.Chips[i].Name)
		}
	}
	r.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
	return names[:1+r.IntN(min(4, len(names)))]
}

func list(names ...string) *facetdv1.Target {
	return &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: names}}}
}

// randomView is one that chips of the class can make.
func randomView(r *rand.Rand, class *chipmodel.Class) *facetdv1.View {
	v := &facetdv1.View{}
	if class.HasPatterns() && r.IntN(2) == 0 {
		v.Binning = &facetdv1.Binning{Rows: 1 << r.IntN(3), Columns: 1 << r.IntN(3)}
	}
	if class.HasMemory() {
		v.SmoothingSteps = uint32(r.IntN(3))
		if r.IntN(3) == 0 {
			v.Shares = []*facetdv1.Share{{Columns: "11001100", Rows: "00000010"}}
		}
	}
	if r.IntN(2) == 0 {
		v.Trim = randomTrim(r, class)
	}
	if r.IntN(2) == 0 {
		v.Window = &facetdv1.Window{Row: uint32(r.IntN(class.Rows)), Column: uint32(r.IntN(class.Columns)),
			RowStep: uint32(r.IntN(3)), ColumnStep: uint32(r.IntN(3))}
	}
	return v
}

// randomTrim sets registers of biases and amplifier that a class has; nil where it has none.
func randomTrim(r *rand.Rand, class *chipmodel.Class) *facetdv1.TrimSettings {
	trim := &facetdv1.TrimSettings{}
	if class.HasRegister(chipmodel.PixelBias) {
		trim.PixelBias = proto.Uint32(uint32(80 + r.IntN(40)))
	}
	if class.HasRegister(chipmodel.OutputBias) && r.IntN(2) == 0 {
		trim.OutputBias = proto.Uint32(uint32(90 + r.IntN(60)))
	}
	if class.HasRegister(chipmodel.Gain) {
		trim.GainIndex, trim.Offset = uint32(r.IntN(3)), int32(r.IntN(64)-32)
	}
	if proto.Size(trim) == 0 {
		return nil
	}
	return trim
}
